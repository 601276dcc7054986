"""Does a take's time run on as its files' headers say?

Continuation files have to follow each other to the sample: `gap` is time that no file holds, `timecode_jump` a
start that lies before the end of the file before it, or so far off that the clock must have been set anew.
`rate_mismatch` is a file whose rate is not its take's.

Convention: bext's TimeReference counts samples from midnight at the stamped rate (EBU Tech 3285); it wraps after
24 hours.
"""

from itertools import pairwise

from takewell.examine.evidence import TakeEvidence
from takewell.examine.wording import count, duration
from takewell.roll.values import Finding, MediaFile

GAP, JUMP, RATE = "gap", "timecode_jump", "rate_mismatch"

JUMP_S = 10.0
"""A hole longer than this between two files of one take is a clock set anew, not lost audio; our choice: no
recorder takes so long to open its next file."""

NOTE_S = 0.001
"""Up to a millisecond a seam is a note: inaudible but not to the sample."""

DAY_S = 86_400


def find_time_order(heard: TakeEvidence) -> list[Finding]:
    """Return the findings on how the take's files follow each other in time."""
    return _seams(heard) + _rates(heard)


def _seams(heard: TakeEvidence) -> list[Finding]:
    files = {file.path: file for file in heard.take.files}
    seams = {
        (before.file, after.file): after.start_samples
        for track in heard.take.tracks
        for before, after in pairwise(track.pieces)
    }
    found = []
    for (before, after), seam_samples in seams.items():
        missing = _missing_samples(files[before], files[after])
        if missing:
            found.append(_seam(heard, files[after], seam_samples, missing))
    return found


def _missing_samples(before: MediaFile, after: MediaFile) -> int:
    """Return how many samples lie between two files by their headers, negative where they overlap."""
    if before.time_reference is None or after.time_reference is None or before.rate != after.rate:
        return 0
    day = DAY_S * before.rate
    apart = (after.time_reference - before.time_reference - before.length_samples) % day
    return apart if apart <= day // 2 else apart - day


def _seam(heard: TakeEvidence, after: MediaFile, seam_samples: int, missing: int) -> Finding:
    at_s = seam_samples / heard.take.rate
    apart_s = abs(missing) / after.rate
    name = after.path.rsplit("/", 1)[-1]
    gap = 0 < apart_s <= JUMP_S and missing > 0
    if gap:
        sentence = f"{count(missing, 'sample')} ({duration(apart_s)}) are missing before {name}"
        remedy = f"Leave {duration(apart_s)} of silence there, or picture and sound part."
    elif missing < 0:
        sentence = f"{name} starts {duration(apart_s)} before the file it continues has ended"
        remedy = "Lay it behind its predecessor by sound; the timecode of one of the two is wrong."
    else:
        sentence = f"timecode jumps {duration(apart_s)} ahead at {name}"
        remedy = "Ask whether the clock was set anew; sync this part by sound."
    return heard.finding(
        GAP if gap else JUMP,
        at_s,
        at_s,
        file=after.path,
        confidence=0.95,
        severity="note" if apart_s <= NOTE_S else "major",
        sentence=sentence,
        remedy=remedy,
        missing_samples=missing,
        missing_s=missing / after.rate,
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
            sentence=f"{file.path.rsplit('/', 1)[-1]} runs at {file.rate} Hz in a take of {heard.take.rate} Hz",
            remedy="Convert it to the take's rate before it is laid beside the other files.",
            file_rate_hz=file.rate,
            take_rate_hz=heard.take.rate,
        )
        for file in heard.take.files
        if file.rate != heard.take.rate
    ]
