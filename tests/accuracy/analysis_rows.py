"""Spectra, delays, hum, and the loudness fields of a broadcast extension."""

from collections.abc import Callable

import numpy as np

from accuracy.check import Check, within
from accuracy.octave_limits import PASS_BAND, STOP_BAND, G, class_1_limits
from accuracy.signals import sine, white_noise
from takewell.measure.correlation import delay
from takewell.measure.mains_hum import Hum, hum
from takewell.measure.spectrum import BAND_EDGE, band_response, power_density, third_octaves
from takewell.wave.bext import UNUSED_LOUDNESS, loudness_field

RATE = 48_000
HUM = {1: -70.0, 2: -66.0, 3: -72.0, 5: -78.0}
MAINS_HZ = 49.973


def rows() -> list[Check]:
    """Return the chapter's rows."""
    return [*_density_rows(), *_octave_rows(), *_delay_rows(), *_hum_rows(), *_bext_rows()]


def _density_rows() -> list[Check]:
    chapter, source = "Power density", "Welch 1967, closed form"

    def noise() -> float:
        density = power_density(white_noise(1.0, 60, RATE, seed=5)[:, None], RATE)
        return float(density.density[20:-20].mean())

    def power() -> float:
        density = power_density(white_noise(1.0, 60, RATE, seed=5)[:, None], RATE)
        return float(density.density.sum() * density.bin_hz)

    def tone() -> float:
        return float(power_density(sine(1000, 0, 10, RATE)[:, None], RATE, segment_s=0.1).density[100, 0])

    # 60 s in 2 s segments, half overlapped: 59 segments x 48,000 bins; the mean density scatters by 0.1 %.
    return [
        Check(chapter, "white noise of unit power, mean density", source, 1 / 24_000, **within(plus_minus=0.01 / 24_000),
              unit="1/Hz", ours=noise, decimals=8),
        Check(chapter, "the same, summed over frequency", source, 1.0, **within(plus_minus=0.01), unit="", ours=power, decimals=4),
        Check(chapter, "sine of amplitude 1 at its bin, Hann, 10 Hz bins", "A²/2 over 1.5 bins, closed form", 1 / 30,
              **within(plus_minus=1e-5), unit="1/Hz", ours=tone, decimals=6),
    ]  # fmt: skip


def _octave_rows() -> list[Check]:
    """The limits at every breakpoint of the table; both sides of a band are alike in the logarithm of frequency."""
    chapter, source = "Third octaves: class 1", "IEC 61260-1:2014, Table 1 and formula 9"
    shrink = (G ** (1 / 6) - 1) / (G**0.5 - 1)

    def attenuation(exponent: float, side: int, nudge: float = 1.0) -> Callable[[], float]:
        ratio = (1 + shrink * (G**exponent - 1)) * nudge
        return lambda: float(-10 * np.log10(band_response(np.array([ratio**side * 1000]), 1000.0)[0]))

    made = []
    for side, word in ((1, "above"), (-1, "below")):
        for exponent, most in PASS_BAND:
            inside = 1 - 1e-9 if exponent == 1 / 2 else 1.0
            made.append(
                Check(
                    chapter, f"octave breakpoint {exponent:g} {word}", source, 0.0, 0.4, most, "dB",
                    attenuation(exponent, side, inside),
                )
            )  # fmt: skip
        made += [
            Check(chapter, f"octave breakpoint {exponent:g} {word}, at least", source, least, 0.0, np.inf, "dB",
                  attenuation(exponent, side))
            for exponent, least in STOP_BAND
        ]  # fmt: skip

    def effective() -> float:
        ratio = np.geomspace(1e-2, 1e2, 200_001)
        return float(
            10 * np.log10(np.trapezoid(band_response(ratio, 1.0), np.log(ratio)) / (2 * np.log(BAND_EDGE)))
        )

    def least_margin() -> float:
        ratio = np.geomspace(1e-3, 1e3, 20_001)
        found = -10 * np.log10(band_response(ratio, 1.0))
        least, most = class_1_limits(ratio, 3)
        return float(min((found - least).min(), (most - found).min()))

    def in_band() -> float:
        return float(third_octaves(power_density(sine(1000, -20, 30, RATE)[:, None], RATE)).level_dbfs[17, 0])

    made += [
        Check(chapter, "distance to the nearest limit over six decades", source + ", formulas 10 and 11", 0.0, 0.0, np.inf, "dB", least_margin),
        Check(chapter, "effective bandwidth against the nominal", "IEC 61260-1:2014, 5.12", 0.0, **within(plus_minus=0.4), unit="dB", ours=effective),
        Check(chapter, "-20 dBFS tone at the middle of its band", "AES17-2015, 3.12; band reference 0 dB", -20.0, **within(plus_minus=0.4),
              unit="dBFS", ours=in_band),
    ]  # fmt: skip
    return made


def _delay_rows() -> list[Check]:
    noise = white_noise(0.1, 1.1, RATE, seed=1)

    def found(field: str) -> Callable[[], float]:
        def ours() -> float:
            result = delay(noise[137 : 137 + RATE], noise[:RATE], RATE)
            assert result is not None
            return {
                "delay": result.delay_s * RATE,
                "height": result.height,
                "polarity": float(result.polarity),
            }[field]

        return ours

    chapter, source = "Delay between channels", "Knapp and Carter 1976, phase transform, computed example"
    return [
        Check(chapter, "noise 137 samples late", source, 137.0, **within(plus_minus=0.1), unit="samples", ours=found("delay"), decimals=3),
        Check(chapter, "height of its peak", source, 0.995, **within(plus_minus=0.01), unit="", ours=found("height"), decimals=4),
        Check(chapter, "its polarity", source, 1.0, 0.0, 0.0, "", found("polarity"), decimals=0),
    ]  # fmt: skip


def _hum() -> Hum:
    random = np.random.default_rng(50)
    tones = [sine(order * MAINS_HZ, level, 60, RATE, random.uniform(0, 360)) for order, level in HUM.items()]
    result = hum(np.sum(tones, axis=0) + white_noise(1e-3, 60, RATE, seed=50), RATE)
    assert result is not None
    return result


def _hum_rows() -> list[Check]:
    chapter = "Mains hum, a minute under noise of -57 dBFS"
    made = [
        Check(chapter, "frequency", "arithmetic; tolerance asked of the method", MAINS_HZ, **within(plus_minus=0.05), unit="Hz",
              ours=lambda: _hum().frequency_hz, decimals=3)
    ]  # fmt: skip

    def level(order: int) -> Callable[[], float]:
        return lambda: next(h.level_dbfs for h in _hum().harmonics if h.order == order)

    made += [
        Check(chapter, f"harmonic {order}", "arithmetic; tolerance chosen", wanted, **within(plus_minus=0.5), unit="dBFS", ours=level(order))
        for order, wanted in HUM.items()
    ]  # fmt: skip
    return made


def _bext_rows() -> list[Check]:
    examples = [(-22.644, 0xF728), (-22.645, 0xF727), (-22.646, 0xF727), (12.764, 0x04FC), (12.765, 0x04FD), (12.766, 0x04FD)]  # fmt: skip

    def ours(value: float | None) -> Callable[[], float]:
        return lambda: float(loudness_field(value) & 0xFFFF)

    chapter, source = "Loudness fields of a broadcast extension", "EBU Tech 3285 v2, 2.4"
    made = [
        Check(chapter, f"{value} is stored as {wanted:04X}h", source, float(wanted), 0.0, 0.0, "", ours(value), decimals=0)
        for value, wanted in examples
    ]  # fmt: skip
    made.append(
        Check(
            chapter,
            "none is stored as 7FFFh",
            source,
            float(UNUSED_LOUDNESS),
            0.0,
            0.0,
            "",
            ours(None),
            decimals=0,
        )
    )
    return made
