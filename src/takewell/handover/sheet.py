"""What the sound report says, in words and figures ready to print.

Pure: takes, measurements, findings, verdicts and moves in; a sheet of plain text and drawings out. The PDF,
the HTML page and the CSV tables only lay the sheet out, so that all three say the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from takewell.draw import Bracket, Columns, Mark, Palette, columns, thumbnail, track_drawing
from takewell.draw.track import clock, signed
from takewell.engine.results import TrackMeasurement
from takewell.handover.specs import Check
from takewell.measure.running_floor import running_floor
from takewell.measure.trace import Trace
from takewell.roll.values import Finding, Move, Roll, Take, Track, Verdict
from takewell.units import decibels, rms_dbfs

MEASURED_TONE_DB = 3.0
"""A mono 1 kHz tone of L LUFS reads L + 3.0 dBFS (AES17): 3.01 - 0.691 + 0.698, BS.1770-5 annex 1."""

DRAWING_COLUMNS = 700
STRIP_COLUMNS = 300

VERDICT_ORDER = ("lost", "mend", "level", "good")
"""Worst first."""

SEVERITY_ORDER = ("major", "minor", "note")

_NUMBER_WORDS = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)

KIND_WORDS = {"take": "take", "wild": "wild track", "room_tone": "room tone", "tone": "line-up tone"}


@dataclass(frozen=True)
class Picture:
    """One track ready to be drawn, in any palette."""

    title: str
    strip: Columns
    full: Columns
    target_dbfs: float
    marks: tuple[Mark, ...]
    brackets: tuple[Bracket, ...]
    worth_a_look: bool
    """Whether anything was found that is more than a remark."""

    def draw_strip(self, palette: Palette, *, width: float = 420, height: float = 34) -> str:
        """Return the strip for the day's table."""
        return thumbnail(
            self.strip,
            title=self.title,
            palette=palette,
            width=width,
            height=height,
            target_dbfs=self.target_dbfs,
            marks=self.marks,
        )

    def draw_full(self, palette: Palette) -> str | None:
        """Return the large drawing, or None where it would tell nothing more than strip and table: no findings but
        remarks, and one gain throughout.
        """
        if not self.worth_a_look and len(self.brackets) < 2:
            return None
        return track_drawing(
            self.full,
            title=self.title,
            palette=palette,
            width=1000,
            height=150,
            target_dbfs=self.target_dbfs,
            moves=self.brackets,
            marks=self.marks,
        )


@dataclass(frozen=True)
class SheetTrack:
    """One track's line, and its picture where it could be measured."""

    number: int
    name: str
    role: str
    verdict: str
    reason: str
    loudness: str
    speech: str
    peak: str
    floor: str
    snr: str
    moves: str
    move_count: int
    one_gain: str
    """The gain in dB where one holds throughout, a dash elsewhere."""
    picture: Picture | None


@dataclass(frozen=True)
class SheetFinding:
    """One finding as a line of a table."""

    where: str
    track: str
    kind: str
    severity: str
    stage: str | None
    sentence: str
    remedy: str


@dataclass(frozen=True)
class SheetTake:
    """One take: its row of the day sheet and its own sheet."""

    anchor: str
    heading: str
    start: str
    length: str
    scene: str
    name: str
    circled: bool
    note: str
    date: str
    files: tuple[str, ...]
    warnings: tuple[str, ...]
    verdict: str
    why: str
    tracks: tuple[SheetTrack, ...]
    findings: tuple[SheetFinding, ...]


@dataclass(frozen=True)
class Sheet:
    """The whole report."""

    title: str
    subtitle: str
    lede: str
    made: str
    caution: str
    footnote: str
    takes: tuple[SheetTake, ...]
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class MeasuredTrack:
    """What a sheet needs to know of one track: its numbers over the whole take, and its trace."""

    numbers: TrackMeasurement
    trace: Trace


LOUD_DBTP = 0.0
"""True peak above which originals are called loud: what a monitor chain lined up for full scale does not expect."""

FOOTNOTE = (
    "RMS levels follow AES17: a full-scale sine reads 0 dBFS. Loudness: ITU-R BS.1770-5, each track alone as mono. Speech: "
    "ITU-T P.56 active level. Floor: the quietest passages, A-weighted. A dash stands where there is no such number; where "
    "the gain was moved within a take, figures stand per passage in the JSON of the measurement."
)


def number_word(count: int) -> str:
    """Return small numbers in words."""
    return _NUMBER_WORDS[count] if count < len(_NUMBER_WORDS) else str(count)


def counted(count: int, noun: str) -> str:
    """Return "three takes", "one take"."""
    return f"{number_word(count)} {noun}{'' if count == 1 else 's'}"


def length_words(seconds: float) -> str:
    """Return a length as people say it: "3 min 4 s", "1 h 12 min"."""
    whole = round(seconds)
    hours, minutes, secs = whole // 3600, whole // 60 % 60, whole % 60
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {secs:02d} s" if minutes else f"{secs} s"


def place(start_s: float, end_s: float, duration_s: float) -> str:
    """Return where a finding lies: "throughout", "0:51.20", "0:51.2 to 1:35.0"."""
    if start_s <= 0.5 and end_s >= duration_s - 0.5:
        return "throughout"

    def at(seconds: float) -> str:
        return f"{clock(int(seconds))}.{int(seconds * 10) % 10}"

    return at(start_s) if end_s - start_s < 0.1 else f"{at(start_s)} to {at(end_s)}"


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}".replace("-", "−").replace("−0.0", "0.0")


def _worst(verdicts: Sequence[Verdict]) -> Verdict | None:
    return min(verdicts, key=lambda v: (VERDICT_ORDER.index(v.verdict), v.track), default=None)


def _picture(
    title: str,
    measured: MeasuredTrack,
    findings: Sequence[Finding],
    moves: Sequence[Move],
    target_lufs: float,
) -> Picture:
    trace = measured.trace
    floor = running_floor(trace, [passage.start_s for passage in measured.numbers.passages[1:]])
    levels = (rms_dbfs(floor**2), rms_dbfs(trace.rms.astype(np.float64) ** 2), decibels(trace.peak))
    duration_s = trace.length_samples / trace.rate
    return Picture(
        title=title,
        strip=columns(duration_s, *levels, STRIP_COLUMNS),
        full=columns(duration_s, *levels, DRAWING_COLUMNS),
        target_dbfs=target_lufs + MEASURED_TONE_DB,
        marks=tuple(Mark(f.start_s, f.end_s, _sentence(f), damage=f.severity == "major") for f in findings),
        brackets=tuple(Bracket(m.start_s, m.end_s, m.gain_db) for m in moves),
        worth_a_look=any(f.severity != "note" for f in findings),
    )


def _sentence(finding: Finding) -> str:
    return finding.sentence or finding.kind.replace("_", " ")


def _moves_words(moves: Sequence[Move]) -> str:
    if not moves:
        return ""
    gains = [f"{signed(move.gain_db, 1)}" for move in moves]
    if len(gains) > 4:
        lowest, highest = min(m.gain_db for m in moves), max(m.gain_db for m in moves)
        return f"{len(gains)} moves, {signed(lowest, 1)} to {signed(highest, 1)} dB"
    return ", ".join(gains) + " dB"


def _track(
    take: Take,
    track: Track,
    measured: MeasuredTrack | None,
    verdict: Verdict | None,
    findings: Sequence[Finding],
    moves: Sequence[Move],
    target_lufs: float,
) -> SheetTrack:
    name = track.name or f"track {track.number}"
    numbers = measured.numbers if measured else None
    return SheetTrack(
        number=track.number,
        name=name,
        role=track.role,
        verdict=verdict.verdict if verdict else "–",
        reason=verdict.reason if verdict else "",
        loudness=_figure(numbers.integrated_lufs if numbers else None),
        speech=_figure(numbers.speech_level_dbfs if numbers else None),
        peak=_figure(numbers.true_peak_dbtp if numbers else None),
        floor=_figure(numbers.noise_floor_dbfs_a if numbers else None),
        snr=_figure(numbers.snr_db if numbers else None),
        moves=_moves_words(moves),
        move_count=len(moves),
        one_gain=_figure(moves[0].gain_db if len(moves) == 1 else None),
        picture=_picture(f"Level against time of {name}, {take.id}", measured, findings, moves, target_lufs)
        if measured
        else None,
    )


def _take_why(take: Take, verdicts: Sequence[Verdict]) -> tuple[str, str]:
    """Return a take's own verdict and why: it is lost only where no ISO is left, and says which track is worst."""
    worst = _worst(verdicts)
    if worst is None:
        return "–", "Not examined yet."
    if worst.verdict == "good":
        many = "Both" if len(verdicts) == 2 else f"All {number_word(len(verdicts))}"
        return "good", f"{many} tracks are good." if len(verdicts) > 1 else worst.reason
    isos = {track.number for track in take.tracks if track.role == "iso"}
    left = [v for v in verdicts if v.verdict != "lost" and (v.track in isos or not isos)]
    word = "mend" if worst.verdict == "lost" and left else worst.verdict
    names = {track.number: track.name or f"track {track.number}" for track in take.tracks}
    who = names.get(worst.track, "take") + (" is lost" if word != worst.verdict else "")
    others = [v for v in verdicts if v.verdict != "good" and v.track != worst.track]
    rest = f" {counted(len(others), 'more track').capitalize()} not good as it is." if others else ""
    return word, f"{who}: {worst.reason}{rest}"


def take_sheet(
    take: Take,
    measured: Mapping[int, MeasuredTrack],
    verdicts: Sequence[Verdict],
    findings: Sequence[Finding],
    moves: Sequence[Move],
    *,
    target_lufs: float,
    remarks: Sequence[str] = (),
) -> SheetTake:
    """Return one take's part of the report.

    Parameters
    ----------
    measured : mapping of track number to MeasuredTrack
        Tracks that could be measured.
    verdicts, findings, moves : sequences
        Those of this take.
    target_lufs : float
        Where dialogue should lie; drawn as a line on every track.
    remarks : sequence of str
        Sentences that stand over the table, after the take's own warnings.
    """
    verdict_of = {verdict.track: verdict for verdict in verdicts}
    names = {track.number: track.name or f"track {track.number}" for track in take.tracks}
    word, why = _take_why(take, verdicts)
    duration_s = float(take.duration_s)
    ordered = sorted(findings, key=lambda f: (SEVERITY_ORDER.index(f.severity), f.track, f.start_s))
    label = " ".join(
        part for part in (take.scene and f"Scene {take.scene}", take.take and f"take {take.take}") if part
    )
    kind = "" if take.kind == "take" else f" · {KIND_WORDS[take.kind]}"
    return SheetTake(
        anchor="take-" + "".join(c if c.isalnum() else "-" for c in take.id),
        heading=(label or take.id) + kind,
        start=str(take.start) if take.start else "no timecode",
        length=length_words(duration_s),
        scene=take.scene or take.id,
        name=(f"take {take.take}" if take.take else "") + kind,
        circled=take.circled,
        note=take.note,
        date=take.date or "",
        files=tuple(media.path for media in take.files),
        warnings=(*take.warnings, *remarks),
        verdict=word,
        why=why,
        tracks=tuple(
            _track(
                take,
                track,
                measured.get(track.number),
                verdict_of.get(track.number),
                [f for f in findings if f.track == track.number],
                [m for m in moves if m.track == track.number],
                target_lufs,
            )
            for track in take.tracks
        ),
        findings=tuple(
            SheetFinding(
                where=place(f.start_s, f.end_s, duration_s),
                track=names.get(f.track, "take"),
                kind=f.kind.replace("_", " "),
                severity=f.severity,
                stage=f.stage,
                sentence=_sentence(f),
                remedy=f.remedy,
            )
            for f in ordered
        ),
    )


def day_lede(takes: Sequence[Take], verdicts: Sequence[Verdict], copies_sentence: str) -> str:
    """Return the two or three sentences a tired person reads first."""
    total_s = sum(float(take.duration_s) for take in takes)
    opening = f"{counted(len(takes), 'take').capitalize()}, {length_words(total_s)}."
    counts = {word: sum(v.verdict == word for v in verdicts) for word in VERDICT_ORDER}
    said = [
        f"{number_word(counts[word])} {verb[counts[word] != 1]}"
        for word, verb in (
            ("good", ("is good", "are good")),
            ("level", ("needs only its level", "need only their level")),
            ("mend", ("wants mending", "want mending")),
            ("lost", ("is lost", "are lost")),
        )
        if counts[word]
    ]
    body = f"Of {counted(len(verdicts), 'track')}, {_listed(said)}." if said else "Not examined yet."
    return " ".join(part for part in (opening, body, copies_sentence) if part)


def caution(loudest_dbtp: float | None) -> str:
    """Return the caution for whoever plays the originals, empty where none goes beyond full scale."""
    if loudest_dbtp is None or loudest_dbtp <= LOUD_DBTP:
        return ""
    return (
        f"Careful with your ears: originals reach {signed(loudest_dbtp, 1)} dBTP. Turn the monitor down before playing "
        "them, or play the levelled files."
    )


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _one_or_mixed(values: Sequence[str], mixed: str) -> str:
    distinct = sorted(set(filter(None, values)))
    return "" if not distinct else distinct[0] if len(distinct) == 1 else mixed


def day_title(roll: Roll) -> tuple[str, str]:
    """Return the report's title and the line under it."""
    takes = roll.takes
    project = _one_or_mixed([take.project for take in takes], "Several projects")
    parts = [
        _one_or_mixed([take.date or "" for take in takes], "several days"),
        _one_or_mixed([take.tape and f"roll {take.tape}" for take in takes], "several rolls"),
        _one_or_mixed([f"{take.rate / 1000:g} kHz" for take in takes], "mixed sampling rates"),
        _one_or_mixed([str(take.timecode_rate or "") for take in takes], "mixed timecode rates"),
    ]
    rate = parts[3] and (parts[3] if parts[3].startswith("mixed") else f"timecode {parts[3]}")
    return project or roll.folder.name, " · ".join(part for part in (*parts[:3], rate) if part)
