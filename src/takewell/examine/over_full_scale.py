"""Which float tracks only look ruined: over full scale, yet whole?

A float sample above 1.0 is no damage: turning the track down brings it back. Stretches that were also found
flat at a rail are `clipped`'s to report and are left out here. An integer file cannot hold such samples.
"""

import numpy as np

from takewell.examine.evidence import TrackEvidence
from takewell.examine.wording import count, level, signed, when
from takewell.roll.values import Finding
from takewell.units import decibels

KIND = "over_full_scale"

CEILING_DBTP = -1.0
"""Where the highest peak is to lie after turning down: EBU R 128's maximum true peak level."""


def find_over_full_scale(heard: TrackEvidence) -> list[Finding]:
    """Return one finding for a float track that exceeds full scale and is not flat there."""
    if not heard.is_float:
        return []
    trace = heard.trace
    over = trace.over > 0
    for clip in heard.clips():
        if clip.shape in ("rail", "full_scale"):
            over[_touched(heard, clip.start_s, clip.end_s)] = False
    steps = np.flatnonzero(over)
    if not len(steps):
        return []
    start_s = float(trace.edges[steps[0]] / trace.rate)
    end_s = float(trace.edges[steps[-1] + 1] / trace.rate)
    peak_dbfs = float(decibels(trace.peak[steps].max()))
    samples = int(trace.over[steps].sum())
    true_peak_dbtp = max(peak_dbfs, float(decibels(trace.true_peak_bound[steps].max())))
    down_db = peak_dbfs - CEILING_DBTP
    return [
        heard.finding(
            KIND,
            start_s,
            end_s,
            confidence=1.0,
            severity="note",
            sentence=f"peaks at {signed(peak_dbfs)} dBFS in float and whole, "
            f"{count(samples, 'sample')} over full scale {when(start_s, end_s)}",
            remedy=f"Turn it down by {level(down_db)} dB or more; nothing is lost.",
            peak_dbfs=peak_dbfs,
            true_peak_bound_dbtp=true_peak_dbtp,
            samples_over=samples,
            steps_over=len(steps),
        )
    ]


def _touched(heard: TrackEvidence, start_s: float, end_s: float) -> slice:
    edges = heard.trace.edges
    first = int(np.searchsorted(edges, round(start_s * heard.rate), side="right")) - 1
    last = int(np.searchsorted(edges, round(end_s * heard.rate), side="left"))
    return slice(max(first, 0), max(last, first + 1))
