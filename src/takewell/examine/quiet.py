"""Where is a track quiet enough to hear what lies under everything else, and how quiet is that?

Steady sounds (hum, whine) come with a plug, a lamp, a cable or a device, and those stay for a while. So each stretch
of one gain setting is cut into sections of ten minutes, and of each the quietest part is listened to.
"""

from itertools import pairwise

import numpy as np

from takewell.examine.evidence import TrackEvidence
from takewell.units import rms_dbfs

SECTION_S = 600.0
"""One look every ten minutes."""

QUIET_PERCENTILE = 10.0
"""What the quiet moments are: the level below which a tenth of the 100 ms steps lie."""

Section = tuple[float, float, float | None, float | None]
"""Start and end in seconds, speech level and floor in dBFS."""


def sections(heard: TrackEvidence, least_s: float) -> list[Section]:
    """Return the sections of a track, ten minutes each at most and of one gain setting, from `least_s` on."""
    settings = [(p.start_s, p.end_s, p.speech_level_dbfs, p.noise_floor_dbfs) for p in heard.passages()] or [
        (0.0, heard.length_s, None, None)
    ]
    found = []
    for start_s, end_s, speech, floor in settings:
        parts = max(1, round((end_s - start_s) / SECTION_S))
        edges = np.linspace(start_s, end_s, parts + 1).tolist()
        found += [(a, b, speech, floor) for a, b in pairwise(edges)]
    return [s for s in found if s[1] - s[0] >= least_s]


def quiet_dbfs(heard: TrackEvidence, start_s: float, end_s: float) -> float:
    """Return the level of the quiet moments of a stretch, AES17 dBFS; ``-inf`` where all is zeros."""
    steps = heard.trace.rms[heard.trace.steps(start_s, end_s)].astype(np.float64)
    steps = steps[steps > 0]
    return float(rms_dbfs(np.percentile(steps, QUIET_PERCENTILE) ** 2)) if len(steps) else -np.inf


def quietest(heard: TrackEvidence, start_s: float, end_s: float, length_s: float) -> slice:
    """Return the steps of the part of a stretch, `length_s` long at most, whose loud moments are fewest."""
    trace = heard.trace
    part = trace.steps(start_s, end_s)
    width = round(length_s * 10)
    first, last = part.start, part.stop
    if last - first > width:
        loud = np.cbrt(trace.rms[part].astype(np.float64))
        sums = np.concatenate(([0.0], np.cumsum(loud)))
        first += int(np.argmin(sums[width:] - sums[:-width]))
        last = first + width
    return slice(first, last)
