"""Which gain does each passage of a track get, and what held it back?

1. *Wanted*: the gain that brings the passage's speech to the target. A shout (a passage of less than `SHOUT_S`
   of speech, `SHOUT_LU` or more above what surrounds it at the same gain setting) may stay above the target by
   half of what it stands out, at most the dynamics the user wants.
2. *Limits*: the floor after gain stays under the highest floor allowed and, if set, rises no more than allowed;
   the highest true peak after gain lies no further over the ceiling than the limiter may take off. Where a few
   peaks far apart are to blame (a slammed door, one laugh), the stretch from pause to pause around each gets a
   gain of its own instead (`peaks`), and the passage keeps the gain its speech wants.
3. *Rides*: where the speech of a passage slowly changes, its gain rides with it from one value to another (`ride`), if
   floor and peaks allow most of the way; otherwise the passage gets one gain like any other.
4. *Jumps*: where the floor after gain would jump too far between neighbours, gains give way as `floor_jumps` says.
   Shouts do not turn down the speech around them: they come up to its floor as far as their peaks allow. Stretches
   around peaks stay where their peaks hold them.
5. Passages without speech get the gain that lets their floor run on from the neighbour with the lower one.
6. Neighbours whose gains differ by less than the least move share one, and a track on which no gain reaches the
   least move is left alone.

A line a person fixed is a wall: its gain stands, its neighbours are placed against it.

Conventions: times in seconds of the take, gains in whole tenths of a decibel.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from takewell.level.ceiling import peaks_apart, under_ceiling
from takewell.level.decision import Decision, Limit
from takewell.level.evidence import TrackEvidence
from takewell.level.floor_jumps import settle
from takewell.level.lines import ROUNDED_S
from takewell.level.passages import Passage, measured
from takewell.level.peaks import StepPeaks
from takewell.level.ride import LEAST_RIDE_LU, farthest, way
from takewell.level.settings import LevelSettings
from takewell.level.speech import Heard
from takewell.roll.values import Move

SHOUT_S = 15.0
SHOUT_LU = 6.0


def decide(
    track: TrackEvidence,
    heard: Heard,
    passages: Sequence[Passage],
    settings: LevelSettings,
    fixed: Sequence[Move] = (),
) -> list[Decision]:
    """Return the decisions for a track, in order and without overlap.

    Parameters
    ----------
    track : TrackEvidence
    heard : Heard
    passages : sequence of Passage
        From `find_passages`, covering the track.
    settings : LevelSettings
    fixed : sequence of Move
        The person's lines for this track.
    """
    peaks = StepPeaks(track)
    nodes = []
    for passage in passages:
        touched = any(m.start_s < passage.end_s and m.end_s > passage.start_s for m in fixed)
        ride = [] if touched else _riding(passage, peaks, settings)
        nodes += ride or _held(_steady(passage, heard, settings), passages, heard, peaks, settings)
    nodes = [replace(d, gain_db=_tenths(d.gain_db, d.most_db)) for d in nodes]
    nodes = _with_fixed(nodes, fixed)
    nodes = _shouts_settled(_floors_settled(nodes, settings), settings)
    nodes = _silences_joined(nodes, peaks, settings)
    return _neighbours_shared(nodes, settings.least_move_lu)


def worth_moving(decisions: Sequence[Decision], settings: LevelSettings) -> bool:
    """Return whether a track is moved at all, rather than left alone."""
    return any(d.kind == "fixed" or abs(d.gain_db) >= settings.least_move_lu for d in decisions)


def wanted_gain(passage: Passage, settings: LevelSettings) -> float | None:
    """Return the gain that brings the passage's speech to the target, None where it has none."""
    if settings.line_up_dbfs is not None:
        if passage.speech_rms_dbfs is None:
            return None
        return settings.line_up_dbfs - passage.speech_rms_dbfs
    if passage.loudness_lufs is None:
        return None
    return settings.target_lufs - passage.loudness_lufs


def _steady(passage: Passage, heard: Heard, settings: LevelSettings) -> Passage:
    """Return a passage as one that gets one gain."""
    return measured(heard, replace(passage, ride_lu=0.0), settings) if passage.ride_lu else passage


def _riding(passage: Passage, peaks: StepPeaks, settings: LevelSettings) -> list[Decision]:
    """Return the two halves of a passage's ride; none where it has none, or floor or peaks hold too much of it."""
    middle = wanted_gain(passage, settings)
    if not passage.ride_lu or middle is None:
        return []
    start, end = passage.start_s, passage.end_s
    most, by = _floor_limit(passage, settings)
    wanted = middle + passage.ride_lu / 2, middle - passage.ride_lu / 2
    gains = [min(gain, most) for gain in wanted]
    over = peaks.highest(start, end, way(start, end, gains[0], gains[1], settings.joins)) - (
        settings.ceiling_dbtp + settings.limit_db
    )
    if over > 0:
        gains = [gain - over for gain in gains]
    if over >= settings.least_move_lu or abs(gains[1] - gains[0]) < LEAST_RIDE_LU:
        return []
    half = (start + end) / 2
    held_by: Limit | None = "peaks" if over > 0 else by
    return [
        Decision(
            low,
            high,
            "ride",
            passage,
            wanted_db=wish,
            gain_db=gain,
            most_db=gain if gain < wish else most,
            most_by=held_by,
            limit=held_by if gain < wish else None,
            pause=passage.pause if low == start else (half, half),
        )
        for low, high, wish, gain in zip((start, half), (half, end), wanted, gains, strict=True)
    ]


def _held(
    passage: Passage,
    passages: Sequence[Passage],
    heard: Heard,
    peaks: StepPeaks,
    settings: LevelSettings,
) -> list[Decision]:
    """Return a passage's decision under its limits, in parts where single peaks are set apart."""
    decision = _wanted(passage, passages, settings)
    if decision.kind == "silence":
        return [decision]
    apart = peaks_apart(decision, heard, peaks, settings)
    if apart:
        # Without the peaks the speech may read lower, so it gets more gain, and more peaks may be too high.
        speech = heard.without((stretch.low, stretch.high) for stretch in apart)
        cleared = _wanted(measured(speech, passage, settings), passages, settings)
        apart = peaks_apart(cleared, heard, peaks, settings)
        decision = cleared if apart and cleared.kind == "speech" else decision
    return under_ceiling(decision, apart, peaks, settings)


def _wanted(passage: Passage, passages: Sequence[Passage], settings: LevelSettings) -> Decision:
    plain = wanted_gain(passage, settings)
    if plain is None:
        return Decision(passage.start_s, passage.end_s, "silence", passage, 0.0, 0.0, pause=passage.pause)
    shouted = _stands_out(passage, passages)
    drama = min(settings.dynamics_lu, shouted / 2)
    wanted = plain + drama
    most, by = _floor_limit(passage, settings)
    return Decision(
        passage.start_s,
        passage.end_s,
        "speech",
        passage,
        wanted_db=wanted,
        gain_db=min(wanted, most),
        most_db=most,
        most_by=by,
        limit=by if wanted > most else None,
        drama_lu=drama,
        shouted=shouted > 0,
        pause=passage.pause,
    )


def _stands_out(passage: Passage, passages: Sequence[Passage]) -> float:
    """Return by how many LU a passage is shouted above what surrounds it in its setting; 0 where it is not."""
    if passage.speech_s >= SHOUT_S or passage.loudness_lufs is None:
        return 0.0
    at = next(i for i, p in enumerate(passages) if p.start_s == passage.start_s)
    around = [
        p.loudness_lufs
        for p in (*passages[max(at - 1, 0) : at], *passages[at + 1 : at + 2])
        if p.setting is passage.setting and p.loudness_lufs is not None
    ]
    if not around:
        return 0.0
    over = passage.loudness_lufs - max(around)
    return over if over >= SHOUT_LU else 0.0


def _floor_limit(passage: Passage, settings: LevelSettings) -> tuple[float, Limit | None]:
    limits: list[tuple[float, Limit | None]] = [(math.inf, None)]
    if settings.floor_rise_db is not None:
        limits.append((settings.floor_rise_db, "rise"))
    if passage.setting.floor_dbfs_a is not None:
        # The guard is against raising: a floor that was recorded higher is no reason to turn the speech down.
        limits.append((max(settings.floor_most_dbfs - passage.setting.floor_dbfs_a, 0.0), "floor"))
    return min(limits, key=lambda limit: limit[0])


def _with_fixed(nodes: list[Decision], fixed: Sequence[Move]) -> list[Decision]:
    """Return the decisions with the person's lines among them; what they cover is cut away."""
    for move in sorted(fixed, key=lambda m: m.start_s):
        kept: list[Decision] = []
        under = None
        for d in nodes:
            if d.end_s <= move.start_s or d.start_s >= move.end_s:
                kept.append(d)
                continue
            if under is None or _overlap(d, move) > _overlap(under, move):
                under = d
            rests = [
                replace(d, end_s=move.start_s),
                replace(d, start_s=move.end_s, pause=(move.end_s, move.end_s)),
            ]
            kept += [rest for rest in rests if rest.end_s - rest.start_s > ROUNDED_S]
        if under is None:
            continue
        inside_pause = under.pause[0] <= move.start_s <= under.pause[1]
        wall = replace(
            under,
            start_s=move.start_s,
            end_s=min(move.end_s, nodes[-1].end_s),
            kind="fixed",
            gain_db=move.gain_db,
            limit=None,
            move=move,
            pause=under.pause if inside_pause else (move.start_s, move.start_s),
        )
        nodes = _without_slivers(sorted([*kept, wall], key=lambda d: d.start_s))
    return nodes


def _without_slivers(nodes: list[Decision]) -> list[Decision]:
    """Return the decisions with what a person's line left of a passage, but without its speech, given to the neighbour."""
    row = list(nodes)
    for at in range(len(row) - 1, -1, -1):
        d = row[at]
        spoken = any(u.start_s < d.end_s and u.end_s > d.start_s for u in d.passage.utterances)
        if d.kind != "speech" or spoken:
            continue
        if at + 1 < len(row) and row[at + 1].kind != "fixed":
            row[at + 1] = replace(row[at + 1], start_s=d.start_s)
        elif at and row[at - 1].kind != "fixed":
            row[at - 1] = replace(row[at - 1], end_s=d.end_s)
        else:
            continue
        del row[at]
    return row


def _overlap(decision: Decision, move: Move) -> float:
    return min(decision.end_s, move.end_s) - max(decision.start_s, move.start_s)


def _floors_settled(nodes: list[Decision], settings: LevelSettings) -> list[Decision]:
    """Return the decisions with jumps of the floor kept within what is allowed."""
    row = [
        i
        for i, d in enumerate(nodes)
        if d.floor_after is not None
        and (d.kind in ("fixed", "ride") or (d.kind == "speech" and not d.shouted))
    ]
    if not row:
        return nodes
    pairs = [(nodes[a], nodes[b]) for a, b in pairwise(row)]
    gains = settle(
        np.array([nodes[i].gain_db for i in row]),
        np.array([nodes[i].most_db for i in row]),
        np.array([nodes[i].passage.setting.floor_dbfs_a for i in row], np.float64),
        np.array([nodes[i].passage.speech_s for i in row]),
        np.array([nodes[i].kind == "fixed" for i in row]),
        # Inside a ride nothing jumps; there it is the rate that bounds how far apart two gains may be.
        jumps_db=np.array([_most_apart(a, b, settings) for a, b in pairs]),
        unheard_dbfs=np.array(
            [-np.inf if a.rides_with(b) else settings.floor_unheard_dbfs for a, b in pairs]
        ),
    )
    result = list(nodes)
    for i, gain in zip(row, gains, strict=True):
        if gain != nodes[i].gain_db:
            result[i] = replace(nodes[i], gain_db=_tenths(float(gain), nodes[i].most_db), limit="jump")
    return result


def _most_apart(a: Decision, b: Decision, settings: LevelSettings) -> float:
    if a.rides_with(b):
        # Whole tenths may lie a tenth further apart.
        return max(farthest(b.end_s - a.start_s, settings) - 0.1, 0.0)
    return settings.floor_jump_db


def _shouts_settled(nodes: list[Decision], settings: LevelSettings) -> list[Decision]:
    """Return the decisions with shouts raised to where their floor falls no further than allowed, as far as they may."""
    calm = [i for i, d in enumerate(nodes) if not d.shouted and d.kind not in ("peaks", "silence")]
    result = list(nodes)
    for i, d in enumerate(nodes):
        floor = d.passage.setting.floor_dbfs_a
        if not d.shouted or d.kind != "speech" or floor is None:
            continue
        beside = (
            max((j for j in calm if j < i), default=None),
            min((j for j in calm if j > i), default=None),
        )
        floors = [nodes[j].floor_after for j in beside if j is not None]
        least = max((f for f in floors if f is not None), default=-math.inf) - settings.floor_jump_db
        gain = min(least - floor, d.most_db)
        if least > settings.floor_unheard_dbfs and gain > d.gain_db:
            result[i] = replace(d, gain_db=_tenths(gain, d.most_db), limit="jump")
    return result


def _silences_joined(nodes: list[Decision], peaks: StepPeaks, settings: LevelSettings) -> list[Decision]:
    spoken = [i for i, d in enumerate(nodes) if d.kind in ("speech", "ride", "fixed")]
    if not spoken:
        return nodes
    result = list(nodes)
    for i, d in enumerate(nodes):
        if d.kind != "silence":
            continue
        beside = [nodes[j] for j in (
            max((j for j in spoken if j < i), default=None), min((j for j in spoken if j > i), default=None)
        ) if j is not None]  # fmt: skip
        floors = [n.floor_after for n in beside if n.floor_after is not None]
        floor = d.passage.setting.floor_dbfs_a
        same = [n.gain_db for n in beside if n.passage.setting is d.passage.setting]
        if same:
            gain = min(same)
        elif floor is not None and floors:
            gain = min(floors) - floor
        else:
            gain = 0.0
        most = settings.ceiling_dbtp + settings.limit_db - peaks.highest(d.start_s, d.end_s)
        limit: Limit | None = "peaks" if most < gain else None
        held = _tenths(min(gain, most), most)
        result[i] = replace(d, wanted_db=gain, gain_db=held, most_db=most, limit=limit)
    return result


def _tenths(gain_db: float, most_db: float) -> float:
    """Return the gain in whole tenths: the nearest that passes no limit."""
    nearest = round(gain_db * 10) / 10
    return nearest if nearest <= most_db + 1e-9 else math.floor(gain_db * 10) / 10


def _neighbours_shared(nodes: list[Decision], least_lu: float) -> list[Decision]:
    """Return the decisions with neighbours of one setting joined where their gains are nearly one."""
    row = list(nodes)
    at = 0
    while at + 1 < len(row):
        a, b = row[at], row[at + 1]
        if (
            {"fixed", "ride"} & {a.kind, b.kind}
            or a.passage.setting is not b.passage.setting
            or abs(a.gain_db - b.gain_db) >= least_lu
        ):
            at += 1
            continue
        major = a if a.passage.speech_s >= b.passage.speech_s else b
        gain = min(major.gain_db, a.most_db, b.most_db)
        row[at : at + 2] = [
            replace(major, start_s=a.start_s, end_s=b.end_s, gain_db=_tenths(gain, gain), pause=a.pause)
        ]
        at = max(at - 1, 0)
    return row
