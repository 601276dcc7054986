"""Which files came home hurt, and was all of them read?

`damaged_file`: audio is missing or cannot be decoded. `recovered_file`: the header was wrong or never finished,
and all that is in the file was read all the same. What was found is said by the reader of the container; its
sentences are quoted here.
"""

import re

from takewell.examine.evidence import TakeEvidence
from takewell.roll.values import Finding, MediaFile

DAMAGED, RECOVERED = "damaged_file", "recovered_file"

_LOST = re.compile(r"\bis cut\b|\bdamaged\b|are missing|data chunk of .* was not read|cannot be decoded")
"""How the reader says that audio is not there."""

_AUDIO = re.compile(
    r"never finished|ran over|data chunk is missing|does not say how long|no whole sample|but it has"
)
"""How the reader says that the audio's own extent had to be found."""


def find_file_states(heard: TakeEvidence) -> list[Finding]:
    """Return a finding for each file of the take that is damaged or had to be recovered."""
    return [_told(heard, file) for file in heard.take.files if file.recoveries]


def _told(heard: TakeEvidence, file: MediaFile) -> Finding:
    text = " ".join(file.recoveries)
    start = min(
        (p.start_samples for t in heard.take.tracks for p in t.pieces if p.file == file.path), default=0
    )
    start_s = start / heard.take.rate
    end_s = start_s + file.length_samples / file.rate
    lost = bool(_LOST.search(text))
    extent = bool(_AUDIO.search(text))
    name = file.path.rsplit("/", 1)[-1]
    return heard.finding(
        DAMAGED if lost else RECOVERED,
        start_s,
        end_s,
        file=file.path,
        confidence=1.0,
        severity="major" if lost else "minor" if extent else "note",
        sentence=f"{name}: {text}",
        remedy="Look for the missing audio on the recorder's second card or a back-up before the cards are erased."
        if lost
        else "Deliver a copy with a proper header; listen to its last seconds."
        if extent
        else "Nothing for the sound; only the file's description was odd.",
        length_read_s=file.length_samples / file.rate,
        said=text,
    )
