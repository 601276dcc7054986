"""What is there to tell of a desk once the take is mixed?"""

import numpy as np

from takewell.mix.desk import Desk
from takewell.mix.report import Choice, Contribution, LinedUp, Notched
from takewell.mix.tally import Tally
from takewell.units import FINE_STEPS_PER_SECOND


def contributions(desk: Desk, tally: Tally) -> tuple[Contribution, ...]:
    """Return what each source gave."""
    pans = desk.settings.pans
    rows = []
    for at, (source, mean, leads, sound) in enumerate(zip(desk.sources, *tally.parts(), strict=True)):
        numbers = tuple(desk.tracks[column].number for column in source.columns)
        single = source.kind in ("microphone", "voice")
        rows.append(
            Contribution(
                name=source.name,
                kind=source.kind,
                tracks=numbers,
                pan=pans.get(numbers[0], 0.0) if single else None,
                weight_db=float(desk.weights_db[at]),
                handicap_db=float(desk.handicaps_db[at]),
                mean_share=float(mean),
                leads=float(leads),
                sound=float(sound),
            )
        )
    return tuple(rows)


def lined_up_tracks(desk: Desk) -> tuple[LinedUp, ...]:
    """Return the tracks that were moved in time or turned over, with what they were lined up by."""
    rows = []
    found = desk.line_up
    for unit, columns in enumerate(desk.units):
        joints = [joint for joint in found.joints if unit in (joint.leader, joint.other)]
        if not joints:
            continue
        joint = max(joints, key=lambda joint: joint.cross)
        partner = desk.tracks[desk.units[joint.other if joint.leader == unit else joint.leader][0]]
        for column in columns:
            rows.append(
                LinedUp(
                    track=desk.tracks[column].number,
                    name=_name(desk, column),
                    delay_ms=1000 * found.delays[unit] / desk.take.rate,
                    turned_over=found.polarities[unit] < 0,
                    against=partner.name or f"track {partner.number}",
                    looks=joint.arrival.looks,
                    clearness=float(np.round(joint.arrival.clearness, 1)),
                )
            )
    return tuple(sorted(rows, key=lambda row: row.track))


def choices(desk: Desk) -> tuple[Choice, ...]:
    """Return which track has each voice from when on."""
    return tuple(
        Choice(
            start_s=decision.start / FINE_STEPS_PER_SECOND,
            fade_s=decision.fade_steps / FINE_STEPS_PER_SECOND,
            track=desk.tracks[source.columns[decision.microphone]].number,
            reason=decision.reason,
        )
        for source, voice in zip(desk.sources, desk.voices, strict=True)
        if voice is not None
        for decision in voice.decisions
    )


def notched(desk: Desk) -> tuple[Notched, ...]:
    """Return the hum that was taken out."""
    return tuple(
        Notched(
            track=one.track,
            lowest_hz=min(hertz for _, hertz in one.points),
            highest_hz=max(hertz for _, hertz in one.points),
            orders=one.orders,
        )
        for one in desk.mains
    )


def _name(desk: Desk, column: int) -> str:
    return desk.tracks[column].name or f"track {desk.tracks[column].number}"
