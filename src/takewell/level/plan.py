"""What does each track of a take get, from its evidence to its moves?

ISOs (and, when asked, safety tracks) are levelled passage by passage; speech that stands much clearer on another
ISO of the take counts there, not here. A mix gets one gain. Camera, timecode, tone and unused tracks are left
alone, and so are takes that are room tone or line-up tone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.level.decide import decide
from takewell.level.decision import Decision
from takewell.level.evidence import TrackEvidence
from takewell.level.joins import to_moves
from takewell.level.loudness import passage_loudness
from takewell.level.passages import Passage, find_passages, measured
from takewell.level.peaks import StepPeaks
from takewell.level.sentences import reason
from takewell.level.settings import LevelSettings
from takewell.level.speech import Setting, speech_levels, utterances, without_spill
from takewell.roll.values import Move, Role, TakeKind

F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

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
    """A track's moves with the decision and the prediction for each; no moves where it is left alone."""

    take: str
    number: int
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
    heard = {track.number: speech_levels(track.trace, track.settings) for track in chosen}
    plans = []
    for track in chosen:
        levels, active, standing = heard[track.number]
        if track.role == "mix":
            own = active
            passages = [_whole(track, levels, own, settings)]
        else:
            others = [heard[t.number][2] for t in chosen if t.role == "iso" and t is not track]
            own = without_spill(active, standing, others)
            passages = find_passages(
                track.trace,
                levels,
                own,
                track.settings,
                target_lufs=settings.target_lufs,
                least_lu=settings.least_move_lu,
            )
        walls = [move for move in fixed if move.track == track.number]
        plans.append(_plan(track, own, decide(track, own, passages, settings, walls), settings))
    return tuple(plans)


def _plan(
    track: TrackEvidence, own: Bools, decisions: Sequence[Decision], settings: LevelSettings
) -> TrackPlan:
    moves = to_moves(track, decisions, settings, reason)
    peaks = StepPeaks(track)

    def predicted(decision: Decision, move: Move) -> Prediction:
        first, last = decision.passage.setting.clear
        loudness, _ = passage_loudness(
            track.trace,
            own,
            max(move.start_s, first),
            min(move.end_s, last),
            target_lufs=settings.target_lufs,
        )
        peak = peaks.highest(move.start_s, move.end_s)
        return Prediction(
            speech_lufs=None if loudness is None else loudness + move.gain_db,
            floor_dbfs_a=decision.floor_after,
            true_peak_dbtp=peak + move.gain_db if np.isfinite(peak) else None,
        )

    return TrackPlan(
        take=track.take,
        number=track.number,
        name=track.name,
        decisions=tuple(decisions),
        moves=tuple(moves),
        predictions=tuple(predicted(d, m) for d, m in zip(decisions, moves, strict=True)),
        loudness_lufs=passage_loudness(
            track.trace, own, 0.0, track.length_s, target_lufs=settings.target_lufs
        )[0],
    )


def _whole(track: TrackEvidence, levels: F64, own: Bools, settings: LevelSettings) -> Passage:
    """Return one passage for the whole track, whatever changes in it."""
    floors = [s.floor_dbfs_a for s in track.settings if s.floor_dbfs_a is not None]
    setting = Setting(0.0, track.length_s, max(floors, default=None))
    spoken = utterances(track.trace, levels, own, 0.0, track.length_s)
    passage = Passage(0.0, track.length_s, setting, "take", (0.0, 0.0), tuple(spoken), None, None)
    return measured(track.trace, own, passage, settings.target_lufs)
