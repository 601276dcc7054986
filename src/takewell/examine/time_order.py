"""Does a take's time run on as its files' headers say?

Continuation files have to follow each other to the sample: `gap` is time that no file holds, `timecode_jump` a
stamp that misses the end of the file before it, or a take whose stamps lie in the middle of another's.
`rate_mismatch` is a file whose rate is not its take's, whose description speaks of another, or whose stamps run on 0.1 % faster or
slower than its samples (a pull-up or pull-down that the header does not tell);
`incomplete_take` a take of which files are missing by its own count; `metadata_conflict` whatever else a file says
in two ways.

Convention: bext's TimeReference counts samples from midnight at the stamped rate (EBU Tech 3285); it wraps after
24 hours.
"""

import re
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

from takewell.examine.evidence import TakeEvidence
from takewell.examine.wording import clock, count, duration
from takewell.roll.values import Finding, MediaFile, Piece, Severity, Take

GAP, JUMP, RATE = "gap", "timecode_jump", "rate_mismatch"
INCOMPLETE, CONFLICT = "incomplete_take", "metadata_conflict"

OVERLAP_S = Fraction(1, 20)
"""Longest overlap of two takes that rounding their stamps to timecode frames can explain."""

PULL = 1e-3
"""What a pull-up or pull-down changes a rate by: 1000 to 1001, as 29.97 frames stand to 30 (SMPTE ST 12-1)."""

PULL_SLACK_S = 0.042
"""How far a stamp may lie off it: one frame at 24 a second, to which recorders round."""

PULL_LEAST_S = 300.0
"""Shortest file it can be told of: 0.1 % of it is seven frames."""

DAY_S = 86_400

_SEAM_SAID = re.compile(r"miss each other by|are missing between")
"""Warnings of a take that repeat what its stamps say, judged here from the stamps."""

_RATE_SAID = re.compile(r"at \d+ Hz, the file's format says")

_FILES_SAID = re.compile(r"files belong to this take")


def find_time_order(heard: TakeEvidence) -> list[Finding]:
    """Return the findings on how the take's files follow each other in time and what they say of it."""
    return _seams(heard) + _rates(heard) + _said(heard)


def find_overlapping_takes(takes: Sequence[Take]) -> list[Finding]:
    """Return a finding for each take whose stamps begin before an earlier take of that date has ended."""
    spans = []
    for take in takes:
        stamp = next((file.time_reference for file in take.files if file.time_reference is not None), None)
        if stamp is not None:
            start_s = Fraction(stamp, take.rate)
            spans.append((take.date or "", start_s, start_s + take.duration_s, take))
    spans.sort(key=lambda span: span[:2])
    found = []
    last = spans[0] if spans else None
    for span in spans[1:]:
        assert last is not None
        if span[0] == last[0] and last[2] - span[1] > OVERLAP_S:
            found.append(_overlap(span[3], last[3], float(min(last[2] - span[1], span[2] - span[1]))))
        if span[0] != last[0] or span[2] > last[2]:
            last = span
    return found


def _overlap(take: Take, earlier: Take, common_s: float) -> Finding:
    return Finding(
        take=take.id,
        file=take.files[0].path,
        track=0,
        kind=JUMP,
        start_s=0.0,
        end_s=common_s,
        confidence=0.9,
        severity="minor",
        stage=None,
        evidence={"overlap_s": common_s, "other_take": earlier.id},
        remedy="Ask whether the clock was set anew or two recorders' files lie together; sync this take by sound.",
        sentence=f"its timecode begins {duration(common_s)} before take {earlier.id} has ended",
    )


def _seams(heard: TakeEvidence) -> list[Finding]:
    files = {file.path: file for file in heard.take.files}
    seams = {
        (before.file, after.file): (before, after)
        for track in heard.take.tracks
        for before, after in pairwise(track.pieces)
    }
    found = []
    for before, after in seams.values():
        missing = after.start_samples - before.start_samples - before.length_samples
        off = missing or _stamps_miss(files[before.file], files[after.file])
        if _is_pull(off, before.length_samples, heard.take.rate):
            found.append(_pulled(heard, before, off))
        elif missing:
            found.append(_gap(heard, before, after, missing))
        elif off:
            found.append(_missed(heard, after, off))
    return found


def _stamps_miss(before: MediaFile, after: MediaFile) -> int:
    """Return by how many samples the second stamp lies after the first file's end, negative where before."""
    if before.time_reference is None or after.time_reference is None or before.rate != after.rate:
        return 0
    day = DAY_S * before.rate
    apart = (after.time_reference - before.time_reference - before.length_samples) % day
    return apart if apart <= day // 2 else apart - day


def _is_pull(off: int, length: int, rate: int) -> bool:
    """Return whether stamps and samples part by a thousandth of the file, as a rate pulled up or down makes them."""
    return length >= PULL_LEAST_S * rate and abs(abs(off) - length * PULL) <= PULL_SLACK_S * rate


def _pulled(heard: TakeEvidence, before: Piece, off: int) -> Finding:
    rate = heard.take.rate
    start_s = before.start_samples / rate
    length_s = before.length_samples / rate
    # Stamps that reach farther than the samples were counted while more time went by: the true rate is lower.
    true_hz = rate / (1 + PULL) if off > 0 else rate * (1 + PULL)
    return heard.finding(
        RATE,
        start_s,
        start_s + length_s,
        file=before.file,
        confidence=0.8,
        severity="major",
        sentence=f"{_name(before.file)} is stamped as {duration(abs(off) / rate)} "
        f"{'longer' if off > 0 else 'shorter'} than its samples last, 0.1 % of it: "
        f"it seems to run at {true_hz:.0f} Hz, not the {rate} Hz of its header",
        remedy="Hold its length against the picture; if they part by 0.1 %, conform it at the other rate (pull-up or pull-down).",
        stamp_off_samples=off,
        stamp_off_share=off / before.length_samples,
        header_rate_hz=rate,
        likely_rate_hz=true_hz,
    )


def _gap(heard: TakeEvidence, before: Piece, after: Piece, missing: int) -> Finding:
    rate = heard.take.rate
    start_s, end_s = (after.start_samples - missing) / rate, after.start_samples / rate
    return heard.finding(
        GAP,
        start_s,
        end_s,
        file=after.file,
        confidence=0.95,
        severity="major",
        sentence=f"{count(missing, 'sample')} ({duration(missing / rate)}) are missing at {clock(start_s)} "
        f"between {_name(before.file)} and {_name(after.file)}",
        remedy="Keep the hole as long as it is, or picture and sound part; fill it with room tone.",
        missing_samples=missing,
        missing_s=missing / rate,
    )


def _missed(heard: TakeEvidence, after: Piece, off: int) -> Finding:
    at_s = after.start_samples / heard.take.rate
    way = "after" if off > 0 else "before"
    return heard.finding(
        JUMP,
        at_s,
        at_s,
        file=after.file,
        confidence=0.8,
        severity="note",
        sentence=f"{_name(after.file)} is stamped {count(abs(off), 'sample')} {way} the end of the file it continues",
        remedy="Lay the two end to end; the stamp is rounded, no sound is missing.",
        stamp_off_samples=off,
        stamp_off_s=off / heard.take.rate,
    )


def _rates(heard: TakeEvidence) -> list[Finding]:
    return [
        heard.finding(
            RATE,
            0.0,
            float(heard.take.duration_s),
            file=file.path,
            confidence=1.0,
            severity="major",
            sentence=f"{_name(file.path)} runs at {file.rate} Hz in a take of {heard.take.rate} Hz",
            remedy="Convert it to the take's rate before it is laid beside the other files.",
            file_rate_hz=file.rate,
            take_rate_hz=heard.take.rate,
        )
        for file in heard.take.files
        if file.rate != heard.take.rate
    ]


def _said(heard: TakeEvidence) -> list[Finding]:
    """Return the findings on what the take's files say of themselves in two ways."""
    found = []
    for warning in heard.take.warnings:
        if _SEAM_SAID.search(warning):
            continue
        kind, severity, remedy = _warned(warning)
        file = next((f.path for f in heard.take.files if warning.startswith(f.path)), None)
        found.append(
            heard.finding(
                kind,
                0.0,
                float(heard.take.duration_s),
                file=file,
                confidence=0.9,
                severity=severity,
                sentence=warning.rstrip("."),
                remedy=remedy,
                said=warning,
            )
        )
    return found


def _warned(warning: str) -> tuple[str, Severity, str]:
    if _RATE_SAID.search(warning):
        return RATE, "minor", "Check the length against the picture before the file is conformed."
    if _FILES_SAID.search(warning):
        return INCOMPLETE, "major", "Look for the missing files on the other cards before any card is erased."
    return CONFLICT, "note", "Correct it in the delivered copy."


def _name(path: str) -> str:
    return path.rsplit("/", 1)[-1]
