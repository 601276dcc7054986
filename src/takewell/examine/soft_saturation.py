"""Where do the loud crests of a track bend over, as a microphone, a transformer or a valve does before it cuts?

A stage with a soft limit y = f(x) leaves the shape of a low crest alone and flattens a high one: at a crest the wave's slope
is zero, so its curvature goes down by f'(x) and its height by f(x)/x. The sharpness of crests (curvature over height) therefore
falls towards the top, by f'(x)·x/f(x), while they crowd together; louder speech of its own has no blunter crests. Where it
happens on one side of zero only, the stage is one-sided: a microphone's capsule or its transistor.
"""

from takewell.examine.crests import Crests, loud_crests
from takewell.examine.evidence import TrackEvidence
from takewell.examine.quiet import sections
from takewell.examine.wording import level, when
from takewell.roll.values import Finding, Severity

KIND = "soft_saturation"

LEAST_S = 4.0

TOP_DB = 1.0
LOW_FROM_DB, LOW_TO_DB = 3.0, 9.0
"""The crests whose sharpness is compared: those in the last decibel and those 3 to 9 dB lower."""

BLUNT = 0.3
"""Sharpness at the top, as a share of that lower down, from which a stage is bent. A hyperbolic tangent gives it where a crest
of 12 dB over its limit is met; clean voices stay above 0.37, whispering and hissing ones far above 1."""

WHOLE = 0.6
"""Share above which the other side is untouched."""

CROWD_DB = 4.0
CROWDED = 0.15
"""Crests in the last decibel against those between 3 and 4 dB under it."""

LEAST_CRESTS = 40

MINOR_SHARPNESS = 0.15
"""Sharpness left under which the bend is heard as distortion all the time (our choice)."""


def find_soft_saturation(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each section of one gain setting whose loud crests bend over."""
    if heard.take.kind != "take":
        return []
    found = []
    for start_s, end_s, _, _ in sections(heard, LEAST_S):
        sides = loud_crests(heard, start_s, end_s)
        if sides is None:
            continue
        bent = [side for side in sides if _is_bent(side)]
        if bent:
            whole = [side for side in sides if not _sharpness(side) < WHOLE]
            found.append(_told(heard, start_s, end_s, bent, one_sided=len(bent) == len(whole) == 1))
    return found


def _sharpness(side: Crests) -> float:
    """Return the sharpness of the highest crests as a share of that of lower ones."""
    low = side.sharpness_between(LOW_FROM_DB, LOW_TO_DB)
    return side.sharpness_between(0, TOP_DB) / low if low > 0 else float("nan")


def _is_bent(side: Crests) -> bool:
    top = side.count(0, TOP_DB)
    crowded = top >= LEAST_CRESTS and top >= CROWDED * side.count(LOW_FROM_DB, CROWD_DB)
    return crowded and _sharpness(side) <= BLUNT


def _told(
    heard: TrackEvidence, start_s: float, end_s: float, bent: list[Crests], *, one_sided: bool
) -> Finding:
    sharpness = min(_sharpness(side) for side in bent)
    top_dbfs = max(side.ceiling_dbfs for side in bent)
    severity: Severity = "major" if sharpness < MINOR_SHARPNESS else "minor"
    sides = "on one side of zero" if one_sided else "on both sides"
    whole = end_s - start_s >= 0.9 * heard.length_s
    place = "" if whole else f" {when(start_s, end_s)}"
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.8,
        severity=severity,
        stage="undecided",
        sentence=f"its loud crests bend over {sides}, up to {level(top_dbfs)} dBFS{place}",
        remedy="Take the loud places from a microphone farther off; next time use its pad, or one that stands more.",
        top_dbfs=top_dbfs,
        sharpness_left=sharpness,
        one_sided=int(one_sided),
        stage_because="not decidable from the file: a microphone, a transformer or a preamplifier bends over like this",
    )
