"""Which gain does each passage of a track get, and what held it back?

1. *Wanted*: the gain that brings the passage's speech to the target. A shout (a passage of less than `SHOUT_S`
   of speech, `SHOUT_LU` or more above what surrounds it at the same gain setting) may stay above the target by
   half of what it stands out, at most the dynamics the user wants.
2. *Limits*: the floor after gain stays under the highest floor allowed and, if set, rises no more than allowed;
   the highest true peak after gain lies no further over the ceiling than the limiter may take off. Where a few
   peaks far apart are to blame (a slammed door, one laugh), the stretch from pause to pause around each gets a
   gain of its own instead (`peaks`), and the passage keeps the gain its speech wants.
3. *Jumps*: passages are placed in order of how much speech they hold. A passage's floor after gain may differ from
   that of a neighbour already placed by no more than the floor jump; floors under the unheard level count as
   lying there. So the longer one stays right and the shorter one gives way, up or down, but not past its limits.
4. Passages without speech get the gain that lets their floor run on from the neighbour with the lower one.
5. Neighbours whose gains differ by less than the least move share one, and a track on which no gain reaches the
   least move is left alone.

A line a person fixed is a wall: its gain stands, its neighbours are placed against it.

Conventions: times in seconds of the take, gains in whole tenths of a decibel.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.level.evidence import TrackEvidence
from takewell.level.passages import Passage
from takewell.level.peaks import StepPeaks
from takewell.level.settings import LevelSettings
from takewell.roll.values import Move

F64 = NDArray[np.float64]

SHOUT_S = 15.0
SHOUT_LU = 6.0
ISLAND_SHARE = 0.25
"""Stretches around peaks are set apart only while they hold less of the passage's speech than this."""

SECONDS_PER_ISLAND = 20.0
ISLAND_BEFORE_S, ISLAND_AFTER_S = 0.15, 0.25
"""How far a stretch around a peak outside speech reaches, where the pause leaves room."""

Kind = Literal["speech", "peaks", "silence", "fixed"]
Limit = Literal["floor", "rise", "peaks", "jump"]


@dataclass(frozen=True)
class Decision:
    """One passage with its gain, and the figures that led to it.

    `limit` names what kept the gain from what was wanted (`held_db` = gain - wanted), None where nothing did.
    """

    start_s: float
    end_s: float
    kind: Kind
    passage: Passage
    wanted_db: float
    gain_db: float
    most_db: float = math.inf
    most_by: Limit | None = None
    limit: Limit | None = None
    drama_lu: float = 0.0
    pause: tuple[float, float] = (0.0, 0.0)
    move: Move | None = field(default=None, compare=False)
    """The person's line, where `kind` is ``fixed``."""

    @property
    def held_db(self) -> float:
        """How far the gain lies from what was wanted."""
        return self.gain_db - self.wanted_db

    @property
    def floor_after(self) -> float | None:
        """A-weighted floor after gain in dBFS."""
        floor = self.passage.setting.floor_dbfs_a
        return None if floor is None else floor + self.gain_db


def decide(
    track: TrackEvidence, passages: Sequence[Passage], settings: LevelSettings, fixed: Sequence[Move] = ()
) -> list[Decision]:
    """Return the decisions for a track, in order and without overlap; none where it is left alone.

    Parameters
    ----------
    track : TrackEvidence
    passages : sequence of Passage
        From `find_passages`, covering the track.
    settings : LevelSettings
    fixed : sequence of Move
        The person's lines for this track.
    """
    peaks = StepPeaks(track)
    nodes = [d for p in passages for d in _wanted(p, passages, peaks, settings)]
    nodes = _with_fixed(nodes, fixed)
    nodes = _placed(nodes, settings)
    nodes = _silences_joined(nodes, peaks, settings)
    nodes = [d if d.kind == "fixed" else replace(d, gain_db=_tenths(d.gain_db)) for d in nodes]
    nodes = _neighbours_shared(nodes, settings.least_move_lu)
    free = [d for d in nodes if d.kind != "fixed"]
    if not fixed and all(abs(d.gain_db) < settings.least_move_lu for d in free):
        return []
    return nodes


def wanted_gain(passage: Passage, settings: LevelSettings) -> float | None:
    """Return the gain that brings the passage's speech to the target, None where it has none."""
    if settings.line_up_dbfs is not None:
        if passage.speech_rms_dbfs is None:
            return None
        return settings.line_up_dbfs - passage.speech_rms_dbfs
    if passage.loudness_lufs is None:
        return None
    return settings.target_lufs - passage.loudness_lufs


def _wanted(
    passage: Passage, passages: Sequence[Passage], peaks: StepPeaks, settings: LevelSettings
) -> list[Decision]:
    plain = wanted_gain(passage, settings)
    if plain is None:
        return [Decision(passage.start_s, passage.end_s, "silence", passage, 0.0, 0.0, pause=passage.pause)]
    drama = min(settings.dynamics_lu, _stands_out(passage, passages) / 2)
    wanted = plain + drama
    most, by = _floor_limit(passage, settings)
    decision = Decision(
        passage.start_s,
        passage.end_s,
        "speech",
        passage,
        wanted,
        min(wanted, most),
        most,
        by,
        by if wanted > most else None,
        drama,
        passage.pause,
    )
    return _held_under_ceiling(decision, peaks, settings)


def _stands_out(passage: Passage, passages: Sequence[Passage]) -> float:
    """Return by how many LU a passage is shouted above what surrounds it in its setting; 0 where it is not."""
    if passage.speech_s >= SHOUT_S or passage.loudness_lufs is None:
        return 0.0
    at = list(passages).index(passage)
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
        limits.append((settings.floor_most_dbfs - passage.setting.floor_dbfs_a, "floor"))
    return min(limits, key=lambda limit: limit[0])


def _held_under_ceiling(decision: Decision, peaks: StepPeaks, settings: LevelSettings) -> list[Decision]:
    """Return the decision with its peaks limit, cut where single peaks get a stretch of their own."""
    allowed = settings.ceiling_dbtp + settings.limit_db
    over = peaks.above(decision.start_s, decision.end_s, allowed - decision.gain_db)
    if over:
        islands = _islands(decision, over)
        apart = sum(u.active_s for u in decision.passage.utterances if _inside_any(u.start_s, islands))
        speech = decision.passage.speech_s
        worst = max(peak for _, _, peak in over)
        if (
            decision.gain_db - (allowed - worst) >= settings.least_move_lu
            and apart < ISLAND_SHARE * speech
            and len(islands) <= max(1.0, speech / SECONDS_PER_ISLAND)
        ):
            return _cut_out(decision, islands, peaks, allowed)
    most = allowed - peaks.highest(decision.start_s, decision.end_s)
    if most < decision.most_db:
        decision = replace(decision, most_db=most, most_by="peaks")
    if most < decision.gain_db:
        decision = replace(decision, gain_db=most, limit="peaks")
    return [decision]


def _islands(decision: Decision, over: Sequence[tuple[float, float, float]]) -> list[tuple[float, float]]:
    """Return stretches around the steps that are too high, each from a pause to a pause."""
    spoken = decision.passage.utterances
    starts = np.array([u.start_s for u in spoken])
    ends = np.array([u.end_s for u in spoken])
    stretches: list[tuple[float, float]] = []
    for start, end, _ in over:
        first = int(np.searchsorted(ends, start))  # the first utterance that has not ended before the step
        last = int(np.searchsorted(starts, end)) - 1  # the last one that has begun before its end
        before = float(ends[first - 1]) if first > 0 else decision.start_s
        after = float(starts[last + 1]) if last + 1 < len(starts) else decision.end_s
        if first <= last:
            low, high = (before + starts[first]) / 2, (after + ends[last]) / 2
        else:
            low, high = max(before, start - ISLAND_BEFORE_S), min(after, end + ISLAND_AFTER_S)
        low, high = max(float(low), decision.start_s), min(float(high), decision.end_s)
        if stretches and low <= stretches[-1][1]:
            stretches[-1] = stretches[-1][0], max(high, stretches[-1][1])
        else:
            stretches.append((low, high))
    return stretches


def _inside_any(at_s: float, stretches: Sequence[tuple[float, float]]) -> bool:
    return any(low <= at_s < high for low, high in stretches)


def _cut_out(
    decision: Decision, islands: Sequence[tuple[float, float]], peaks: StepPeaks, allowed_dbtp: float
) -> list[Decision]:
    parts: list[Decision] = []
    at = decision.start_s
    rest_most = decision.most_db
    edges = [at, *(edge for island in islands for edge in island), decision.end_s]
    for index, (low, high) in enumerate(pairwise(edges)):
        if high <= low:
            continue
        pause = decision.pause if low == decision.start_s else _pause_around(decision.passage, low)
        part = replace(decision, start_s=low, end_s=high, pause=pause)
        most = allowed_dbtp - peaks.highest(low, high)
        if index % 2:
            part = replace(
                part,
                kind="peaks",
                gain_db=min(decision.gain_db, most),
                most_db=min(most, decision.most_db),
                most_by="peaks",
                limit="peaks",
            )
        else:
            rest_most = min(rest_most, most)
        parts.append(part)
    if rest_most < decision.most_db:
        parts = [p if p.kind == "peaks" else replace(p, most_db=rest_most, most_by="peaks") for p in parts]
    return parts


def _pause_around(passage: Passage, at_s: float) -> tuple[float, float]:
    """Return the pause of a passage that holds a moment."""
    before = max((u.end_s for u in passage.utterances if u.end_s <= at_s), default=passage.start_s)
    after = min((u.start_s for u in passage.utterances if u.start_s >= at_s), default=passage.end_s)
    return before, after


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
            if d.start_s < move.start_s:
                kept.append(replace(d, end_s=move.start_s))
            if d.end_s > move.end_s:
                kept.append(replace(d, start_s=move.end_s, pause=(move.end_s, move.end_s)))
        if under is None:
            continue
        gain = move.gain_db
        wall = replace(
            under, start_s=move.start_s, end_s=min(move.end_s, nodes[-1].end_s), kind="fixed", gain_db=gain,
            limit=None, move=move, pause=(move.start_s, move.start_s),
        )  # fmt: skip
        nodes = sorted([*kept, wall], key=lambda d: d.start_s)
    return nodes


def _overlap(decision: Decision, move: Move) -> float:
    return min(decision.end_s, move.end_s) - max(decision.start_s, move.start_s)


def _placed(nodes: list[Decision], settings: LevelSettings) -> list[Decision]:
    """Return the decisions with floor jumps kept within bounds, the ones with most speech placed first."""
    placed = {i for i, d in enumerate(nodes) if d.kind == "fixed"}
    row = [i for i, d in enumerate(nodes) if d.kind in ("speech", "fixed") and d.floor_after is not None]
    neighbours = {i: (row[k - 1] if k else None, row[k + 1] if k + 1 < len(row) else None) for k, i in enumerate(row)}  # fmt: skip
    unheard, jump = settings.floor_unheard_dbfs, settings.floor_jump_db
    for i in sorted((i for i in row if i not in placed), key=lambda i: -nodes[i].passage.speech_s):
        d = nodes[i]
        floor = d.passage.setting.floor_dbfs_a
        assert floor is not None
        low, high = -math.inf, math.inf
        for j in neighbours[i]:
            if j is None or j not in placed:
                continue
            beside = nodes[j].floor_after
            assert beside is not None
            high = min(high, max(beside, unheard) + jump - floor)
            if beside > unheard + jump:
                low = max(low, beside - jump - floor)
        gain = min(max(d.gain_db, low), high)
        limit: Limit | None = "jump" if gain != d.gain_db else d.limit
        if gain > d.most_db:
            gain, limit = max(d.most_db, min(d.gain_db, high)), d.most_by
        nodes[i] = replace(d, gain_db=gain, limit=limit)
        placed.add(i)
    return nodes


def _silences_joined(nodes: list[Decision], peaks: StepPeaks, settings: LevelSettings) -> list[Decision]:
    spoken = [i for i, d in enumerate(nodes) if d.kind in ("speech", "fixed")]
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
        result[i] = replace(
            d, wanted_db=gain, gain_db=min(gain, most), limit="peaks" if most < gain else None
        )
    return result


def _tenths(gain_db: float) -> float:
    """Return the gain in whole tenths, towards lower ones, so that no limit is passed by rounding."""
    return math.floor(gain_db * 10 + 1e-6) / 10


def _neighbours_shared(nodes: list[Decision], least_lu: float) -> list[Decision]:
    """Return the decisions with neighbours of one setting joined where their gains are nearly one."""
    row = list(nodes)
    at = 0
    while at + 1 < len(row):
        a, b = row[at], row[at + 1]
        if (
            "fixed" in (a.kind, b.kind)
            or a.passage.setting is not b.passage.setting
            or abs(a.gain_db - b.gain_db) >= least_lu
        ):
            at += 1
            continue
        major = a if a.passage.speech_s >= b.passage.speech_s else b
        gain = min(major.gain_db, a.most_db, b.most_db)
        row[at : at + 2] = [
            replace(major, start_s=a.start_s, end_s=b.end_s, gain_db=_tenths(gain), pause=a.pause)
        ]
        at = max(at - 1, 0)
    return row
