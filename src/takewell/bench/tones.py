"""What do the steady tones tell: linearity, distortion against level and frequency, dynamic range, intermodulation?"""

import numpy as np
from numpy.typing import NDArray

from takewell.bench.figures import Curve, Figure, combined, noise_uncertainty_db, sine_uncertainty_db
from takewell.bench.programme import Section
from takewell.bench.recorded import Recorded
from takewell.bench.tone_reading import BAND_HZ, ToneReading, read_tone
from takewell.units import power_decibels

F64 = NDArray[np.float64]

FIT_DB = 0.02
"""What notch, window and cut add to a reading of noise and distortion (checked against closed forms)."""

LINE_REACH_HZ = 6.0
"""Half-width around a line that belongs to it, for the four-term window of intermodulation spectra."""

_TONES = "sine fit, notch Q 2.9, 20 Hz to 20 kHz"


def step_readings(recorded: Recorded, channel: int) -> list[tuple[Section, ToneReading, int]]:
    """Return every level step of a channel as (section, reading, samples)."""
    return [
        (section, read_tone(samples, recorded.rate, recorded.by_recorder(section.frequency_hz)), len(samples))
        for section, _times, samples in recorded.sections("step", channel)
    ]  # fmt: skip


def step_curves(
    steps: list[tuple[Section, ToneReading, int]], reference_gain_db: float, channel: int
) -> list[Curve]:
    """Return linearity and THD+N against level of a channel; levels are those in the file."""
    number = channel + 1
    level = tuple(section.level_dbfs + reference_gain_db for section, _, _ in steps)
    worst = max(sine_uncertainty_db(one.rest_dbfs, one.level_dbfs, count) for _, one, count in steps)
    return [
        Curve(
            "linearity", level,
            tuple(one.level_dbfs - section.level_dbfs - reference_gain_db for section, one, _ in steps),
            "dBFS", "dB", "sine fit at the known frequency", "AES17-2015, 6.3.3 (from memory)", number, uncertainty=worst,
        ),
        Curve(
            "thd_n_by_level", level, tuple(one.thd_n_db for _, one, _ in steps),
            "dBFS", "dB", _TONES, "AES17-2015, 6.3.1", number, uncertainty=0.1,
        ),
        Curve(
            "thd_by_level", level, tuple(one.thd_db for _, one, _ in steps),
            "dBFS", "dB", "harmonics 2 to 10 over the whole (THD_R)", "IEC 60268-3, 14.12.3 (from memory)", number, uncertainty=0.1,
        ),
    ]  # fmt: skip


def distortion_figures(
    recorded: Recorded, steps: list[tuple[Section, ToneReading, int]], channel: int
) -> tuple[list[Figure], list[Curve]]:
    """Return the cleanest THD+N, THD+N against frequency, and intermodulation."""
    number, rate = channel + 1, recorded.rate
    figures: list[Figure] = []
    best = min(steps, key=lambda step: step[1].thd_n_db)
    seconds = best[2] / rate
    figures.append(
        Figure(
            "thd_n", best[1].thd_n_db, "dB", _TONES, "AES17-2015, 6.3.1",
            combined(noise_uncertainty_db(BAND_HZ[1], seconds), FIT_DB), number,
            f"997 Hz at {best[1].level_dbfs:.1f} dBFS in the file, the cleanest step", "lower",
        )
    )  # fmt: skip
    figures.append(
        Figure(
            "thd", best[1].thd_db, "dB", "harmonics 2 to 10 over the whole (THD_R)", "IEC 60268-3, 14.12.3 (from memory)",
            0.2, number, figures[0].at, "lower",
        )
    )  # fmt: skip
    curves = []
    for level in (-1.0, -20.0):
        found = [
            (section.frequency_hz, read_tone(samples, rate, recorded.by_recorder(section.frequency_hz)).thd_n_db)
            for section, _times, samples in recorded.sections("spectrum", channel)
            if section.level_dbfs == level
        ]  # fmt: skip
        if found:
            x, y = zip(*found, strict=True)
            curves.append(
                Curve("thd_n_by_frequency", x, y, "Hz", "dB", _TONES, "AES17-2015, 6.3.2", number, f"{level:g} dBFS played", 0.1)
            )  # fmt: skip
    for name, clause in (
        ("two_tone", "AES17-2015, 6.3.5"),
        ("modulation", "AES17-2015, 6.3.6"),
        ("multitone", "no clause: our method"),
    ):
        for section, _times, samples in recorded.sections(name, channel):
            figures.append(
                Figure(
                    name, lines_rest_db(section, samples, rate, recorded.placed.stretch), "dB",
                    "everything beside the played lines over the lines, 20 Hz to 20 kHz", clause, 0.2, number,
                    f"{section.level_dbfs:g} dBFS played", "lower",
                )
            )  # fmt: skip
    return figures, curves


def lines_rest_db(section: Section, samples: F64, rate: int, stretch: float) -> float:
    """Return the power of everything beside a section's lines over that of the lines, 20 Hz to 20 kHz, in dB."""
    angle = 2 * np.pi * np.arange(len(samples)) / len(samples)
    terms = (
        0.35875,
        -0.48829,
        0.14128,
        -0.01168,
    )  # Harris, Proc. IEEE 66(1), 1978: minimum four-term, -92 dB
    window = sum(weight * np.cos(k * angle) for k, weight in enumerate(terms))
    power = np.abs(np.fft.rfft(samples * window)) ** 2
    frequency = np.arange(len(power)) * rate * stretch / len(samples)
    reach = max(LINE_REACH_HZ, 5 * rate / len(samples))
    line = np.zeros(len(power), bool)
    for wanted, _level in section.tones():
        line |= np.abs(frequency - wanted) <= reach
    band = (frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1] + reach)
    left = float(power[band & ~line].sum()) * band.sum() / max((band & ~line).sum(), 1)
    return float(power_decibels(left / power[band & line].sum()))


def dynamic_range(recorded: Recorded, channel: int, maximum_output_dbfs: float) -> Figure | None:
    """Return the dynamic range of a channel in dB CCIR-RMS (AES17-2015, 6.4.1)."""
    for _section, _times, samples in recorded.sections("dynamic_range", channel):
        one = read_tone(samples, recorded.rate, recorded.by_recorder(_section.frequency_hz))
        return Figure(
            "dynamic_range", maximum_output_dbfs - one.rest_ccir_dbfs, "dB CCIR-RMS",
            "what is left of a -60 dBFS tone after the notch, CCIR-RMS, under the highest undistorted level",
            "AES17-2015, 6.4.1 and 5.2.7",
            combined(noise_uncertainty_db(10_000, len(samples) / recorded.rate), 0.05), channel + 1,
            f"highest level {maximum_output_dbfs:.2f} dBFS in the file; tone at {one.level_dbfs:.1f} dBFS", "higher",
        )  # fmt: skip
    return None
