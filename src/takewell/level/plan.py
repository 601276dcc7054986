"""What does each track of a take get, from its evidence to its moves?

ISOs (and, when asked, safety tracks) are levelled passage by passage; speech that stands much clearer on another
ISO of the take counts there, not here. A mix gets one gain. Camera, timecode, tone and unused tracks are left
alone, and so are takes that are room tone or line-up tone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from takewell.level.decide import decide, worth_moving
from takewell.level.decision import Decision
from takewell.level.evidence import TrackEvidence
from takewell.level.joins import to_moves
from takewell.level.loudness import passage_loudness
from takewell.level.passages import Passage, find_passages, measured
from takewell.level.peaks import StepPeaks
from takewell.level.ride import Gains, gains_of
from takewell.level.sentences import reason
from takewell.level.settings import LevelSettings
from takewell.level.speech import Heard, Setting, listen, utterances
from takewell.level.spill import without_spill
from takewell.roll.values import Move, Role, TakeKind

LEVELLED_KINDS: tuple[TakeKind, ...] = ("take", "wild")


@dataclass(frozen=True)
class Prediction:
    """What a move will lead to; None where there is nothing to predict."""

    speech_lufs: float | None
    """Loudness of the speech after gain."""
    floor_dbfs_a: float | None
    """A-weighted floor after gain, AES17 dBFS."""
    true_peak_dbtp: float | None
    """Highest true peak after gain, before the limiter."""


@dataclass(frozen=True)
class TrackPlan:
    """A track's moves with the prediction for each, none where it is left alone, and the decisions behind them."""

    take: str
    number: int
    members: tuple[int, ...]
    """Numbers of the tracks that move together with it, itself among them."""
    name: str
    decisions: tuple[Decision, ...]
    moves: tuple[Move, ...]
    predictions: tuple[Prediction, ...]
    loudness_lufs: float | None
    """Of all its speech, as recorded."""


def levelled_roles(settings: LevelSettings) -> tuple[Role, ...]:
    """Return the roles whose tracks are levelled."""
    return ("iso", "mix", "safety") if settings.safety else ("iso", "mix")


def plan_take(
    tracks: Sequence[TrackEvidence], settings: LevelSettings, fixed: Sequence[Move] = ()
) -> tuple[TrackPlan, ...]:
    """Return the plan of each track of a take that is levelled.

    Parameters
    ----------
    tracks : sequence of TrackEvidence
        All tracks of one take.
    settings : LevelSettings
    fixed : sequence of Move
        The person's lines for this take.
    """
    chosen = [track for track in tracks if track.role in levelled_roles(settings)]
    heard = [listen(track.trace, track.settings) for track in chosen]
    plans: list[TrackPlan] = []
    for track, mine in zip(chosen, heard, strict=True):
        if track.role == "mix":
            passages = [_whole(track, mine, settings)]
        else:
            others = [h for h, t in zip(heard, chosen, strict=True) if t.role == "iso" and t is not track]
            mine = without_spill(mine, others)
            passages = find_passages(
                mine,
                track.settings,
                settings,
            )
        walls = [move for move in fixed if move.track in track.members]
        decisions = decide(track, mine, passages, settings, walls)
        plans += _plans(track, mine, decisions, settings)
    return tuple(sorted(plans, key=lambda plan: plan.number))


def _plans(
    track: TrackEvidence, heard: Heard, decisions: Sequence[Decision], settings: LevelSettings
) -> list[TrackPlan]:
    """Return one plan for each track that moves together here."""
    peaks = StepPeaks(track)

    def loudness(start_s: float, end_s: float, gains: Gains | None = None) -> float | None:
        target = settings.target_lufs
        return passage_loudness(track.trace, heard.own, start_s, end_s, target_lufs=target, gains=gains)[0]

    moves = to_moves(track, decisions, settings, reason) if worth_moving(decisions, settings) else []

    def predicted(decision: Decision, move: Move) -> Prediction:
        first, last = decision.passage.setting.clear
        gains = gains_of(move, moves, track.trace.rate, track.trace.length_samples, settings.joins)
        peak = peaks.highest(move.start_s, move.end_s, gains)
        return Prediction(
            speech_lufs=loudness(max(move.start_s, first), min(move.end_s, last), gains),
            floor_dbfs_a=decision.floor_after,
            true_peak_dbtp=peak if np.isfinite(peak) else None,
        )

    predictions = tuple(predicted(d, m) for d, m in zip(decisions, moves, strict=bool(moves)))
    return [
        TrackPlan(
            take=track.take,
            number=number,
            members=track.members,
            name=track.name,
            decisions=tuple(decisions),
            moves=tuple(replace(move, track=number) for move in moves),
            predictions=predictions,
            loudness_lufs=loudness(0.0, track.length_s),
        )
        for number in track.members
    ]


def _whole(track: TrackEvidence, heard: Heard, settings: LevelSettings) -> Passage:
    """Return one passage for the whole track, whatever changes in it."""
    floors = [s.floor_dbfs_a for s in track.settings if s.floor_dbfs_a is not None]
    setting = Setting(0.0, track.length_s, max(floors, default=None))
    spoken = tuple(utterances(heard, 0.0, track.length_s))
    passage = Passage(0.0, track.length_s, setting, "take", (0.0, 0.0), spoken, None, None)
    return measured(heard, passage, settings)
