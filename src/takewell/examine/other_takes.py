"""Which tracks of two takes carry one sound, as an on-body recorder's and the bag's do, and how do their clocks lie?

The movements of both levels are laid over each other first, which gives the offset to a step of 20 ms. Stretches all over
the time in common then give it to a part of a sample, by the phase transform, and the line through them the drift of
the clocks. Lined up so, the samples have to correlate as copies do. Only takes whose stamps overlap, or that have none,
are held against each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from takewell.examine.evidence import TrackEvidence
from takewell.examine.late_twins import BAND_HZ
from takewell.examine.twins import LEAST_CORRELATION
from takewell.measure.correlation import delay
from takewell.roll.values import Take
from takewell.shape.placed import REACH, placed
from takewell.units import decibels

F64 = NDArray[np.float64]

LEAST_HEIGHT = 0.1
"""Least height of the phase transform of one second: with nothing in common it stays below 0.02."""

SLACK_S = 10.0
"""How far two recorders' clocks may disagree and their takes still be held against each other."""

STEP_S = 0.02

LEAST_COMMON_STEPS = 250
"""Five seconds in common."""

LEAST_SCORE = 0.5
"""Least correlation of the levels' movements: copies reach 0.8 and more ..."""

LEAST_SIGMAS = 8.0
"""... and how many standard deviations of chance it has to reach: one over the root of the steps in common, of which
three go together."""

MOST_UNSTAMPED = 200
"""Pairs of takes without time stamps that are held against each other at most."""

PLACES = 9
PLACE_S = 1.0
"""Stretches in which two recorders are lined up."""

REACH_S = 0.06
"""How far the offset told by the steps may be off: three of them."""

ON_LINE_SAMPLES = 2.0
"""How near the line a stretch's offset lies: a clock wanders by less in an hour of room temperature."""

ONE_CLOCK_PPM = 0.02
"""Drift below this is none: PLACES stretches over a minute place the line to about as much."""


@dataclass(frozen=True)
class Offset:
    """How another take's track lies to one: a sound at t is at ``delay_s + t (1 + drift_ppm / 1e6)`` there."""

    delay_s: float
    drift_ppm: float
    correlation: float
    gain_db: float


def candidate_takes(takes: Sequence[Take]) -> list[tuple[Take, Take]]:
    """Return pairs of takes that may hold the same moment, by their stamps; without stamps, any."""
    stamped, free = [], []
    for one, two in combinations(takes, 2):
        spans = [_span(one), _span(two)]
        if spans[0] is None or spans[1] is None:
            free.append((one, two))
        elif one.date == two.date and min(s[1] for s in spans if s) + SLACK_S > max(s[0] for s in spans if s):
            stamped.append((one, two))
    return stamped + (free if len(free) <= MOST_UNSTAMPED else [])


def offset_between(one: TrackEvidence, two: TrackEvidence) -> Offset | None:
    """Return how a track of another take lies to one, None where the two do not carry one sound."""
    steps = _step_offset(one, two)
    if steps is None:
        return None
    places = _places(one, two, steps * STEP_S)
    if len(places) < 3:
        return None
    at, late = np.array([p[0] for p in places]), np.array([p[1] for p in places])
    line = _line(at, late)
    near = np.abs(late - np.polyval(line, at)) * one.rate <= ON_LINE_SAMPLES
    if np.count_nonzero(near) < max(3, 0.6 * len(places)):
        return None
    slope, start = (
        np.polyfit(at[near], late[near], 1) if np.ptp(at[near]) > 0 else (0.0, float(late[near].mean()))
    )
    if abs(slope) * 1e6 < ONE_CLOCK_PPM:
        slope, start = 0.0, float(np.median(late[near]))
    matched = [_matched(one, two, float(t), start + slope * t, slope) for t in at[near]]
    kept = sorted((m for m in matched if m is not None), key=lambda m: m[0])
    if not kept:
        return None
    correlation, gain_db = kept[len(kept) // 2]
    if abs(correlation) < LEAST_CORRELATION:
        return None
    return Offset(float(start), float(slope * 1e6), correlation, gain_db)


def _span(take: Take) -> tuple[float, float] | None:
    stamp = next((file.time_reference for file in take.files if file.time_reference is not None), None)
    return None if stamp is None else (stamp / take.rate, stamp / take.rate + float(take.duration_s))


def _movements(heard: TrackEvidence) -> F64:
    """Return how the level, taken over 60 ms, moves within 40 ms, in dB, every 20 ms; nothing where it is silent."""
    power = heard.trace.fine_rms.astype(np.float64) ** 2
    pairs = power[: len(power) // 2 * 2].reshape(-1, 2).mean(axis=1)
    level = decibels(np.sqrt(np.convolve(pairs, np.ones(3) / 3, "same")))
    level = np.where(np.isfinite(level), level, np.nan)
    return np.clip(np.nan_to_num(level[2:] - level[:-2], nan=0.0), -12.0, 12.0)


def _step_offset(one: TrackEvidence, two: TrackEvidence) -> int | None:
    """Return by how many steps the movements of the other lie later, None where no offset stands out."""
    a, b = _movements(one), _movements(two)
    size = next_fast_len(len(a) + len(b), real=True)
    curve = irfft(np.conj(rfft(a, size)) * rfft(b, size), size)
    lags = np.arange(-len(a) + LEAST_COMMON_STEPS, len(b) - LEAST_COMMON_STEPS + 1)
    if not len(lags):
        return None
    first, last = np.maximum(-lags, 0), np.minimum(len(a), len(b) - lags)
    power_a, power_b = (np.concatenate(([0.0], np.cumsum(x**2))) for x in (a, b))
    own = power_a[last] - power_a[first]
    other = power_b[last + lags] - power_b[first + lags]
    score = curve[lags] / np.sqrt(np.maximum(own * other, 1e-12))
    sigmas = score * np.sqrt((last - first) / 3)
    best = int(np.argmax(sigmas))
    return int(lags[best]) if score[best] >= LEAST_SCORE and sigmas[best] >= LEAST_SIGMAS else None


def _places(one: TrackEvidence, two: TrackEvidence, late_s: float) -> list[tuple[float, float]]:
    """Return (moment of the one, how much later it is in the other) of loud stretches all over the time in common."""
    length_s = PLACE_S
    first_s = max(0.0, -late_s)
    last_s = min(one.length_s, two.length_s - late_s) - length_s
    if last_s <= first_s:
        return []
    edges = np.linspace(first_s, last_s, PLACES + 1)
    found = []
    for low_s, high_s in pairwise(edges):
        steps = one.trace.steps(float(low_s), float(high_s) + length_s / 2)
        power = one.trace.k_rms[steps]
        if not power.any():
            continue
        at_s = float(one.trace.edges[steps.start + int(np.argmax(power))] / one.rate) - length_s / 4
        at_s = min(max(at_s, first_s), last_s)
        a, b = _stretch(one, at_s, length_s, one.rate), _stretch(two, at_s + late_s, length_s, one.rate)
        apart = delay(a, b, one.rate, longest_s=REACH_S, band_hz=BAND_HZ)
        if apart is not None and apart.height >= LEAST_HEIGHT:
            found.append((at_s + length_s / 2, late_s + apart.delay_s))
    return found


def _stretch(heard: TrackEvidence, start_s: float, length_s: float, rate: int) -> F64:
    """Return a stretch at a rate, silence outside the track."""
    start, count = round(start_s * heard.rate), round(length_s * heard.rate)
    out = np.zeros(count)
    read = heard.samples(max(start, 0), start + count)
    at = max(-start, 0)
    out[at : at + len(read)] = read
    if heard.rate == rate:
        return out
    import soxr  # only where two rates meet

    return np.asarray(soxr.resample(out, heard.rate, rate)[: round(length_s * rate)])


def _line(at: F64, late: F64) -> F64:
    """Return (slope, start) of the line that half of the points cannot pull away (Theil 1950, Sen 1968)."""
    pairs = [
        (late[j] - late[i]) / (at[j] - at[i]) for i, j in combinations(range(len(at)), 2) if at[j] > at[i]
    ]
    slope = float(np.median(pairs)) if pairs else 0.0
    return np.array([slope, float(np.median(late - slope * at))])


def _matched(
    one: TrackEvidence, two: TrackEvidence, at_s: float, late_s: float, slope: float
) -> tuple[float, float] | None:
    """Return (correlation, gain in dB) at a moment, the other read where it says the same."""
    count = round(PLACE_S / 2 * one.rate)
    start = round(at_s * one.rate) - count // 2
    a = one.samples(start, start + count)
    middle_s = start / one.rate + late_s + slope * (start / one.rate - at_s)
    margin = REACH + 2
    b = _stretch(two, middle_s - margin / one.rate, PLACE_S / 2 + 2 * margin / one.rate, one.rate)
    # Where the stretch really begins: rounded to the other's samples.
    began = round((middle_s - margin / one.rate) * two.rate) / two.rate
    read = placed(b, (middle_s - began) * one.rate, 1 + slope, len(a))
    norm = float(np.sqrt((a @ a) * (read @ read)))
    return (float(a @ read) / norm, float(decibels(np.sqrt((read @ read) / (a @ a))))) if norm > 0 else None
