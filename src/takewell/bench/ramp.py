"""What does a slowly rising tone tell: the gain at every level, the noise beside it, where it breaks?

Method: blocks of 50 ms, in each a least-squares fit of the tone with an amplitude that may run as a parabola (the ramp's own
0.2 dB a block would otherwise count as distortion), once alone and once with harmonics 2 to 9, whose rest is
the noise. The frequency is that of the programme by the recorder's clock.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.bench.programme import Section
from takewell.units import power_decibels, rms_dbfs

F64 = NDArray[np.float64]

BLOCK_S = 0.05
MOST_THD_N_DB = -40.0
MOST_COMPRESSION_DB = 0.3
"""AES17-2015, 6.2.1: the maximum input level is where either is reached."""

LIMITER_BEND_DB = 1.0
"""A limiter takes away this much at least ..."""
LIMITER_THD_N_DB = -26.0
"""... and keeps the wave whole (5 %) while it does, which no clipping does."""

STEP_SPAN_DB = 4.0
STEP_GAP_DB = 0.5
LEAST_NOISE_STEP_DB = 1.0
LEAST_GAIN_STEP_DB = 0.03


@dataclass(frozen=True)
class Ramp:
    """Blocks of a ramp in the order of level: programme level, gain (file over programme), THD+N, noise; all in dB."""

    level_dbfs: F64
    gain_db: F64
    thd_n_db: F64
    noise_dbfs: F64
    peak: F64
    """Largest sample of each block, linear."""


@dataclass(frozen=True)
class Handover:
    """Where a recorder passes from one converter to the other, on the way up."""

    level_dbfs: float
    """Programme level."""
    noise_step_db: float
    gain_step_db: float
    noise_below_dbfs: float
    noise_above_dbfs: float


@dataclass(frozen=True)
class Limit:
    """A limiter's static curve."""

    threshold_dbfs: float
    """Programme level."""
    ratio: float


def read_ramp(section: Section, times: F64, samples: F64, rate: int, frequency_hz: float) -> Ramp:
    """Read one channel of a ramp section.

    Parameters
    ----------
    section : Section
        The ramp.
    times, samples : (n,) float64 arrays
        Seconds since the section's start, and the channel.
    rate : int
    frequency_hz : float
        Of the tone, by the recorder's clock.
    """
    size = round(BLOCK_S * rate)
    count = len(samples) // size
    blocks = samples[: count * size].reshape(count, size)
    middle_s = times[: count * size].reshape(count, size).mean(axis=1)
    at = (np.arange(size) - (size - 1) / 2) / rate
    run = at / at[-1]

    def turned(k: int) -> list[F64]:
        return [np.cos(2 * np.pi * k * frequency_hz * at), np.sin(2 * np.pi * k * frequency_hz * at)]

    alone = np.stack([run**p * wave for p in range(3) for wave in turned(1)] + [np.ones(size)])
    harmonics = [wave for k in range(2, 10) if k * frequency_hz < 0.45 * rate for wave in turned(k)]
    full = np.concatenate([alone, np.stack(harmonics)])
    weights, rest = _fitted(blocks, alone)
    noise = _fitted(blocks, full)[1]
    tone = (weights[:, 0] ** 2 + weights[:, 1] ** 2) / 2
    programme = (
        section.level_dbfs + (section.to_level_dbfs - section.level_dbfs) * middle_s / section.length_s
    )
    order = np.argsort(programme, kind="stable")
    return Ramp(
        programme[order],
        (rms_dbfs(tone) - programme)[order],
        power_decibels(rest / np.maximum(tone + rest, 1e-300))[order],
        rms_dbfs(noise)[order],
        np.abs(blocks).max(axis=1)[order],
    )


def _fitted(blocks: F64, basis: F64) -> tuple[F64, F64]:
    """Return the weights and the mean square of the rest, freed of what the fit itself took."""
    weights = blocks @ np.linalg.pinv(basis)
    rest = blocks - weights @ basis
    return weights, np.sum(rest**2, axis=1) / (basis.shape[1] - basis.shape[0])


def reference_gain_db(ramp: Ramp) -> float:
    """Return the gain where the recorder is linear: the median over 10 dB around the cleanest block.

    Where the maximum is near, the 10 dB below it.
    """
    clean = int(np.argmin(_smooth(ramp.thd_n_db)))
    top = ramp.level_dbfs[clean]
    near = (ramp.level_dbfs <= top) & (ramp.level_dbfs > top - 10)
    return float(np.median(ramp.gain_db[near]))


def maximum_level_dbfs(ramp: Ramp) -> float | None:
    """Return the programme level at which THD+N reaches -40 dB or the gain has fallen 0.3 dB; None: neither is.

    Notes
    -----
    AES17-2015, 6.2.1. Read between blocks on straight lines in dB.
    """
    start = int(np.argmin(_smooth(ramp.thd_n_db)))
    lost = reference_gain_db(ramp) - ramp.gain_db
    found = [
        _crossing(ramp.level_dbfs[start:], values[start:], limit)
        for values, limit in ((ramp.thd_n_db, MOST_THD_N_DB), (lost, MOST_COMPRESSION_DB))
    ]
    reached = [level for level in found if level is not None]
    return min(reached) if reached else None


def _crossing(level: F64, values: F64, limit: float) -> float | None:
    over = (
        np.flatnonzero((values[:-1] >= limit) & (values[1:] >= limit))
        if len(values) > 1
        else np.zeros(0, int)
    )
    if not len(over):
        return None
    k = int(over[0])
    if k == 0:
        return float(level[0])
    share = (limit - values[k - 1]) / (values[k] - values[k - 1])
    return float(level[k - 1] + np.clip(share, 0, 1) * (level[k] - level[k - 1]))


def limiter(ramp: Ramp) -> Limit | None:
    """Return threshold and ratio where the gain bends while the wave stays whole, or None.

    Notes
    -----
    A straight line through output against input where 1 dB and more is taken away; the threshold is where it
    meets the line of the linear part.
    """
    lost = reference_gain_db(ramp) - ramp.gain_db
    start = int(np.argmin(_smooth(ramp.thd_n_db)))
    whole = ramp.thd_n_db < LIMITER_THD_N_DB
    broken = np.flatnonzero(~whole[start:])
    stop = start + int(broken[0]) if len(broken) else len(lost)
    bent = np.flatnonzero(lost[:stop] >= LIMITER_BEND_DB)
    bent = bent[bent >= start // 2]
    if len(bent) < 10:
        return None
    slope, zero = np.polyfit(ramp.level_dbfs[bent], ramp.level_dbfs[bent] - lost[bent], 1)
    if slope > 0.9:
        return None
    return Limit(float(zero / (1 - slope)), float(1 / max(slope, 1e-3)))


def handover(ramp: Ramp, highest_dbfs: float) -> Handover | None:
    """Return where noise or gain jump on the way up, below `highest_dbfs` (programme), or None.

    Notes
    -----
    The largest difference between the means of 4 dB below and above, half a decibel on each side left out. Noise powers are
    averaged as powers: 20 blocks of 50 ms at 48 kHz hold 48 000 samples, so a step is known to 0.05 dB (95 %).
    """
    use = ramp.level_dbfs < highest_dbfs
    level, gain, power = ramp.level_dbfs[use], ramp.gain_db[use], 10 ** (ramp.noise_dbfs[use] / 10)
    if len(level) < 30:
        return None
    per_db = (len(level) - 1) / (level[-1] - level[0])
    span, gap = round(STEP_SPAN_DB * per_db), max(1, round(STEP_GAP_DB * per_db))
    places = range(span + gap, len(level) - span - gap)
    if not len(places):
        return None
    noise_steps, gain_steps = np.array(
        [
            (
                power_decibels(
                    power[k + gap : k + gap + span].mean() / power[k - gap - span : k - gap].mean()
                ),
                gain[k + gap : k + gap + span].mean() - gain[k - gap - span : k - gap].mean(),
            )
            for k in places
        ]
    ).T
    spread = gain_spread(gain)
    top = int(np.argmax(np.abs(noise_steps)))
    if abs(noise_steps[top]) < LEAST_NOISE_STEP_DB:
        top = int(np.argmax(np.abs(gain_steps)))
        if abs(gain_steps[top]) < max(LEAST_GAIN_STEP_DB, 6 * spread / np.sqrt(span)):
            return None
        sharp = _sharpest(gain, places[top], gap + 1)
    else:
        sharp = _sharpest(power_decibels(power), places[top], gap + 1)
    k = min(max(sharp, places[0]), places[-1])
    below, above = power[k - gap - span : k - gap].mean(), power[k + gap : k + gap + span].mean()
    return Handover(
        float((level[k - 1] + level[k]) / 2),
        float(power_decibels(above / below)),
        float(gain[k + gap : k + gap + span].mean() - gain[k - gap - span : k - gap].mean()),
        float(rms_dbfs(below)),
        float(rms_dbfs(above)),
    )


def _sharpest(values: F64, near: int, reach: int) -> int:
    """Return the block with which the largest change within reach begins."""
    low = max(1, near - reach)
    return low + int(np.argmax(np.abs(np.diff(values[low - 1 : near + reach + 1]))))


def gain_spread(gain_db: F64) -> float:
    """Return how much the gain of single blocks wanders, in dB (from differences of neighbours)."""
    return float(np.median(np.abs(np.diff(gain_db))) / 0.954) if len(gain_db) > 1 else 0.0


def _smooth(values: F64) -> F64:
    return np.convolve(np.pad(values, 2, mode="edge"), np.ones(5) / 5, "valid")
