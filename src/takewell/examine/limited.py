"""On which track was a limiter at work, at which ceiling, and how hard was it hit?

A limiter brings every crest that would have gone over down to one height, so the highest crests crowd right under a ceiling,
and keep their shape: that tells them from crests cut flat (`clipped`) and from crests bent over (`soft_saturation`). In speech
as it was spoken the crests thin out towards the highest: of those in the uppermost half decibel, few lie within the
last twentieth. A compressor without a ceiling leaves no such mark; between two copies of one sound their gain shows it.
"""

import numpy as np

from takewell.examine.crests import Crests, loud_crests
from takewell.examine.evidence import TrackEvidence
from takewell.examine.quiet import sections
from takewell.examine.wording import level, when
from takewell.roll.values import Finding, Severity
from takewell.units import amplitude

KIND = "limited"

LEAST_S = 4.0

AT_CEILING_DB = 0.05
"""How near to the ceiling a crest is at it: look-ahead limiters hold theirs to some hundredths of a decibel."""

LEAST_CRESTS = 15
"""Crests at the ceiling that are no chance: of the highest eight, whose median the ceiling is, four lie there anyway."""

FROM_DB, TO_DB = 0.25, 0.5
CROWDED = 2.5
"""How many times denser the crests lie at the ceiling than between `FROM_DB` and `TO_DB` under it; unlimited speech is denser
there than at its top."""

LEAST_SHARP = 0.35
"""Sharpness of the crests in the last decibel against those lower down, under which they are bent, not limited."""

STEP_DB = 0.3
"""How near to the ceiling the peak of a 100 ms step lies where the limiter worked."""

LOUD_DB = 20.0
"""Steps whose peak lies no farther than this under the ceiling are speech, of which a share was limited."""

MINOR_SHARE, SLAMMED_SHARE = 0.1, 0.3
"""Share of those steps from which limiting is more than now and then, and from which every word is held down (our choice)."""


def find_limited(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each section of one gain setting in which a limiter worked."""
    if heard.take.kind != "take":
        return []  # a line-up tone has all its crests at one height
    found = []
    for start_s, end_s, _, _ in sections(heard, LEAST_S):
        sides = loud_crests(heard, start_s, end_s)
        if sides is not None and any(is_crowded(side) for side in sides):
            found.append(_told(heard, start_s, end_s, [s for s in sides if is_crowded(s)]))
    return found


def is_crowded(side: Crests) -> bool:
    """Return whether the crests of one side crowd at a ceiling with their shape kept."""
    at, below = side.count(0, AT_CEILING_DB), side.count(FROM_DB, TO_DB)
    if at < LEAST_CRESTS or at / AT_CEILING_DB < CROWDED * below / (TO_DB - FROM_DB):
        return False
    return not side.sharpness_between(0, 1) < LEAST_SHARP * side.sharpness_between(3, 9)


def _told(heard: TrackEvidence, start_s: float, end_s: float, sides: list[Crests]) -> Finding:
    ceiling_dbfs = max(side.ceiling_dbfs for side in sides)
    part = heard.trace.steps(start_s, end_s)
    peaks = heard.trace.peak[part]
    at = np.flatnonzero(peaks >= amplitude(ceiling_dbfs - STEP_DB))
    share = len(at) / max(1, int(np.count_nonzero(peaks >= amplitude(ceiling_dbfs - LOUD_DB))))
    first_s = float(heard.trace.edges[part.start + at[0]] / heard.rate)
    last_s = float(heard.trace.edges[part.start + at[-1] + 1] / heard.rate)
    severity: Severity = "major" if share >= SLAMMED_SHARE else "minor" if share >= MINOR_SHARE else "note"
    how = "slammed into a limiter" if share >= SLAMMED_SHARE else "limited"
    return heard.finding(
        KIND,
        first_s,
        last_s,
        confidence=0.9,
        severity=severity,
        sentence=f"{how} at {level(ceiling_dbfs)} dBFS in {share:.0%} of its loud moments {when(first_s, last_s)}",
        remedy="Nothing, if it sounds well; else take the loud places from a track that was not limited."
        if severity == "note"
        else "Take it from a safety copy or a float ISO; a limiter's work cannot be undone. Turn the input down next time.",
        ceiling_dbfs=ceiling_dbfs,
        share_at_ceiling=share,
        crests_at_ceiling=sum(side.count(0, AT_CEILING_DB) for side in sides),
        slammed=int(share >= SLAMMED_SHARE),
    )
