"""What will any moves of a take lead to, whoever wrote them?

A forecast hears a take once and then answers for every line a person tries: where the speech, the floor and the
peaks of a stretch will lie after its gain. The figures are those of `plan`.

Conventions: times in seconds of the take, gains in decibels.
"""

from collections.abc import Sequence
from types import TracebackType
from typing import Self

import numpy as np

from takewell.level.evidence import TrackEvidence
from takewell.level.gather import gather
from takewell.level.loudness import passage_loudness
from takewell.level.peaks import StepPeaks
from takewell.level.plan import Prediction, levelled_roles
from takewell.level.ride import gains_of
from takewell.level.settings import LevelSettings
from takewell.level.speech import Heard, listen
from takewell.level.spill import without_spill
from takewell.roll import MeasuredTake, Move, Roll, TrackReader


class Forecast:
    """The levelled tracks of one take, heard and ready to be asked; close it, or use it in a ``with`` statement.

    Parameters
    ----------
    roll : Roll
    measured : MeasuredTake
        The take with its traces.
    settings : LevelSettings, optional
        For the target and which roles are levelled.

    Raises
    ------
    FileError
        If a file cannot be read.
    """

    def __init__(self, roll: Roll, measured: MeasuredTake, settings: LevelSettings | None = None) -> None:
        self.settings = settings or LevelSettings()
        self._reader = TrackReader(roll.folder, measured.take)
        roles = levelled_roles(self.settings)
        tracks = [track for track in gather(measured, self._reader) if track.role in roles]
        heard = [listen(track.trace, track.settings) for track in tracks]
        self._heard: dict[int, tuple[TrackEvidence, Heard, StepPeaks]] = {}
        for track, mine in zip(tracks, heard, strict=True):
            others = [h for h, t in zip(heard, tracks, strict=True) if t.role == "iso" and t is not track]
            own = mine if track.role == "mix" else without_spill(mine, others)
            for number in track.members:
                self._heard[number] = track, own, StepPeaks(track)

    def of(self, move: Move, others: Sequence[Move] = ()) -> Prediction:
        """Return what one move of the take, met by others, will lead to; all None for a track that is not levelled."""
        if move.track not in self._heard:
            return Prediction(None, None, None)
        track, heard, peaks = self._heard[move.track]
        settings = [s for s in track.settings if s.start_s < move.end_s and s.end_s > move.start_s]
        floors = [s.floor_dbfs_a for s in settings if s.floor_dbfs_a is not None]
        gains = gains_of(move, others, track.trace.rate, track.trace.length_samples, self.settings.joins)
        loudness, _ = passage_loudness(
            track.trace,
            heard.own,
            max(move.start_s, settings[0].clear[0] if settings else 0.0),
            move.end_s,
            target_lufs=self.settings.target_lufs,
            gains=gains,
        )
        peak = peaks.highest(move.start_s, move.end_s, gains)
        return Prediction(
            speech_lufs=loudness,
            floor_dbfs_a=max(floors) + move.gain_db if floors else None,
            true_peak_dbtp=peak if np.isfinite(peak) else None,
        )

    def of_all(self, moves: Sequence[Move]) -> tuple[Prediction, ...]:
        """Return one prediction a move."""
        return tuple(self.of(move, moves) for move in moves)

    def close(self) -> None:
        """Close the take's files."""
        self._reader.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
