"""Brings together what is known of a roll, a take at a time, so that a ten-hour day needs no more memory than a take."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from takewell.handover.line_up import line_up_checks
from takewell.handover.over_take import over_take
from takewell.handover.plan import Excerpt
from takewell.handover.room_tone import room_tone_stretch
from takewell.handover.sheet import FOOTNOTE, MeasuredTrack, Sheet, SheetTake, day_lede, day_title, take_sheet
from takewell.handover.specs import Check
from takewell.roll import (
    Examination,
    Finding,
    Logbook,
    Move,
    Roll,
    Take,
    TrackReader,
    Verdict,
    measured_take,
    read_moves,
)

Progress = Callable[[int, int, str], None]
_OfTake = TypeVar("_OfTake", Verdict, Finding, Move)

TONE_S = 2.0
"""Stretch of a line-up tone that is held against its note, from the middle of the take."""


@dataclass(frozen=True)
class Gathered:
    """The day as the report and the package need it."""

    takes: tuple[SheetTake, ...]
    verdicts: tuple[Verdict, ...]
    checks: tuple[Check, ...]
    excerpts: tuple[Excerpt, ...]
    copies_sentence: str

    def sheet(self, roll: Roll, checks: Sequence[Check] = ()) -> Sheet:
        """Return the report's sheet; `checks` stand before those of the day itself."""
        title, subtitle = day_title(roll)
        lede = day_lede(roll.takes, self.verdicts, self.copies_sentence)
        return Sheet(title, subtitle, lede, "sound report", FOOTNOTE, self.takes, (*checks, *self.checks))


def gather(roll: Roll, target_lufs: float, progress: Progress | None = None) -> Gathered:
    """Return everything the report says of a roll, measuring what the logbook does not have.

    Parameters
    ----------
    roll : Roll
    target_lufs : float
        Where dialogue should lie.
    """
    examination, copies = _from_logbook(roll)
    moves = read_moves(roll.folder) if roll.keeps else ()
    sheets: list[SheetTake] = []
    checks: list[Check] = [
        Check(sentence.split(":")[0], "a readable sound file", sentence, False)
        for sentence in roll.unreadable
    ]
    quiet: dict[str, tuple[float, Excerpt]] = {}
    for number, take in enumerate(roll.takes):
        if progress:
            progress(number, len(roll.takes), take.id)
        measured = measured_take(roll, take)
        tracks = {track.number: over_take(measured, track.number) for track in take.tracks}
        verdicts, findings = _of(take, examination.verdicts), _of(take, examination.findings)
        sheets.append(take_sheet(take, tracks, verdicts, findings, _of(take, moves), target_lufs=target_lufs))
        if take.kind == "tone":
            checks += line_up_checks(take, _middles(roll, take))
        elif take.kind == "take":
            _note_room_tone(take, tracks, verdicts, quiet)
    recorded = {take.scene for take in roll.takes if take.kind == "room_tone"}
    excerpts = tuple(excerpt for scene, (_, excerpt) in quiet.items() if scene not in recorded)
    return Gathered(tuple(sheets), examination.verdicts, tuple(checks), excerpts, copies)


def _from_logbook(roll: Roll) -> tuple[Examination, str]:
    if not roll.keeps:
        return Examination((), ()), ""
    with Logbook(roll.folder) as logbook:
        return logbook.examination() or Examination((), ()), str(logbook.kept("checkin").get("sentence", ""))


def _of(take: Take, values: Sequence[_OfTake]) -> list[_OfTake]:
    return [value for value in values if value.take == take.id]


def _middles(roll: Roll, take: Take) -> dict[int, np.ndarray]:
    count = min(take.length_samples, round(TONE_S * take.rate))
    if count * 20 < take.rate:
        return {}
    with TrackReader(roll.folder, take) as reader:
        numbers = [track.number for track in take.tracks]
        samples = reader.read(numbers, (take.length_samples - count) // 2, count)
    return {n: samples[:, k] for k, n in enumerate(numbers) if np.isfinite(samples[:, k]).all()}


def _note_room_tone(
    take: Take,
    tracks: dict[int, MeasuredTrack],
    verdicts: Sequence[Verdict],
    quiet: dict[str, tuple[float, Excerpt]],
) -> None:
    """Keep the longest stretch of room tone of each scene, from an unharmed ISO."""
    unharmed = {v.track for v in verdicts if v.verdict in ("good", "level")}
    for track in take.tracks:
        if track.role != "iso" or (verdicts and track.number not in unharmed) or len(track.pieces) > 1:
            continue
        if len(tracks[track.number].numbers.passages) > 1:
            continue
        stretch = room_tone_stretch(tracks[track.number].trace)
        if stretch and stretch[1] - stretch[0] > quiet.get(take.scene, (0.0,))[0]:
            quiet[take.scene] = (stretch[1] - stretch[0], Excerpt(take.id, track.number, *stretch))
