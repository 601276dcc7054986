"""Levels: AES17-2015, ideal quantisers, and ITU-T P.56."""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.signal import lfilter

from accuracy.check import Check, within
from accuracy.readings import F64, measured
from accuracy.signals import quantised, sine, steps, white_noise
from accuracy.tables import table
from takewell.engine.results import TrackMeasurement
from takewell.measure.bs468 import ccir_rms_dbfs
from takewell.measure.crest_factor import crest_factor_db
from takewell.measure.spectrum import power_density
from takewell.measure.speech_level import speech_level
from takewell.units import SINE_CREST_DB, rms_dbfs

RATE = 48_000
QUANTISERS = table("quantisation_ideal_values.csv")
SPEECH = table("p56_synthetic_vectors.csv")

NOISE_S = 60.0
SCATTER_DB = 0.012
"""Three standard deviations of the level of a minute of white noise at 48 kHz: 3 x 10 lg(1 + sqrt(2 / n))."""

WEIGHTED_DB = {"A-weighted": SCATTER_DB + 0.07, "CCIR-RMS": SCATTER_DB + 0.05}
"""For weighted noise, besides, a tenth of what the curve's document allows at its reference frequency: 0.7 dB (IEC 61672-1,
class 1, 1 kHz) and 0.5 dB (BS.468-4, 1 kHz)."""

P56_TOLERANCE_DB = 0.05
"""Agreement asked of an exact intersection; the software of ITU-T G.191 allows itself 0.5 dB."""


def rows() -> list[Check]:
    """Return the chapter's rows."""
    return [*_aes17_rows(), *_noise_rows(), *_floor_rows(), *_quantiser_rows(), *_speech_rows()]


def _track(channel: F64, rate: int = RATE) -> TrackMeasurement:
    return measured(channel[:, None], rate).tracks[0]


def _aes17_rows() -> list[Check]:
    chapter = "Levels: AES17"
    dbfs = "AES17-2015, 3.12"
    square = np.sign(sine(1000, 0, 5, RATE, 1.0))
    return [
        Check(chapter, "RMS of a full-scale sine", dbfs, 0.0, **within(plus_minus=0.01), unit="dBFS",
              ours=lambda: _track(sine(997, 0, 10, RATE)).rms_dbfs, decimals=4),
        Check(chapter, "RMS of a full-scale square wave", dbfs, 3.0103, **within(plus_minus=0.01), unit="dBFS",
              ours=lambda: _track(square).rms_dbfs, decimals=4),
        Check(chapter, "sample peak of the square wave", "1.0 = 0 dBFS", 0.0, **within(plus_minus=0.001), unit="dBFS",
              ours=lambda: _track(square).sample_peak_dbfs, decimals=4),
        Check(chapter, "DC of 0.25 under a tone", "arithmetic mean", 0.25, **within(plus_minus=1e-6), unit="FS",
              ours=lambda: _track(0.25 + sine(1000, -20, 5, RATE)).dc_offset_fs, decimals=7),
        Check(chapter, "crest factor of a sine", "peak over RMS, closed form", SINE_CREST_DB, **within(plus_minus=0.01), unit="dB",
              ours=lambda: float(crest_factor_db(sine(997, -20, 10, RATE)[:, None])[0]), decimals=4),
        Check(chapter, "-20 dBFS at 1 kHz, CCIR-RMS", "AES17-2015, 5.2.7; tolerance of the BS.468-4 curve", -25.63, **within(plus_minus=0.5), unit="dBFS",
              ours=lambda: float(ccir_rms_dbfs(sine(1000, -20, 5, RATE)[:, None], RATE)[0])),
        Check(chapter, "-20 dBFS at 2 kHz, CCIR-RMS", "AES17-2015, 5.2.7 (0 dB at 2 kHz); tolerance of the BS.468-4 curve", -20.0, **within(plus_minus=0.5),
              unit="dBFS", ours=lambda: float(ccir_rms_dbfs(sine(2000, -20, 5, RATE)[:, None], RATE)[0])),
    ]  # fmt: skip


@lru_cache(maxsize=1)
def _noise() -> F64:
    """A minute of white noise of 0 dBFS."""
    return white_noise(10 ** (-SINE_CREST_DB / 20), NOISE_S, RATE, seed=17)


def _a_weighted(channel: F64) -> float:
    """Return the A-weighted level over the whole channel, as the meter's trace has it."""
    trace = measured(channel[:, None], RATE).traces[0]
    lengths = np.diff(trace.edges)
    power = np.sum(trace.a_rms.astype(np.float64) ** 2 * lengths) / lengths.sum()
    return float(rms_dbfs(power))


def _in_band(channel: F64) -> float:
    return float(power_density(channel[:, None], RATE).level_dbfs(20, 20_000)[0])


def _noise_rows() -> list[Check]:
    source = "closed-form integral of the curve over 0 to 24 kHz"
    made = [
        ("A-weighted", -2.722, lambda: _a_weighted(_noise())),
        ("CCIR-RMS", 0.876, lambda: float(ccir_rms_dbfs(_noise()[:, None], RATE)[0])),
        ("20 Hz to 20 kHz", -0.796, lambda: _in_band(_noise())),
    ]
    return [
        Check(
            "White noise of 0 dBFS at 48 kHz", case, source, expected,
            **within(plus_minus=WEIGHTED_DB.get(case, SCATTER_DB)), unit="dBFS", ours=ours,
        )
        for case, expected, ours in made
    ]  # fmt: skip


FLOOR_DBFS = -60.0
FLOOR_TOLERANCE_DB = 0.2
"""Chosen: no standard defines the floor of a take."""


@lru_cache(maxsize=1)
def _talk_over_noise(talking: bool) -> TrackMeasurement:
    """White noise of -60 dBFS for a minute, alone or under a tone that is on for 2 of every 5 seconds."""
    noise = _noise() * 10 ** (FLOOR_DBFS / 20)
    return _track(noise + steps([(-20, 2), (None, 3)] * 12, RATE) if talking else noise)


def _floor_rows() -> list[Check]:
    source = "arithmetic; the definition and the tolerance are our own"

    def row(case: str, expected: float, talking: bool, field: str) -> Check:
        return Check(
            "Noise floor", case, source, expected, **within(plus_minus=FLOOR_TOLERANCE_DB), unit="dBFS",
            ours=lambda: getattr(_talk_over_noise(talking), field),
        )  # fmt: skip

    return [
        row("white noise of -60 dBFS", FLOOR_DBFS, False, "noise_floor_dbfs"),
        row("the same, A-weighted", FLOOR_DBFS - 2.722, False, "noise_floor_dbfs_a"),
        row("under a tone of -20 dBFS, 2 s of every 5", FLOOR_DBFS, True, "noise_floor_dbfs"),
        row("the same, A-weighted, under the tone", FLOOR_DBFS - 2.722, True, "noise_floor_dbfs_a"),
    ]


@lru_cache(maxsize=2)
def _dithered_silence(bits: int) -> F64:
    return quantised(np.zeros(round(NOISE_S * RATE)), bits, seed=bits)


def _quantiser_rows() -> list[Check]:
    def ours(bits: int, column: str) -> Callable[[], float | None]:
        reading: dict[str, Callable[[F64], float | None]] = {
            "TPDF_total_noise_dBFS": lambda silence: _track(silence).rms_dbfs,
            "TPDF_20Hz-20kHz_dBFS": _in_band,
            "TPDF_CCIR-RMS_dBFS": lambda silence: float(ccir_rms_dbfs(silence[:, None], RATE)[0]),
            "TPDF_A-weighted_dBFS": _a_weighted,
        }
        return lambda: reading[column](_dithered_silence(bits))

    names = {
        "TPDF_total_noise_dBFS": "0 to 24 kHz",
        "TPDF_20Hz-20kHz_dBFS": "20 Hz to 20 kHz",
        "TPDF_CCIR-RMS_dBFS": "CCIR-RMS",
        "TPDF_A-weighted_dBFS": "A-weighted",
    }
    return [
        Check(
            "Noise of an ideal converter with triangular dither", f"{row['bits']:g} bits, {name}",
            "q²/4 re a full-scale sine (AES17-2015, 3.12), closed form", row[column],
            **within(plus_minus=WEIGHTED_DB.get(name, SCATTER_DB)), unit="dBFS", ours=ours(int(row["bits"]), column),
        )
        for row in QUANTISERS
        if row["bits"] in (16, 20, 24)
        for column, name in names.items()
    ]  # fmt: skip


PATTERNS: dict[str, list[tuple[float | None, float]]] = {
    "steady_1k_-20dBFSpk_10s": [(-20, 10)],
    "burst_1s_on_1s_off_x10": [(-20, 1), (None, 1)] * 10,
    "burst_0.2s_on_0.1s_off_x50": [(-20, 0.2), (None, 0.1)] * 50,
    "burst_2s_on_8s_off_x3": [(-26, 2), (None, 8)] * 3,
    "two_level_-20_then_-50_5s_each": [(-20, 5), (-50, 5)],
    "silence_2s": [(None, 2)],
}


MOVED = "two_level_-20_then_-50_5s_each"
"""To the meter this is a gain setting that moved, and such a track has no one level; the method alone still gives it."""


@lru_cache(maxsize=2)
def _spoken(signal: str, rate: int) -> tuple[float | None, float | None]:
    """Return active level in dBFS and activity, by the meter."""
    channel = steps(PATTERNS[signal], rate)
    if signal == MOVED:
        return speech_level_the_slow_way(channel, rate)
    track = _track(channel, rate)
    return track.speech_level_dbfs, track.speech_activity


def speech_level_the_slow_way(channel: F64, rate: int) -> tuple[float | None, float | None]:
    """Return active level in dBFS and activity: ITU-T P.56, method B, over whole arrays."""
    lowest = -15
    keep = np.exp(-1 / (0.03 * rate))
    envelope = lfilter([1 - keep], [1, -keep], lfilter([1 - keep], [1, -keep], np.abs(channel)))
    hangover = int(0.2 * rate + 0.5)
    held = maximum_filter1d(envelope, hangover + 1, origin=hangover // 2, mode="constant")
    exponent = np.floor(np.log2(np.maximum(held, 1e-30))).astype(int)
    active = np.bincount(exponent[exponent >= lowest] - lowest, minlength=-lowest)
    found = speech_level(float(np.sum(channel**2)), len(channel), active, lowest)
    return (None, None) if found is None else (found.level_dbfs, found.activity)


def _speech_rows() -> list[Check]:
    def ours(signal: str, rate: int, part: int, scale: float) -> Callable[[], float | None]:
        def reading() -> float | None:
            value = _spoken(signal, rate)[part]
            return None if value is None else scale * value

        return reading

    made = []
    for row in SPEECH:
        signal, rate = row["signal"], int(row["fs"])
        chapter = f"Active speech level: ITU-T P.56 at {rate / 1000:g} kHz"
        name = signal.replace("_", " ") + (" (the method alone)" if signal == MOVED else "")
        silent = signal.startswith("silence")
        made.append(
            Check(
                chapter, f"{name}, level",
                "ITU-T P.56, method B, exact intersection (3.01 dB over the dBov of ITU-T G.191's sv56)",
                None if silent else row["exact_interp_active_level_dBov"] + SINE_CREST_DB,
                **within(plus_minus=P56_TOLERANCE_DB), unit="dBFS", ours=ours(signal, rate, 0, 1),
            )
        )  # fmt: skip
        if not silent:
            made.append(
                Check(
                    chapter, f"{name}, activity", "ITU-T P.56, method B, exact intersection; 0.05 dB of the level",
                    row["exact_interp_activity_pct"],
                    **within(plus_minus=row["exact_interp_activity_pct"] * (10 ** (P56_TOLERANCE_DB / 10) - 1)),
                    unit="%", ours=ours(signal, rate, 1, 100),
                )
            )  # fmt: skip
    return made
