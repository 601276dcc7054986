"""Brings together what is known of a roll, a take at a time, so that a ten-hour day needs no more memory than a take."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from takewell.handover.line_up import line_up_checks
from takewell.handover.over_take import over_take
from takewell.handover.plan import NOTHING_MENDED, Excerpt, Mended
from takewell.handover.remarks import take_remarks
from takewell.handover.room_tone import SHORTEST_S, room_tone_stretch
from takewell.handover.sheet import (
    FOOTNOTE,
    MeasuredTrack,
    Sheet,
    SheetTake,
    caution,
    day_lede,
    day_title,
    take_sheet,
)
from takewell.handover.specs import Check
from takewell.roll import (
    Examination,
    Finding,
    Logbook,
    Move,
    Roll,
    Take,
    Track,
    TrackReader,
    Verdict,
    measured_take,
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
    loudest_dbtp: float | None
    """Highest true peak of any track."""

    def sheet(self, roll: Roll, checks: Sequence[Check] = ()) -> Sheet:
        """Return the report's sheet; `checks` stand before those of the day itself."""
        title, subtitle = day_title(roll)
        lede = day_lede(roll.takes, self.verdicts, self.copies_sentence)
        return Sheet(
            title=title,
            subtitle=subtitle,
            lede=lede,
            made="sound report",
            caution=caution(self.loudest_dbtp),
            footnote=FOOTNOTE,
            takes=self.takes,
            checks=(*checks, *self.checks),
        )


def gather(
    roll: Roll,
    moves: Sequence[Move],
    target_lufs: float,
    progress: Progress | None = None,
    mended: Mended = NOTHING_MENDED,
) -> Gathered:
    """Return everything the report says of a roll, measuring what the logbook does not have.

    Parameters
    ----------
    roll : Roll
    moves : sequence of Move
        What levels the roll's tracks.
    target_lufs : float
        Where dialogue should lie.
    mended : mapping of take id to files and sentences
        What was joined, for the report.
    """
    examination, copies = _from_logbook(roll)
    sheets: list[SheetTake] = []
    peaks: list[float] = []
    checks: list[Check] = [
        Check(sentence.split(":")[0], "a readable sound file", sentence, False)
        for sentence in roll.unreadable
    ]
    quiet: dict[str, tuple[tuple[bool, float], Excerpt]] = {}
    for number, take in enumerate(roll.takes):
        if progress:
            progress(number, len(roll.takes), take.id)
        measured = measured_take(roll, take)
        tracks = {track.number: over_take(measured, track.number) for track in take.tracks}
        peaks += [t.numbers.true_peak_dbtp for t in tracks.values() if t.numbers.true_peak_dbtp is not None]
        verdicts, findings = _of(take, examination.verdicts), _of(take, examination.findings)
        remarks = take_remarks(take, examination, mended.get(take.id, {}))
        sheets.append(
            take_sheet(
                take, tracks, verdicts, findings, _of(take, moves), target_lufs=target_lufs, remarks=remarks
            )
        )
        if take.kind == "tone":
            checks += line_up_checks(take, _middles(roll, take))
        elif take.kind == "take":
            _note_room_tone(take, tracks, verdicts, quiet)
    recorded = {_set_up(take) for take in roll.takes if take.kind == "room_tone"}
    excerpts = tuple(excerpt for set_up, (_, excerpt) in quiet.items() if set_up not in recorded)
    return Gathered(
        tuple(sheets), examination.verdicts, tuple(checks), excerpts, copies, max(peaks, default=None)
    )


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


def _set_up(take: Take) -> str:
    """Return the scene without the letter of the shot: 10A and 10B are shot in the same place (common practice,
    no source).
    """
    return re.sub(r"(?<=\d)[A-Za-z]+$", "", take.scene.strip())


def _note_room_tone(
    take: Take,
    tracks: dict[int, MeasuredTrack],
    verdicts: Sequence[Verdict],
    quiet: dict[str, tuple[tuple[bool, float], Excerpt]],
) -> None:
    """Keep the longest stretch of room tone of each set-up from an unharmed ISO, a boom's before any other."""
    unharmed = {v.track for v in verdicts if v.verdict in ("good", "level")}
    for track in take.tracks:
        if track.role != "iso" or (verdicts and track.number not in unharmed):
            continue
        if len(tracks[track.number].numbers.passages) > 1:
            continue
        stretch = room_tone_stretch(tracks[track.number].trace)
        inside = stretch and _in_one_piece(track, take.rate, *stretch)
        if not inside:
            continue
        worth = ("boom" in track.name.lower(), inside[1] - inside[0])
        if _set_up(take) not in quiet or worth > quiet[_set_up(take)][0]:
            quiet[_set_up(take)] = (worth, Excerpt(take.id, track.number, *inside))


def _in_one_piece(track: Track, rate: int, start_s: float, end_s: float) -> tuple[float, float] | None:
    """Return the longest part of a stretch that lies in one file, None where it is too short to loop."""
    parts = [
        (max(start_s, p.start_samples / rate), min(end_s, (p.start_samples + p.length_samples) / rate))
        for p in track.pieces
    ]
    start, end = max(parts, key=lambda part: part[1] - part[0])
    return (start, end) if end - start >= SHORTEST_S else None
