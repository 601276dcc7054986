"""Which two tracks carry the same sound at two gains, such as a float ISO and its 24-bit safety copy?

First the traces: between neighbouring 10 ms steps the level of one source moves by the same decibels on both
copies, whatever their gains and however often those are changed; two microphones in one room differ by more.
Then, for pairs that pass, a few short stretches of samples are correlated at lags of a few samples, which also
gives the sign between them.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence
from takewell.units import decibels

MOST_LOOKED = 8000
"""Fine steps looked at, evenly over the take; the loudest third of them settle a median to some hundredths of a decibel."""

LEAST_STEPS = 50
"""Half a second of sound; less is no evidence."""

LOUD_PERCENTILE = 70.0
"""Steps from this percentile on are compared: there both copies lie above their own noise."""

SPREAD = 0.1
"""Largest median difference of the two tracks' level changes, as a share of the median change itself. Copies of
one source differ by noise alone; two microphones on one voice differ by about as much as either changes."""

LEAST_CHANGE_DB = 0.3
"""Median change from step to step below which a sound is steady (a tone, a noise) and proves no kinship."""

LEAST_CORRELATION = 0.98
"""Correlation of the samples of a twin: its floor may lie 14 dB under the sound."""

MOST_LAG = 8
"""Lag tried, in samples: what two converters or two files of one recorder differ by."""

STRETCHES = 5
"""Stretches of samples compared, of one step (100 ms) each."""


@dataclass(frozen=True)
class Twin:
    """Another track with the same sound; `gain_db` is how far it lies above the first."""

    other: TrackEvidence
    gain_db: float
    correlation: float
    """Median over the stretches compared; negative where one of the two is reversed."""
    lag_samples: int
    """How much later the other track has the sound."""


def find_twins(tracks: tuple[TrackEvidence, ...]) -> dict[int, tuple[Twin, ...]]:
    """Return the twins of each track that has any, by track number."""
    found: dict[int, list[Twin]] = {}
    for one, two in combinations(tracks, 2):
        gain_db = _gain_where_alike(one, two)
        if gain_db is None:
            continue
        matched = _correlation(one, two)
        if matched is None or abs(matched[0]) < LEAST_CORRELATION:
            continue
        correlation, lag = matched
        found.setdefault(one.track.number, []).append(Twin(two, gain_db, correlation, lag))
        found.setdefault(two.track.number, []).append(Twin(one, -gain_db, correlation, -lag))
    return {number: tuple(twins) for number, twins in found.items()}


def _gain_where_alike(one: TrackEvidence, two: TrackEvidence) -> float | None:
    """Return the median gain between two tracks whose levels move alike, else None."""
    a, b = one.trace.fine_k_rms, two.trace.fine_k_rms
    common = min(len(a), len(b))
    if not np.array_equal(one.trace.fine_edges[:common], two.trace.fine_edges[:common]):
        return None
    at = np.arange(0, common - 1, max(1, common // MOST_LOOKED))
    at = at[(a[at] > 0) & (a[at + 1] > 0) & (b[at] > 0) & (b[at + 1] > 0)]
    for track in (one, two):
        at = at[~_at_rail(track)[_steps_of(track, at)]]
    if len(at) < LEAST_STEPS:
        return None
    at = at[a[at] >= np.percentile(a[at], LOUD_PERCENTILE)]
    change_one = decibels(a[at + 1]) - decibels(a[at])
    change_two = decibels(b[at + 1]) - decibels(b[at])
    typical = float(np.median(np.abs(change_one)))
    if typical < LEAST_CHANGE_DB or float(np.median(np.abs(change_one - change_two))) > SPREAD * typical:
        return None
    return float(np.median(decibels(b[at]) - decibels(a[at])))


def _at_rail(heard: TrackEvidence) -> NDArray[np.bool_]:
    """Return which steps of an integer track reach full scale, so that their level says little."""
    return np.zeros(len(heard.trace.over), bool) if heard.is_float else heard.trace.over > 0


def _steps_of(heard: TrackEvidence, fine: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the steps that fine steps lie in."""
    steps: NDArray[np.int64] = np.searchsorted(heard.trace.edges, heard.trace.fine_edges[fine], "right") - 1
    return steps


def _correlation(one: TrackEvidence, two: TrackEvidence) -> tuple[float, int] | None:
    """Return the median of the strongest correlations over the stretches compared, and its lag."""
    trace = one.trace
    steps = min(len(trace.rms), len(two.trace.rms))
    whole = two.trace.rms[:steps] > 0
    for track in (one, two):
        whole &= ~_at_rail(track)[:steps]
    levels = np.where(whole, trace.k_rms[:steps], 0).astype(np.float64)
    order: NDArray[np.int64] = np.argsort(levels)[-max(STRETCHES, int(np.count_nonzero(levels)) // 5) :]
    chosen = order[levels[order] > 0][:: max(1, len(order) // STRETCHES)][:STRETCHES]
    peaks: list[tuple[float, int]] = []
    for step in chosen.tolist():
        start, stop = int(trace.edges[step]), int(trace.edges[step + 1])
        a, b = one.samples(start, stop), two.samples(start, stop)
        if len(a) == len(b) > 4 * MOST_LAG:
            peaks.append(_strongest(a - a.mean(), b - b.mean()))
    if not peaks:
        return None
    peaks.sort()
    return peaks[len(peaks) // 2]


def _strongest(a: NDArray[np.float64], b: NDArray[np.float64]) -> tuple[float, int]:
    """Return the correlation that is largest in size over the lags tried, and that lag of `b`."""
    inner = a[MOST_LAG:-MOST_LAG]
    best = (0.0, 0)
    for lag in range(-MOST_LAG, MOST_LAG + 1):
        shifted = b[MOST_LAG + lag : len(b) - MOST_LAG + lag]
        norm = float(np.sqrt(np.dot(inner, inner) * np.dot(shifted, shifted)))
        value = float(np.dot(inner, shifted)) / norm if norm > 0 else 0.0
        if abs(value) > abs(best[0]):
            best = (value, lag)
    return best
