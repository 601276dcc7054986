"""Where does a float track hold NaN or infinity, which no editor's tool can play?"""

import numpy as np

from takewell.examine.evidence import TrackEvidence
from takewell.examine.wording import count, when
from takewell.roll.values import Finding, Severity

KIND = "nonfinite"

MAJOR_SAMPLES_PER_SECOND = 1.0
"""Mean rate above which patching by interpolation is no longer a matter of a few samples; our choice."""


def find_nonfinite(heard: TrackEvidence) -> list[Finding]:
    """Return one finding for a track with samples that are not numbers, placed to the sample."""
    trace = heard.trace
    steps = np.flatnonzero(trace.nonfinite)
    if not len(steps):
        return []
    samples = int(trace.nonfinite[steps].sum())
    first = _edge(heard, int(steps[0]), 0)
    last = _edge(heard, int(steps[-1]), -1) + 1
    start_s, end_s = first / trace.rate, last / trace.rate
    few = samples <= max(1.0, MAJOR_SAMPLES_PER_SECOND * heard.length_s)
    severity: Severity = "minor" if few else "major"
    return [
        heard.finding(
            KIND,
            start_s,
            end_s,
            confidence=1.0,
            severity=severity,
            sentence=f"{count(samples, 'sample')} are no numbers, {when(start_s, end_s)}"
            if samples > 1
            else f"1 sample is no number, {when(start_s, end_s)}",
            remedy="Interpolate over them before anything plays the file; some tools pass them on as full-scale noise."
            if few
            else "Take another track; too many samples are missing to patch.",
            samples=samples,
            steps=len(steps),
        )
    ]


def _edge(heard: TrackEvidence, step: int, which: int) -> int:
    """Return the first (0) or last (-1) non-finite sample of a step."""
    start, stop = int(heard.trace.edges[step]), int(heard.trace.edges[step + 1])
    read = heard.reader.read([heard.track.number], start, stop - start)[:, 0]
    return start + int(np.flatnonzero(~np.isfinite(read))[which])
