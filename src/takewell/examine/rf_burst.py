"""Where does a phone's transmitter buzz in a track?

A phone of the second generation sends in one of eight slots of a frame, 26 frames in 120 ms (3GPP TS 45.002, clause 4.3.2):
216.68 times a second its transmitter is on for 0.58 ms, and whatever rectifies it in a cable or a preamplifier buzzes at just
that rate, with lines up to several kilohertz. Nothing else has a crystal's pitch there: a voice that sings 216.68 Hz
wanders by far more than the width of a line, above all in its higher lines.

The traces point: a buzz holds its level, so between words the track falls to it again and again; stretches are looked at whose
lowest moments are alike and lie above the quiet moments of the section. Later systems send in other patterns and are not looked for.
"""

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from takewell.examine.evidence import TrackEvidence
from takewell.examine.quiet import quiet_dbfs, sections
from takewell.examine.spans import Runs, clusters, merged, places, runs
from takewell.examine.wording import count, duration, level, when
from takewell.roll.values import Finding, Severity
from takewell.units import SINE_CREST_DB, decibels, power_decibels

KIND = "rf_burst"

FRAMES_PER_S = 26 / 0.12
"""216.67 frames a second (3GPP TS 45.002: 26 frames last 120 ms)."""

WINDOW_STEPS = 48
"""10 ms steps of a look: 104 frames, so that the lines lie on bins of 2.08 Hz and 26-frame patterns 8.3 Hz beside."""

HOP_STEPS = 24
"""10 ms steps from one look to the next."""

OVER_QUIET_DB = 4.0
"""Least level of a stretch over the quiet moments of its section."""

SMOOTHED_STEPS = 3
"""10 ms steps whose power is averaged: two or three bursts fall in one, 1.8 dB apart, and every 26th is left out."""

PARTS = 2
"""Parts of a look whose lowest moments are compared."""

ALIKE_DB = 2.0
"""Most that the lowest moments of the parts differ."""

LOW_RATE = 10_400
"""Rate that a look is brought down to: 4992 samples of 0.48 s, 48 a frame."""

ORDERS = 20
"""Lines looked at, up to 4.3 kHz."""

HIGH_ORDER = 9

BESIDE_BINS = (3, 26)
"""Bins on either side that a line has to stand out of: from beside its own width to a quarter of the way to the next. A pitch
that wavers spreads there."""

LINE_DB, SPREAD_DB = 9.0, 6.0
"""How far a line stands over the median of those, and over the level that a quarter of them pass."""

LEAST_LINES, LEAST_HIGH_LINES = 13, 7
"""Lines asked for, and those from `HIGH_ORDER` on. In noise a bin lies 9 dB over the median with a probability of
exp(−7.9 ln 2) = 0.4 %, and three bins are looked at: thirteen of twenty never do. A voice that happens on the pitch has
fewer, and does not hold it to a tenth of a hertz, as these lines ask, from one look to the next: two looks `HOP_STEPS` apart
have to show them."""

MINOR_S = 1.0


def find_rf_burst(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each cluster of stretches with a phone's buzz."""
    spans = merged(_buzzing(heard), round(0.3 * heard.rate))
    return [_told(heard, spans[part]) for part in clusters(spans, heard.rate)]


def _buzzing(heard: TrackEvidence) -> Runs:
    found: list[tuple[int, int]] = []
    edges = heard.trace.fine_edges
    for first, last in runs(_steady(heard)).tolist():
        for step in range(first, last, WINDOW_STEPS):
            if not _looks_so(heard, step):
                continue
            for other in (step + HOP_STEPS, step - HOP_STEPS):
                if 0 <= other < len(edges) - WINDOW_STEPS and _looks_so(heard, other):
                    start = int(edges[min(step, other)])
                    found.append((start, int(edges[max(step, other) + WINDOW_STEPS])))
                    break
    return np.array(found, np.int64).reshape(-1, 2)


def _looks_so(heard: TrackEvidence, step: int) -> bool:
    edges = heard.trace.fine_edges
    if step + WINDOW_STEPS >= len(edges):
        return False
    return _is_buzz(heard.samples(int(edges[step]), int(edges[step + WINDOW_STEPS])), heard.rate)


def _steady(heard: TrackEvidence) -> NDArray[np.bool_]:
    """Return from which 10 ms steps on the level holds for the length of a look."""
    power = heard.trace.fine_rms.astype(np.float64) ** 2
    starts = len(power) - WINDOW_STEPS - SMOOTHED_STEPS + 2
    marked = np.zeros(len(power), bool)
    if starts <= 0:
        return marked
    floor = np.full(len(power), np.inf)
    middles = heard.trace.fine_edges[:-1] / heard.rate
    for start_s, end_s, _, _ in sections(heard, 1.0):
        floor[(middles >= start_s) & (middles < end_s)] = quiet_dbfs(heard, start_s, end_s) - SINE_CREST_DB
    smooth = np.convolve(power, np.full(SMOOTHED_STEPS, 1 / SMOOTHED_STEPS), mode="valid")
    width = WINDOW_STEPS // PARTS
    # Digital silence has no level; it holds none either.
    lowest = power_decibels(np.maximum(-maximum_filter1d(-smooth, width, origin=-(width // 2)), 1e-40))
    at = np.arange(0, starts, HOP_STEPS)
    parts = np.stack([lowest[at + k * width] for k in range(PARTS)])
    holds = (np.ptp(parts, axis=0) <= ALIKE_DB) & (parts.min(axis=0) >= floor[at] + OVER_QUIET_DB)
    marked[at[holds]] = True
    return marked


def _is_buzz(samples: NDArray[np.float64], rate: int) -> bool:
    """Return whether 0.48 s hold lines at the multiples of the frame rate."""
    low = soxr.resample(samples, rate, LOW_RATE, quality="MQ")
    power = np.abs(np.fft.rfft((low - low.mean()) * np.hanning(len(low) + 1)[:-1])) ** 2
    per_bin = LOW_RATE / len(low)
    apart = FRAMES_PER_S / per_bin
    if (ORDERS + 1) * apart >= len(power):
        return False
    at = np.round(np.arange(1, ORDERS + 1) * apart).astype(np.int64)
    near, far = BESIDE_BINS
    away = np.concatenate((np.arange(-far, -near), np.arange(near + 1, far + 1)))
    around = np.sort(power[at[:, None] + away], axis=1)
    middle, upper = around[:, len(away) // 2], around[:, 3 * len(away) // 4]
    least = np.maximum(middle * 10 ** (LINE_DB / 10), upper * 10 ** (SPREAD_DB / 10))
    stands = power[at[:, None] + np.arange(-1, 2)].max(axis=1) > least
    return bool(stands.sum() >= LEAST_LINES and stands[HIGH_ORDER - 1 :].sum() >= LEAST_HIGH_LINES)


def _told(heard: TrackEvidence, spans: Runs) -> Finding:
    start_s, end_s = float(spans[0, 0] / heard.rate), float(spans[-1, 1] / heard.rate)
    total_s = float((spans[:, 1] - spans[:, 0]).sum() / heard.rate)
    edges = heard.trace.fine_edges[:-1]
    inside = (edges >= spans[0, 0]) & (edges < spans[0, 1])
    level_dbfs = float(decibels(np.median(heard.trace.fine_rms[inside]))) + SINE_CREST_DB
    severity: Severity = "major" if total_s >= MINOR_S else "minor"
    where = when(start_s, end_s)
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.95,
        severity=severity,
        sentence=f"a phone buzzes for {duration(total_s)} {where}, {level(level_dbfs)} dBFS"
        if len(spans) == 1
        else f"a phone buzzes, {count(len(spans), 'time')} {where}, {level(level_dbfs)} dBFS",
        remedy="Take these places from another microphone; on set, switch phones off rather than mute.",
        frame_rate_hz=FRAMES_PER_S,
        level_dbfs=level_dbfs,
        events=len(spans),
        buzzing_s=total_s,
        places_s=places(spans, heard.rate),
    )
