"""Where does a p or a b pop on the microphone?

The lips shut, the voice is gone for some hundredths of a second; they open, and a puff of air reaches the microphone before
or with the voice. In the low band it is a push that stands alone (`bumps`), behind a gap of the voice and right
before its onset; a knock in a pause has no voice beside it (`thump`).
"""

from takewell.examine.bumps import Bump, bumps
from takewell.examine.evidence import TrackEvidence
from takewell.examine.low_pushes import Saying, told
from takewell.roll.values import Finding

KIND = "plosive"

SHUT_DB = -12.0
"""The voice before the lips open lies at least this far under the speech at its lowest."""

ONSET_DB = -10.0
"""The voice that follows reaches this and stays for 30 ms."""

TOGETHER_DB = -5.0
"""Least level of a push that comes with the voice instead of before it: a deep voice's own onset stays below."""

SAYING = Saying(
    KIND,
    "popped consonant",
    "Low-cut at 100 Hz from just before it to the vowel; on set, off the axis of the mouth, or a wind shield.",
    0.8,
)


def find_plosives(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each cluster of popped consonants."""
    return told(heard, [b for b in bumps(heard) if is_plosive(b)], SAYING)


def is_plosive(bump: Bump) -> bool:
    """Return whether the voice sets in with a push after it was gone."""
    alone_first = bump.within_db <= SHUT_DB / 2 or bump.over_speech_db >= TOGETHER_DB
    return bump.before_db <= SHUT_DB and bump.onset_db >= ONSET_DB and alone_first
