"""Where does a live track drop out for an instant?

Two marks, either of which suffices: a run of at least a millisecond of exact zeros, cut off on both sides; or a
collapse, within milliseconds, to far below the quietest the track is around there, and back as suddenly. A
room has a floor, and no pause in speech goes below it: only a link, a gate or a buffer does.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence
from takewell.examine.spans import Runs, clusters, places, runs
from takewell.examine.wording import count, duration, when
from takewell.examine.zero_runs import SILENCE_S, cut_sides, zero_runs
from takewell.measure.trace import F32
from takewell.roll.values import Finding, Severity

KIND = "dropout"

LEAST_S = 0.001
"""Shortest run of zeros told; no converter gives 1 ms of exact zeros from a live microphone."""

FLOOR_BLOCK_S = 5.0
"""Length of the blocks whose quiet end is the floor a collapse is held against."""

FLOOR_PERCENTILE = 5.0
"""The quiet end: a collapse of up to a quarter of a second in five does not move it."""

COLLAPSE_DB = 15.0
"""How far below that floor a 10 ms step lies in a collapse. Ten milliseconds of noise of 300 Hz bandwidth have six
degrees of freedom: their energy falls 15 dB below its own 5th percentile three times in a million (chi-square),
that of wider noise never; the sharp edges asked for besides rule the rest out."""

WITHIN = 6.0
"""Samples up to this many times the RMS of what is left belong to the collapse: a Gaussian noise exceeds it in two of
10^9 samples."""

EDGE_S = 0.005
"""Stretch right outside either end whose level is compared; speech and rooms decay by a few decibels in it."""

EDGE_DB = 18.0
"""How far that level, an RMS, has to stand above what is left. Where a sound decays, its crests have just passed
`WITHIN` (15.6 dB) there, and its RMS lies 3 dB or more lower still."""

AMID_S = 0.05
"""Stretch outside either end that shows whether the sound was on its way down, or comes up after."""

AMID_DB = 20.0
"""How much louder that stretch may be than the edge, and one edge than the other. A hole is cut out of the middle of a sound; a
closure before a plosive, which a gate has emptied, comes where the voice has died away and ends with a burst."""

FAR_DB = 40.0
"""From this far above what is left on, both edges are torn whatever the sound did: no gate shuts on as much within milliseconds."""

REACH_S = 0.03
"""How far outside the low steps an end may lie: they are whole steps of 10 ms."""

AS_LOW_DB = 6.0
"""Stretches up to this much above what the collapses leave are as low as they are."""

SHARP_SHARE = 0.5
"""Share of the stretches that low which have to break off and set in sharply. A gate, or an editor's cuts, shut at the end of
every phrase, at the head and the tail, and mostly glide; the few of them that look sharp are no holes."""

MAJOR_TOTAL_S = 0.05
"""A cluster that has lost more than this, about a phone of speech, is major."""


def find_dropouts(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each cluster of dropouts, placed to the sample."""
    least = max(2, round(LEAST_S * heard.rate))
    longest = round(SILENCE_S * heard.rate)
    zero = zero_runs(heard, least)
    zero = zero[zero[:, 1] - zero[:, 0] < longest]
    zero = zero[[all(cut_sides(heard, a, b)) for a, b in zero.tolist()]] if len(zero) else zero
    spans = np.concatenate((zero, _collapses(heard)))
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    return [_told(heard, spans[part]) for part in clusters(spans, heard.rate)]


def _told(heard: TrackEvidence, spans: Runs) -> Finding:
    lengths = spans[:, 1] - spans[:, 0]
    lost_s = float(lengths.sum() / heard.rate)
    start_s, end_s = float(spans[0, 0] / heard.rate), float(spans[-1, 1] / heard.rate)
    severity: Severity = "major" if lost_s > MAJOR_TOTAL_S else "minor"
    longest_s = float(lengths.max() / heard.rate)
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.95,
        severity=severity,
        sentence=f"drops out for {duration(longest_s)} {when(start_s, end_s)}"
        if len(spans) == 1
        else f"{count(len(spans), 'dropout')} of up to {duration(longest_s)} {when(start_s, end_s)}",
        remedy="Fill the holes from another microphone, or cut around them.",
        events=len(spans),
        lost_s=lost_s,
        longest_s=longest_s,
        places_s=places(spans, heard.rate),
    )


def _collapses(heard: TrackEvidence) -> Runs:
    """Return the stretches, to about a millisecond, where the track falls below its own floor at once."""
    fine = heard.trace.fine_rms
    edges = heard.trace.fine_edges
    low = (fine < 10 ** (-COLLAPSE_DB / 20) * _local_floor(fine)) & (fine > 0)
    found, left = [], []
    for first, last in runs(low).tolist():
        if edges[last] - edges[first] < SILENCE_S * heard.rate:
            ends = _sharp_ends(heard, int(edges[first]), int(edges[last]))
            if ends is not None:
                found.append(ends)
                left.append(float(fine[first:last].max()))
    if found and len(found) < SHARP_SHARE * len(runs(fine <= max(left) * 10 ** (AS_LOW_DB / 20))):
        return np.zeros((0, 2), np.int64)
    return np.array(found, np.int64).reshape(-1, 2)


def _local_floor(fine: F32) -> NDArray[np.float64]:
    """Return, per fine step, the lowest quiet end of its block and the two beside it."""
    size = round(FLOOR_BLOCK_S * 100)
    if not len(fine):
        return np.zeros(0)
    blocks = [fine[i : i + size] for i in range(0, len(fine), size)]
    if len(blocks) > 1 and len(blocks[-1]) < size // 2:
        blocks[-2:] = [np.concatenate(blocks[-2:])]
    quiet = np.array([np.percentile(block, FLOOR_PERCENTILE) for block in blocks], np.float64)
    padded = np.concatenate((quiet[:1], quiet, quiet[-1:]))
    lowest = np.minimum(np.minimum(padded[:-2], padded[1:-1]), padded[2:])
    return np.repeat(lowest, [len(block) for block in blocks])


def _sharp_ends(heard: TrackEvidence, start: int, stop: int) -> tuple[int, int] | None:
    """Return where the sound breaks off before and sets in after two low samples, or None where it glides."""
    reach, edge, amid = (round(span_s * heard.rate) for span_s in (REACH_S, EDGE_S, AMID_S))
    offset = max(start - reach - amid, 0)
    samples = heard.samples(offset, stop + reach + amid)
    left = _rms(samples[start - offset : stop - offset])
    loud = np.flatnonzero(np.abs(samples) > WITHIN * left)
    middle = (start + stop) // 2 - offset
    before, after = loud[loud < middle], loud[loud >= middle]
    if not len(before) or not len(after):
        return None
    first, last = int(before[-1]) + 1, int(after[0])
    sides = samples[max(first - amid, 0) : first][::-1], samples[last : last + amid]
    if any(len(side) < edge // 2 for side in sides):
        return None
    levels = [_rms(side[:edge]) for side in sides]
    most = 10 ** (AMID_DB / 20)
    loudest = [
        max(_rms(side[k : k + edge]) for k in range(0, max(len(side) - edge, 1), edge)) for side in sides
    ]
    if min(levels) < left * 10 ** (EDGE_DB / 20):
        return None
    if min(levels) >= left * 10 ** (FAR_DB / 20):
        return first + offset, last + offset
    if max(levels) > most * min(levels) or any(
        near > most * level for near, level in zip(loudest, levels, strict=True)
    ):
        return None
    return first + offset, last + offset


def _rms(samples: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(samples**2)))
