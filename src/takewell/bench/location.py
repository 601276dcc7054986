"""How loud is a place, in dB SPL, from a recording made there?

Calibration: a calibrator's tone recorded at the same gain (IEC 60942 calibrators give 94 or 114 dB at 1 kHz), or the sound
pressure level that reads 0 dBFS, as stated. Levels: IEC 61672-1 A and C; equivalent levels of one-second steps; L90 is the level
that 90 % of them exceed, which is what a plan calls the room's noise.
"""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import sosfilt

from takewell.errors import FileError, SettingError
from takewell.measure.spectrum import SpectrumMeter, third_octaves
from takewell.measure.steady_tone import steady_tone
from takewell.measure.weighting import weighting_sos
from takewell.units import decibels, rms_dbfs
from takewell.wave import open_audio

F64 = NDArray[np.float64]

PUREST_DB = -20.0
"""A calibrator's tone with more than this beside it is none (loosely fitted, or not switched on)."""

CALIBRATOR_HZ = (230.0, 1100.0)
"""Calibrators give 250 Hz or 1 kHz."""

CALIBRATOR_UNCERTAINTY_DB = 0.4
"""Class 1 calibrator at the bench (IEC 60942, from memory: 0.25 dB) and its fit on the microphone."""


@dataclass(frozen=True)
class Location:
    """One channel's levels of a place in dB SPL; a peak is that of the plain pressure."""

    channel: int
    spl_at_0_dbfs: float
    leq_db_a: float | None
    leq_db_c: float | None
    leq_db: float | None
    l10_db_a: float | None
    l50_db_a: float | None
    l90_db_a: float | None
    peak_db: float | None
    third_octaves: tuple[tuple[float, float], ...]
    """(mid-band frequency Hz, dB SPL)."""
    duration_s: float
    uncertainty_db: float | None


def spl_at_full_scale(calibration: Path, calibrator_db_spl: float, *, channel: int = 1) -> float:
    """Return the dB SPL of a sine that reads 0 dBFS, from a recorded calibrator.

    Parameters
    ----------
    calibration : Path
        The tone, two seconds of it at least; the middle is used.
    calibrator_db_spl : float
        What the calibrator gives (94 or 114).
    channel : int
        From 1.

    Raises
    ------
    FileError
        If there is no clean tone in it.
    """
    with open_audio(calibration) as audio:
        info = audio.info
        if not 1 <= channel <= info.channels:
            raise SettingError(
                f"{calibration} has {info.channels} channels; channel {channel} was asked for."
            )
        start = max(0, info.length_samples // 2 - info.rate)
        samples = audio.read(start, 2 * info.rate)[:, channel - 1].astype(np.float64)
    if len(samples) < info.rate or not np.isfinite(samples).all():
        raise FileError(
            f"{calibration} is too short or damaged for a calibrator's tone; two seconds are needed."
        )
    tone = steady_tone(samples, info.rate)
    if (
        tone is None
        or tone.residual_db > PUREST_DB
        or not CALIBRATOR_HZ[0] <= tone.frequency_hz <= CALIBRATOR_HZ[1]
    ):
        raise FileError(
            f"{calibration} holds no clean calibrator's tone (250 Hz or 1 kHz) in its middle; record it again, the calibrator "
            "well seated."
        )
    return calibrator_db_spl - tone.level_dbfs


def measure_location(
    path: Path, spl_at_0_dbfs: float, *, uncertainty_db: float | None = None
) -> tuple[Location, ...]:
    """Return a place's levels, one entry a channel.

    Raises
    ------
    FileError
        If the recording cannot be read, is shorter than two seconds, or holds no numbers.
    SettingError
        If the calibration is out of reach.
    """
    if not 40 <= spl_at_0_dbfs <= 200:
        raise SettingError(f"{spl_at_0_dbfs:g} dB SPL for 0 dBFS is out of reach; 40 to 200 is taken.")
    with open_audio(path) as audio:
        info = audio.info
        if info.length_samples < 2 * info.rate:
            raise FileError(f"{path} is shorter than two seconds; record the place for a minute or more.")
        filters = {kind: weighting_sos(kind, info.rate) for kind in ("A", "C")}
        states = {kind: np.zeros((len(sos), 2, info.channels)) for kind, sos in filters.items()}
        powers: dict[str, list[F64]] = {"A": [], "C": [], "Z": []}
        peak = np.zeros(info.channels)
        spectrum = SpectrumMeter(info.rate, info.channels)
        for block in audio.blocks(info.rate):
            samples = block.astype(np.float64)
            if not np.isfinite(samples).all():
                raise FileError(f"{path} holds samples that are no numbers; choose another recording.")
            peak = np.maximum(peak, np.abs(samples).max(axis=0))
            spectrum.add(samples)
            for kind, sos in filters.items():
                weighted, states[kind] = sosfilt(sos, samples, axis=0, zi=states[kind])
                powers[kind].append(np.mean(weighted**2, axis=0))
            powers["Z"].append(np.mean(samples**2, axis=0))
    # The last step is a whole second or is left out; the first holds the filters' start.
    steps = {kind: np.array(values[: info.length_samples // info.rate]) for kind, values in powers.items()}
    octaves = third_octaves(spectrum.result())
    return tuple(
        _location(channel, steps, peak, octaves.middle_hz, octaves.level_dbfs, spl_at_0_dbfs, uncertainty_db, info.length_samples / info.rate)
        for channel in range(info.channels)
    )  # fmt: skip


def _location(
    channel: int,
    steps: dict[str, F64],
    peak: F64,
    middle_hz: F64,
    octave_dbfs: F64,
    spl_at_0_dbfs: float,
    uncertainty_db: float | None,
    duration_s: float,
) -> Location:
    def level(power: float) -> float | None:
        return float(rms_dbfs(power)) + spl_at_0_dbfs if power > 0 else None

    a = steps["A"][:, channel]

    def exceeded(share: float) -> float | None:
        return level(float(np.quantile(a, 1 - share)))

    highest = float(decibels(peak[channel]))
    return Location(
        channel + 1,
        spl_at_0_dbfs,
        level(float(a.mean())),
        level(float(steps["C"][:, channel].mean())),
        level(float(steps["Z"][:, channel].mean())),
        exceeded(0.1),
        exceeded(0.5),
        exceeded(0.9),
        # A sine of 0 dBFS has the crest 1.0 and the pressure's peak lies 3.01 dB over its level.
        highest + spl_at_0_dbfs + 10 * math.log10(2) if math.isfinite(highest) else None,
        tuple(
            (float(f), float(v) + spl_at_0_dbfs)
            for f, v in zip(middle_hz, octave_dbfs[:, channel], strict=True)
            if math.isfinite(v)
        ),
        duration_s,
        uncertainty_db,
    )
