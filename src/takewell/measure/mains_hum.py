"""Is there mains hum, at which frequency, and how strong is each harmonic?

Mains is 50 or 60 Hz, and a generator on location may run some hertz beside. The frequency is taken from the
data: the one of which most of the steady lines (:mod:`takewell.measure.steady_lines`) are multiples, then
refined over all its lines. A steady line at a multiple n tells the mains frequency n times as sharply as the
fundamental does, so a minute gives it to a few thousandths of a hertz.

A hum needs its fundamental or its second harmonic (rectifiers hum at twice the mains), and another harmonic or 15 dB over the noise beside it.
Levels are AES17 dBFS, unweighted. Work on mains is for licensed electricians.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.measure.steady_lines import Line, lines_in, median_spectrum
from takewell.units import amplitude, power_decibels

NOMINAL_HZ = (50.0, 60.0)
SPREAD_HZ = 3.0
"""How far from nominal a generator is looked for."""

HIGHEST_HARMONIC = 24
SEGMENT_S = 8.0
SOLITARY_DB = 15.0
"""Height over the noise from which a single line at the fundamental or twice it is hum (chosen)."""

TOLERANCE_BINS = 0.75
WANDER = 2e-4
"""Share of its frequency by which a line may miss its multiple: mains wanders by 0.01 Hz within a minute."""


@dataclass(frozen=True)
class Harmonic:
    """One multiple of the mains frequency that stands out of the noise."""

    order: int
    frequency_hz: float
    level_dbfs: float
    above_noise_db: float


@dataclass(frozen=True)
class Hum:
    """Mains hum: its frequency, the nominal one, the level of all harmonics together, and each."""

    frequency_hz: float
    nominal_hz: float
    level_dbfs: float
    harmonics: tuple[Harmonic, ...]


def hum(samples: NDArray[np.floating], rate: int) -> Hum | None:
    """Return the mains hum of one channel, or None where there is none.

    Parameters
    ----------
    samples : (n,) float array
        Linear, at least a second. From four seconds on, 50 and 60 Hz are safely apart; within a minute the frequency
        is right to 0.05 Hz. Speech over it does no harm while it pauses. Not changed.
    rate : int
        Sampling rate in Hz.

    Raises
    ------
    SignalError
        If the samples are no sound or shorter than one second.
    """
    top_hz = (max(NOMINAL_HZ) + SPREAD_HZ) * HIGHEST_HARMONIC
    spectrum = median_spectrum(samples, rate, SEGMENT_S, highest_hz=top_hz)
    lines = list(lines_in(spectrum))
    slack_hz = TOLERANCE_BINS * spectrum.bin_hz
    best: tuple[float, dict[int, Line], float] | None = None
    for candidate in _candidates(lines):
        found = _multiples(lines, candidate, slack_hz)
        weight = sum(min(line.above_noise_db, 30.0) / order**0.5 for order, line in found.items())
        if _is_hum(found) and (best is None or weight > best[0]):
            best = weight, found, candidate
    if best is None:
        return None
    frequency = _refined(best[1])
    found = _multiples(lines, frequency, slack_hz)
    if not _is_hum(found):
        found = best[1]
    harmonics = tuple(
        Harmonic(order, line.frequency_hz, line.level_dbfs, line.above_noise_db)
        for order, line in sorted(found.items())
    )
    total = sum(float(amplitude(harmonic.level_dbfs)) ** 2 for harmonic in harmonics)
    return Hum(
        frequency_hz=frequency,
        nominal_hz=min(NOMINAL_HZ, key=lambda nominal: abs(nominal - frequency)),
        level_dbfs=float(power_decibels(total)),
        harmonics=harmonics,
    )


def _candidates(lines: list[Line]) -> list[float]:
    """Return the mains frequencies of which a line may be a multiple."""
    return [
        line.frequency_hz / order
        for line in lines
        for order in range(1, HIGHEST_HARMONIC + 1)
        if any(abs(line.frequency_hz / order - nominal) <= SPREAD_HZ for nominal in NOMINAL_HZ)
    ]


def _multiples(lines: list[Line], mains_hz: float, slack_hz: float) -> dict[int, Line]:
    """Return the lines that are multiples of a frequency, the strongest of each order."""
    found: dict[int, Line] = {}
    for line in lines:
        order = round(line.frequency_hz / mains_hz)
        off_hz = abs(line.frequency_hz - order * mains_hz)
        fits = 1 <= order <= HIGHEST_HARMONIC and off_hz <= slack_hz + WANDER * line.frequency_hz
        if fits and (order not in found or line.level_dbfs > found[order].level_dbfs):
            found[order] = line
    return found


def _is_hum(found: dict[int, Line]) -> bool:
    low = [found[order] for order in (1, 2) if order in found]
    return bool(low) and (len(found) > 1 or low[0].above_noise_db >= SOLITARY_DB)


def _refined(found: dict[int, Line]) -> float:
    """Return the mains frequency that fits all lines best, each trusted as its height over the noise."""
    order = np.array(list(found))
    line_hz = np.array([line.frequency_hz for line in found.values()])
    trust = amplitude([min(line.above_noise_db, 40.0) for line in found.values()]) ** 2
    return float(np.sum(trust * order * line_hz) / np.sum(trust * order**2))
