"""What of a roll's damage can be joined from a twin that is whole there, and what has to stay, and why?

Take by take, from what the examination found: for each ISO with hurt places, the twins it has; for each place, the
first twin that is whole there. A copy whose ISO is whole needs no mending: the ISO is to be used. Nothing is written.
"""

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from takewell.mend.damage import HURTS, JOIN_S, Places, hurt_places, overlapping, together
from takewell.mend.join import Bench, Unfit, differing, join, lay
from takewell.mend.sound import Sound, clock_of
from takewell.mend.values import Join, MendedTrack, MendPlan, NotMended
from takewell.roll import Examination, Finding, Pair, Roll, Take, Track, TrackReader

Progress = Callable[[str, int, int], None]
"""Told the take in work, the takes done and their number."""

_WIDER = {"int16": "int24", "uint8": "int24"}
"""What holds the track's samples exactly and the twin's finely."""


@dataclass(frozen=True)
class _Twin:
    pair: Pair
    is_copy: bool
    take: str
    track: int


def plan_mends(
    roll: Roll,
    examination: Examination,
    takes: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> MendPlan:
    """Return what would be joined and what stays.

    Parameters
    ----------
    roll : Roll
    examination : Examination
        Of the roll as it is, with its pairs.
    takes : sequence of str, optional
        Only these.
    progress : callable, optional

    Raises
    ------
    SettingError
        If the roll has no such take.
    FileError
        If a file cannot be read.
    """
    chosen = [roll.take(take) for take in takes] if takes is not None else list(roll.takes)
    tracks: list[MendedTrack] = []
    left: list[NotMended] = []
    for number, take in enumerate(chosen):
        if progress is not None:
            progress(take.id, number, len(chosen))
        for track in take.tracks:
            hurts = _hurts(examination, take.id, track.number)
            if not hurts or track.role in ("unused", "timecode"):
                continue
            mended, stays = _planned(roll, examination, take, track, hurts)
            tracks += [mended] if mended else []
            left += stays
    if progress is not None:
        progress("", len(chosen), len(chosen))
    return MendPlan(tuple(tracks), tuple(left))


def _hurts(examination: Examination, take: str, track: int) -> list[Finding]:
    return [
        f
        for f in examination.findings
        if (f.take, f.track) == (take, track) and f.kind in HURTS and f.severity != "note"
    ]


def _twins(examination: Examination, take: str, track: int) -> list[_Twin]:
    twins = []
    for pair in examination.pairs:
        if (pair.take, pair.track) == (take, track):
            twins.append(_Twin(pair, True, pair.other_take, pair.other_track))
        elif (pair.other_take, pair.other_track) == (take, track):
            twins.append(_Twin(pair, False, pair.take, pair.track))
    return twins


def _planned(
    roll: Roll, examination: Examination, take: Take, track: Track, hurts: list[Finding]
) -> tuple[MendedTrack | None, list[NotMended]]:
    twins = _twins(examination, take.id, track.number)
    said = _told(hurts)
    if not twins:
        again = "; mix it again from its ISOs" if track.role == "mix" else ""
        alone = f"{said}: no other track holds the same sound{again}."
        return None, [NotMended(take.id, track.number, track.name, alone)]
    for twin in twins:
        if twin.take == take.id and not twin.is_copy and not _hurts(examination, twin.take, twin.track):
            name = _name(roll, take.id, twin)
            return None, [
                NotMended(
                    take.id, track.number, track.name, f"{said}: {name} is whole; use that.", needed=False
                )
            ]
    plans: list[tuple[MendedTrack, list[str]]] = []
    reasons: list[str] = []
    for twin in twins:
        mended, why = _from_twin(roll, examination, take, track, hurts, twin)
        if mended.joins and not why:
            return mended, []
        plans.append((mended, why))
        reasons += why
    best, why = max(plans, key=lambda plan: len(plan[0].joins))
    left = [
        NotMended(take.id, track.number, track.name, f"{said}: {reason}.")
        for reason in dict.fromkeys(why or reasons)
    ]
    return (best if best.joins else None), left


def _from_twin(
    roll: Roll, examination: Examination, take: Take, track: Track, hurts: list[Finding], twin: _Twin
) -> tuple[MendedTrack, list[str]]:
    """Return the track as one twin can mend it, and why some places cannot be mended from it."""
    other = roll.take(twin.take)
    source = next(t for t in other.tracks if t.number == twin.track)
    name = _name(roll, take.id, twin)
    mended = MendedTrack(
        take.id, track, take.rate, take.length_samples, twin.pair, twin.is_copy, twin.take, source, (), ""
    )
    if other.rate != take.rate:
        return mended, [f"{name} was recorded at {other.rate} Hz, this at {take.rate} Hz"]
    with contextlib.ExitStack() as stack:
        reader = stack.enter_context(TrackReader(roll.folder, take))
        twin_reader = reader if other.id == take.id else stack.enter_context(TrackReader(roll.folder, other))
        sound, whole = Sound(reader, track), Sound(twin_reader, source)
        clock = clock_of(twin.pair, twin.is_copy, take.rate, other.rate)
        twin_hurts = _hurts(examination, twin.take, twin.track)
        hurt_there = hurt_places(whole, twin_hurts)
        mapped = np.floor((hurt_there - clock.delay) / clock.step).astype(np.int64)
        bench = Bench(sound, whole, clock, hurt_places(sound, hurts), mapped, _moved(twin, take.rate))
        places, why = _places(bench, hurts, twin_hurts)
        bench = replace(bench, hurt=places, fits={})
        joins: list[Join] = []
        for place in places.tolist():
            try:
                joins.append(join(bench, (place[0], place[1]), _kinds(hurts, place, take.rate)))
            except Unfit as reason:
                why.append(f"{name}: {reason}")
    return replace(mended, joins=tuple(joins), encoding=_encoding(track, joins)), list(dict.fromkeys(why))


def _moved(twin: _Twin, rate: int) -> tuple[int, ...]:
    """Return where the gain between track and twin was moved, in samples of the track."""
    drift = 1 + twin.pair.drift_ppm * 1e-6
    moved_s = [p.start_s for p in twin.pair.passages if p.state == "steady" and p.changed_by_db]
    own_s = moved_s if twin.is_copy else [twin.pair.delay_s + at_s * drift for at_s in moved_s]
    return tuple(round(at_s * rate) for at_s in own_s)


def _places(
    bench: Bench, hurts: Sequence[Finding], twin_hurts: Sequence[Finding]
) -> tuple[Places, list[str]]:
    """Return the hurt places: those the samples show, and where the track differs from a twin that is whole there."""
    rate = bench.track.rate
    found = [bench.hurt] if len(bench.hurt) else []
    why: list[str] = []
    for finding in hurts:
        start = max(int((finding.start_s - 0.02) * rate), 0)
        stop = min(int((finding.end_s + 0.02) * rate), bench.track.length_samples)
        shown = overlapping(bench.hurt, start, stop)
        if shown and finding.kind in ("nonfinite", "clipped", "digital_silence"):
            continue
        if any(f.start_s <= finding.end_s + 0.02 and f.end_s >= finding.start_s - 0.02 for f in twin_hurts):
            if not shown:
                why.append(
                    f"track {bench.twin.track.number} ({bench.twin.track.name}) is hurt at the same moment"
                )
            continue
        try:
            laid, left_db = lay(bench, start, stop)
        except Unfit as reason:
            why.append(f"track {bench.twin.track.number} ({bench.twin.track.name}): {reason}")
            continue
        found += differing(bench, laid, start, stop, left_db)
    return together(found, 0, round(JOIN_S * rate)), why


def _kinds(hurts: Sequence[Finding], place: list[int], rate: int) -> tuple[str, ...]:
    start_s, end_s = place[0] / rate - 0.05, place[1] / rate + 0.05
    return tuple(dict.fromkeys(f.kind for f in hurts if f.start_s <= end_s and f.end_s >= start_s))


def _encoding(track: Track, joins: Sequence[Join]) -> str:
    if track.encoding in ("float32", "float64"):
        return track.encoding
    if any(j.peak > 1 for j in joins):
        return "float32"
    return _WIDER.get(track.encoding, track.encoding)


def _told(hurts: Sequence[Finding]) -> str:
    more = f", and {len(hurts) - 1} more" if len(hurts) > 1 else ""
    return f"{hurts[0].sentence}{more}"


def _name(roll: Roll, take: str, twin: _Twin) -> str:
    track = next(t for t in roll.take(twin.take).tracks if t.number == twin.track)
    of = "" if twin.take == take else f" of {twin.take}"
    return f"track {track.number} ({track.name}){of}" if track.name else f"track {track.number}{of}"
