"""Where does a float track hold NaN or infinity, which no editor's tool can play?"""

import numpy as np

from takewell.examine.evidence import TrackEvidence
from takewell.examine.spans import Runs, clusters, merged, places, runs
from takewell.examine.wording import count, when
from takewell.roll.values import Finding, Severity

KIND = "nonfinite"

BLOCK_STEPS = 100
"""Steps read at once: ten seconds."""

PATCH_S = 0.005
"""Longest run that interpolation bridges unheard: about one period of a low voice."""

PATCH_SHARE = 1e-3
"""Share of a track up to which patching is work for a minute."""


def find_nonfinite(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each cluster of samples that are not numbers, placed to the sample."""
    spans = _spans(heard)
    patchable = float((spans[:, 1] - spans[:, 0]).sum()) <= PATCH_SHARE * heard.trace.length_samples
    return [_told(heard, spans[part], patchable) for part in clusters(spans, heard.rate)]


def _spans(heard: TrackEvidence) -> Runs:
    trace = heard.trace
    found = [np.zeros((0, 2), np.int64)]
    for first, last in runs(trace.nonfinite > 0).tolist():
        for step in range(first, last, BLOCK_STEPS):
            start, stop = int(trace.edges[step]), int(trace.edges[min(step + BLOCK_STEPS, last)])
            read = heard.reader.read([heard.track.number], start, stop - start)[:, 0]
            found.append(runs(~np.isfinite(read)) + start)
    return merged(np.concatenate(found), 0)


def _told(heard: TrackEvidence, spans: Runs, patchable: bool) -> Finding:
    lengths = spans[:, 1] - spans[:, 0]
    samples = int(lengths.sum())
    start_s, end_s = float(spans[0, 0] / heard.rate), float(spans[-1, 1] / heard.rate)
    patchable = patchable and float(lengths.max()) <= PATCH_S * heard.rate
    severity: Severity = "minor" if patchable else "major"
    where = when(start_s, end_s)
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=1.0,
        severity=severity,
        sentence=f"{count(samples, 'sample is no number', 'samples are no numbers')} {where}",
        remedy="Interpolate over them before anything plays the file; some tools pass them on as full-scale noise."
        if patchable
        else "Take these stretches from another track; they are too long to patch.",
        samples=samples,
        events=len(spans),
        longest_samples=int(lengths.max()),
        places_s=places(spans, heard.rate),
    )
