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

EDGE_S = 0.002
"""A collapse has to be reached and left within this time; speech decays over tens of milliseconds."""

REACH_S = 0.03
"""How far outside the low steps an edge may lie: a step, and the K-weighting's high-pass, which rings for two more."""

EDGE_DB = 15.0
"""Step of level across such an edge."""

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
    trace = heard.trace
    none = np.zeros((0, 2), np.int64)
    if len(trace.fine_rms) < 3:
        return none
    below = 10 ** (-COLLAPSE_DB / 20)
    low = (trace.fine_rms < below * _local_floor(trace.fine_rms)) & (
        trace.fine_k_rms < below * _local_floor(trace.fine_k_rms)
    )
    low &= trace.fine_rms > 0
    found = []
    for first, last in runs(low).tolist():
        if (last - first) * 0.01 >= SILENCE_S or first == 0 or last == len(low):
            continue
        edges = _sharp_edges(heard, int(trace.fine_edges[first]), int(trace.fine_edges[last]))
        if edges is not None:
            found.append(edges)
    return np.array(found, np.int64).reshape(-1, 2) if found else none


def _local_floor(fine: F32) -> NDArray[np.float64]:
    """Return, per fine step, the lowest quiet end of its block and the two beside it."""
    size = round(FLOOR_BLOCK_S * 100)
    blocks = [fine[i : i + size] for i in range(0, len(fine), size)]
    if len(blocks) > 1 and len(blocks[-1]) < size // 2:
        blocks[-2:] = [np.concatenate(blocks[-2:])]
    quiet = np.array([np.percentile(block, FLOOR_PERCENTILE) for block in blocks], np.float64)
    padded = np.concatenate((quiet[:1], quiet, quiet[-1:]))
    lowest = np.minimum(np.minimum(padded[:-2], padded[1:-1]), padded[2:])
    return np.repeat(lowest, [len(block) for block in blocks])


def _sharp_edges(heard: TrackEvidence, start: int, stop: int) -> tuple[int, int] | None:
    """Return where the level steps down before `start` and up after `stop`, or None where it glides."""
    window = max(4, round(EDGE_S * heard.rate))
    reach = round(REACH_S * heard.rate)
    offset = max(start - reach, 0)
    samples = heard.samples(offset, stop + reach)
    if len(samples) < 4 * window:
        return None
    sums = np.concatenate(([0.0], np.cumsum(samples**2)))
    energy = sums[window:] - sums[:-window]
    at = np.arange(window, len(samples) - window)
    ratio_db = 10 * np.log10((energy[at - window] + 1e-30) / (energy[at] + 1e-30))
    falling = at <= start - offset + reach
    rising = at >= stop - offset - reach
    if not falling.any() or not rising.any():
        return None
    fall = int(np.argmax(np.where(falling, ratio_db, -np.inf)))
    rise = int(np.argmin(np.where(rising, ratio_db, np.inf)))
    if ratio_db[fall] < EDGE_DB or ratio_db[rise] > -EDGE_DB or at[rise] <= at[fall]:
        return None
    return int(at[fall]) + offset, int(at[rise]) + offset
