"""Where was a microphone, its stand or its cable knocked?

A push from below the voice that stands alone (`bumps`) and that the voice does not come with: in a pause, or so strong
that it drowns the word it falls into. The pop of a consonant, which breath makes, is `plosive`.
"""

from takewell.examine.bumps import RULES_DB, Bump, bumps
from takewell.examine.evidence import TrackEvidence
from takewell.examine.low_pushes import Saying, told
from takewell.examine.plosive import is_plosive
from takewell.roll.values import Finding

KIND = "thump"

SILENT_DB = -15.0
"""Voice this far under the speech before and after a push: a pause."""

DROWNS_DB = 12.0
"""A push under 80 Hz this far over the speech is told whatever the voice does; a drum in music stays under 10."""

SAYING = Saying(
    KIND,
    "knock",
    "Cut around it, or low-cut at 100 Hz; on set, suspend the microphone and leave its stand and cable alone.",
    0.8,
)


def find_thumps(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each cluster of knocks."""
    alone = [b for b in bumps(heard, wide=True) if _without_voice(b)]
    drowning = [b for b in bumps(heard) if b.over_speech_db >= DROWNS_DB and not is_plosive(b)]
    more = [b for b in drowning if not any(b.start_s < a.end_s and b.end_s > a.start_s for a in alone)]
    return told(heard, sorted(alone + more, key=lambda b: b.start_s), SAYING)


def _without_voice(bump: Bump) -> bool:
    silent = max(bump.before_db, bump.rest_db) <= SILENT_DB
    return silent and bump.within_db <= bump.over_speech_db - RULES_DB
