"""What is the gain between two copies of one sound, when was it moved, and when does one of them not follow?

Both traces' 10 ms energies (K-weighted) are laid over each other; the ratio of two steps is the gain, wherever the
sound stands clear of what noise each copy has of its own: the louder steps of the neighbourhood. Where the ratio
stays at another value the gain setting was moved. Where one copy stays behind at loud moments and comes back, it was
held back: by a rail, where its samples say so, else by a limiter. In the pauses the ratio tells whose own noise is
higher, level for level.

Conventions: gains in dB, how far the copy lies above the first; times in seconds of the first's take; where the copy
runs on another clock, its energies are laid over by interpolating their sum.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.examine.spans import Runs, merged, runs
from takewell.measure.trace import Trace
from takewell.units import power_decibels

F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

NEAR_LOUD_DB = 15.0
"""How far under the loud steps around it a step still tells the gain: noise of its own 30 dB under the loud steps
moves the weakest of them by 0.13 dB, their median by less than half of that."""

LOUD_PERCENTILE = 95.0

BLOCK_STEPS = 500
"""Five seconds, in which loud is judged."""

SAME_DB = 0.3
"""Ratios nearer than this are one gain. The finest gain controls in use step by 0.5 dB (common practice, no source)."""

FINE_DB = 0.1
"""Least move of the gain that is told ..."""

FINE_SPREAD_DB = 0.03
"""... where the ratios on both sides of it spread by no more than this (median absolute deviation)."""

PROOF_STEPS = 20
"""Steps of sound (0.2 s) after which another ratio is a moved gain."""

PROOF_SPREAD_DB = 0.1
"""Spread (median absolute deviation) of the ratios that prove a gain: a limiter's wander with the level."""

HELD_DB = 0.5
"""How far a copy stays behind where it is held back."""

HELD_STEPS = 3
"""Least steps (30 ms) of it; transients at the edge of a step can feign fewer."""

HELD_GAP_STEPS = 50
"""Held moments nearer than this (0.5 s) are one stretch: speech recovers between words."""

HELD_PERCENTILE = 80.0
"""A copy that is held back stands as loud as this share of its other steps: a hole in it would not."""

QUIET_PERCENTILE = 20.0
"""Steps up to this percentile show each copy's own noise, if there is any."""


@dataclass(frozen=True)
class Setting:
    """A stretch of one gain between two copies."""

    start_s: float
    end_s: float
    gain_db: float
    own_noise_db: float
    """How much higher the copy's noise lies than the first's, level for level; negative where the first's is higher."""


@dataclass(frozen=True)
class Held:
    """A stretch in which one copy stays behind at loud moments."""

    start_s: float
    end_s: float
    copy: bool
    """Whether it is the copy; else the first."""
    most_db: float


@dataclass(frozen=True)
class Followed:
    """The gain between two copies over time."""

    settings: tuple[Setting, ...]
    held: tuple[Held, ...]

    @property
    def gain_db(self) -> float:
        """The gain that holds longest."""
        return max(self.settings, key=lambda setting: setting.end_s - setting.start_s).gain_db


def follow_gain(
    one: Trace, two: Trace, *, delay_s: float = 0.0, drift_ppm: float = 0.0, railed: Bools | None = None
) -> Followed | None:
    """Return the gain between two copies over time, None where too little sound shows it.

    Parameters
    ----------
    one, two : Trace
        The first and its copy.
    delay_s, drift_ppm : float
        How the copy's clock lies to the first's (see `takewell.roll.values.Pair`).
    railed : (steps,) bool array, optional
        Fine steps of the first in which one of the two stands at a rail, so that their ratio tells no gain.
    """
    first, copy = _energies(one, two, delay_s, drift_ppm)
    usable = (first > 0) & (copy > 0)
    if np.count_nonzero(usable) < PROOF_STEPS:
        return None
    level, ratio = np.full(len(first), -np.inf), np.full(len(first), np.nan)
    level[usable] = power_decibels(first[usable])
    ratio[usable] = power_decibels(copy[usable] / first[usable])
    clear = usable & _near_loud(level)
    free = clear if railed is None else clear & ~railed[: len(clear)]
    spans = _settings(ratio, free)
    if not spans:
        return None
    edges_s = one.fine_edges[: len(first) + 1] / one.rate
    settings, held = [], []
    for number, (start, stop, gain_db) in enumerate(spans):
        begin = 0 if number == 0 else start
        end = len(first) if number == len(spans) - 1 else stop
        here = slice(begin, end)
        settings.append(
            Setting(
                float(edges_s[begin]),
                float(edges_s[end]),
                gain_db,
                _own_noise(level[here], ratio[here], gain_db),
            )
        )
        held += [
            Held(float(edges_s[begin + a]), float(edges_s[begin + b]), copy_held, most_db)
            for a, b, copy_held, most_db in _held(level[here], ratio[here], clear[here], gain_db)
        ]
    return Followed(tuple(settings), tuple(sorted(held, key=lambda h: h.start_s)))


def _energies(one: Trace, two: Trace, delay_s: float, drift_ppm: float) -> tuple[F64, F64]:
    """Return the energies of both in the first's fine steps; 0 where the copy does not reach."""
    first = one.fine_k_rms.astype(np.float64) ** 2 * np.diff(one.fine_edges)
    heard = two.fine_k_rms.astype(np.float64) ** 2 * np.diff(two.fine_edges)
    if delay_s == 0 and drift_ppm == 0 and one.rate == two.rate:
        common = min(len(first), len(heard))
        if np.array_equal(one.fine_edges[:common], two.fine_edges[:common]):
            return first[:common], heard[:common]
    at = (delay_s + one.fine_edges / one.rate * (1 + drift_ppm * 1e-6)) * two.rate
    total = np.concatenate(([0.0], np.cumsum(heard)))
    # The copy's rate and the first's count the same energy with different numbers of samples.
    copy = np.diff(np.interp(at, two.fine_edges, total)) * one.rate / two.rate
    outside = (at[:-1] < 0) | (at[1:] > two.fine_edges[-1])
    return first, np.where(outside, 0.0, copy)


def _near_loud(level: F64) -> Bools:
    """Return the steps near the loud ones of their own five seconds or of those beside, whichever are louder."""
    starts = range(0, len(level), BLOCK_STEPS)
    loud = np.array(
        [np.percentile(level[s : s + BLOCK_STEPS], LOUD_PERCENTILE, method="lower") for s in starts]
    )
    padded = np.concatenate((loud[:1], loud, loud[-1:]))
    around = np.maximum(np.maximum(padded[:-2], padded[2:]) - NEAR_LOUD_DB, loud)
    return level >= np.repeat(around, BLOCK_STEPS)[: len(level)] - NEAR_LOUD_DB


def _settings(ratio: F64, free: Bools) -> list[tuple[int, int, float]]:
    """Return (first step, step after the last, gain) of each stretch of one gain."""
    at = np.flatnonzero(free)
    if len(at) < PROOF_STEPS:
        return []
    values = ratio[at]
    middle = float(np.median(values))
    near = np.abs(values - middle).max() <= SAME_DB
    groups = [list(range(len(values)))] if near else _groups(values)
    groups = [part for group in groups for part in _finely(group, values)]
    if not groups:
        return [(0, len(ratio), middle)]
    gains = [float(np.median(values[group])) for group in groups]
    found = []
    start = 0
    for k, gain_db in enumerate(gains):
        stop = len(ratio)
        if k + 1 < len(gains):
            stop = _border(
                ratio, int(at[groups[k][-1]]) + 1, int(at[groups[k + 1][0]]), gain_db, gains[k + 1]
            )
        found.append((start, stop, gain_db))
        start = stop
    return found


def _groups(values: F64) -> list[list[int]]:
    """Return the indices of the ratios that make up each gain in turn; what agrees with no gain is in none."""
    groups: list[list[int]] = []
    gain_db = np.nan
    waiting: list[int] = []
    for k, value in enumerate(values.tolist()):
        if abs(value - gain_db) <= SAME_DB:
            groups[-1].append(k)
            if len(groups[-1]) in (2 * PROOF_STEPS, 10 * PROOF_STEPS):
                gain_db = float(np.median(values[groups[-1]]))
            waiting.clear()
            continue
        waiting.append(k)
        if len(waiting) < PROOF_STEPS:
            continue
        last = values[waiting[-PROOF_STEPS:]]
        middle = float(np.median(last))
        if float(np.median(np.abs(last - middle))) > PROOF_SPREAD_DB or abs(last[-1] - middle) > SAME_DB:
            continue
        members = [j for j in waiting[-PROOF_STEPS:] if abs(values[j] - middle) <= SAME_DB]
        # Steps before the proof that agree with it belong to it too.
        for j in reversed(waiting[:-PROOF_STEPS]):
            if abs(values[j] - middle) > SAME_DB:
                break
            members.insert(0, j)
        groups.append(members)
        gain_db = middle
        waiting.clear()
    return _joined(groups, values)


def _joined(groups: list[list[int]], values: F64) -> list[list[int]]:
    """Join neighbours of one gain; what lay between them belonged to neither."""
    out: list[list[int]] = []
    for group in groups:
        if out and abs(float(np.median(values[group])) - float(np.median(values[out[-1]]))) <= SAME_DB:
            out[-1] = out[-1] + group
        else:
            out.append(group)
    return out


def _finely(group: list[int], values: F64) -> list[list[int]]:
    """Return a gain's ratios cut where it moved by less than `SAME_DB`, if they are steady enough to show it."""
    n = len(group)
    if n < 2 * PROOF_STEPS:
        return [group]
    here = values[group]
    counts = np.arange(1, n)
    sums = np.cumsum(here)
    apart = sums[:-1] / counts - (sums[-1] - sums[:-1]) / (n - counts)
    weight = np.abs(apart) * np.sqrt(counts * (n - counts) / n)
    weight[: PROOF_STEPS - 1] = weight[n - PROOF_STEPS :] = 0.0
    cut = int(np.argmax(weight)) + 1
    sides = here[:cut], here[cut:]
    middles = [float(np.median(side)) for side in sides]
    spread = max(float(np.median(np.abs(side - middle))) for side, middle in zip(sides, middles, strict=True))
    if abs(middles[1] - middles[0]) < FINE_DB or spread > FINE_SPREAD_DB:
        return [group]
    return _finely(group[:cut], values) + _finely(group[cut:], values)


def _border(ratio: F64, low: int, high: int, before_db: float, after_db: float) -> int:
    """Return the step in low ... high from which the ratios agree better with the gain after."""
    if high <= low:
        return high
    between = ratio[low:high]
    known = np.isfinite(between)
    cost = np.where(known, np.abs(between - before_db) - np.abs(between - after_db), 0.0)
    return low + int(np.argmin(np.concatenate(([0.0], np.cumsum(cost)))))


def _held(level: F64, ratio: F64, clear: Bools, gain_db: float) -> list[tuple[int, int, bool, float]]:
    """Return (first step, step after the last, whether the copy, most dB) of stretches in which one is held back."""
    behind = np.where(clear, gain_db - ratio, 0.0)
    follows = clear & (np.abs(behind) <= SAME_DB)
    if not follows.any():
        return []
    copy_level = level + np.where(np.isfinite(ratio), ratio, -np.inf)
    found = []
    for is_copy, sign, stands in ((True, 1, copy_level), (False, -1, level)):
        loud = float(np.percentile(stands[follows], HELD_PERCENTILE))
        marked = (sign * behind >= HELD_DB) & (stands >= loud)
        for a, b in _stretches(marked).tolist():
            found.append((a, b, is_copy, float((sign * behind[a:b]).max())))
    return found


def _stretches(marked: Bools) -> Runs:
    """Return stretches with at least `HELD_STEPS` marked steps, those near each other joined."""
    spans = merged(runs(marked), HELD_GAP_STEPS)
    counts = np.concatenate(([0], np.cumsum(marked)))
    return spans[counts[spans[:, 1]] - counts[spans[:, 0]] >= HELD_STEPS]


def _own_noise(level: F64, ratio: F64, gain_db: float) -> float:
    """Return how much higher the copy's noise lies in the quietest steps, level for level; 0 where they do not tell."""
    known = np.isfinite(ratio)
    if np.count_nonzero(known) < PROOF_STEPS:
        return 0.0
    quiet = known & (level <= np.percentile(level[known], QUIET_PERCENTILE))
    return float(np.median(ratio[quiet])) - gain_db


def railed_steps(trace: Trace, spans_s: Sequence[tuple[float, float]]) -> Bools:
    """Return the fine steps that lie in spans of seconds."""
    marked = np.zeros(len(trace.fine_edges) - 1, bool)
    for start_s, end_s in spans_s:
        first = int(np.searchsorted(trace.fine_edges, start_s * trace.rate, "right")) - 1
        last = int(np.searchsorted(trace.fine_edges, end_s * trace.rate, "left"))
        marked[max(first, 0) : last] = True
    return marked
