"""What becomes of every sample of a recording on its way through a chain?

The chain is the plan's (`takewell.plan.chain`): each stage's own `drive` and `output` are applied to samples where the plan
applies them to a peak. Added here is what needs samples: a limiter's times, the noise, the rounding.

A limiter follows the largest sample of the last 10 ms (half a period of 50 Hz), so that it holds still over a wave; its gain
in dB goes towards the static curve's by one pole, fast down and slow up. Noise is white and Gaussian and reads what the
stage states, A-weighted. Words are rounded with triangular dither. Blocks may be of any size.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from takewell.plan.chain import Stage
from takewell.plan.noise import white_rms
from takewell.units import amplitude, decibels
from takewell.whatif.values import GaveWay, NamedChain, StageUse

F64 = NDArray[np.float64]

HOLD_S = 0.01
APART_S = 0.01
"""Places where a stage gave way that are nearer than this are one."""

LIMITED_DB = 1.0


@dataclass
class _Use:
    """What one channel did at one stage, so far."""

    peak: float = 0.0
    limiter_db: float = 0.0
    limited_samples: int = 0
    coarse_samples: int = 0
    spans: list[tuple[int, int, float, int]] = field(default_factory=list)
    """Start, end (samples), highest drive, samples over."""

    def add(self, start: int, end: int, highest: float, samples: int, apart: float) -> None:
        """Note one stretch over the limit, joined with the last one where they are near."""
        if self.spans and start - self.spans[-1][1] < apart:
            first, _end, before, count = self.spans.pop()
            start, highest, samples = first, max(before, highest), count + samples
        self.spans.append((start, end, highest, samples))


class _Station:
    """One stage with what it remembers from block to block."""

    def __init__(self, stage: Stage, rate: int, channels: int, random: np.random.Generator) -> None:
        self.stage = stage
        self.uses = [_Use() for _ in range(channels)]
        self._random = random
        self._hold = max(1, round(HOLD_S * rate))
        self._apart = APART_S * rate
        self._tail = np.zeros((self._hold - 1, channels))
        self._gain_db = np.zeros(channels)
        limiter = stage.limiter
        times_ms = (0.0, 0.0) if limiter is None else (limiter.attack_ms, limiter.release_ms)
        self._shares = [1.0 if t <= 0 else -math.expm1(-1000 / (t * rate)) for t in times_ms]
        # Rounding is done, not added; with two converters either's noise is ready.
        quiet = -math.inf if stage.bits is not None else stage.quiet_noise_db_a
        loud = -math.inf if stage.bits is not None else stage.noise_db_a
        self._rms = [0.0 if math.isinf(level) else white_rms(level, rate) for level in (quiet, loud)]

    def add(self, before: F64, start: int) -> F64:
        """Return the stage's output for a block that starts at sample `start`."""
        stage = self.stage
        gain_db: F64 | None = None
        if stage.limiter is not None or stage.finer is not None:
            recent = self._recent_peak(before * amplitude(stage.gain_db))
        if stage.limiter is not None:
            gain_db = np.empty_like(before)
            _follow(
                stage.limiter.gain_db(decibels(recent)),
                self._gain_db,
                self._shares[0],
                self._shares[1],
                gain_db,
            )
            for use, column in zip(self.uses, gain_db.T, strict=True):
                use.limiter_db = min(use.limiter_db, float(column.min(initial=0.0)))
                use.limited_samples += int(np.count_nonzero(column < -LIMITED_DB))
        driven = stage.drive(before, limiter_gain_db=gain_db)
        self._note(driven, start)
        out = stage.output(before, limiter_gain_db=gain_db)
        if stage.finer is not None:
            limited = recent if gain_db is None else recent * amplitude(gain_db)
            coarse = limited > amplitude(stage.finer.handover_db)
            for use, column in zip(self.uses, coarse.T, strict=True):
                use.coarse_samples += int(column.sum())
            out = out + np.where(coarse, self._rms[1], self._rms[0]) * self._random.normal(size=out.shape)
        elif self._rms[0]:
            out = out + self._rms[0] * self._random.normal(size=out.shape)
        if stage.bits is not None:
            step = 2.0 ** (1 - stage.bits)
            dither = self._random.random(out.shape) - self._random.random(out.shape)
            out = np.clip(np.round(out / step + dither), -1 / step, 1 / step - 1) * step
        elif math.isfinite(stage.limit_db):
            rail = float(amplitude(stage.limit_db))
            out = np.clip(out, -rail, rail)
        return out

    def _recent_peak(self, driven: F64) -> F64:
        size = np.concatenate([self._tail, np.abs(driven)])
        self._tail = size[len(size) - (self._hold - 1) :]
        # A window that ends at the sample: the filter's centre is moved back by half its length.
        held = maximum_filter1d(size, self._hold, axis=0, origin=(self._hold - 1) // 2, mode="nearest")
        return np.asarray(held[self._hold - 1 :])

    def _note(self, driven: F64, start: int) -> None:
        rail = math.inf if math.isinf(self.stage.limit_db) else float(amplitude(self.stage.limit_db))
        for use, column in zip(self.uses, np.abs(driven).T, strict=True):
            use.peak = max(use.peak, float(column.max(initial=0.0)))
            if use.peak <= rail:
                continue
            over = np.flatnonzero(column > rail)
            if not len(over):
                continue
            cuts = np.flatnonzero(np.diff(over) >= self._apart) + 1
            for places in np.split(over, cuts):
                use.add(
                    start + int(places[0]),
                    start + int(places[-1]) + 1,
                    float(column[places].max()),
                    len(places),
                    self._apart,
                )


@njit(cache=True, nogil=True)
def _follow(target: F64, state: F64, attack: float, release: float, out: F64) -> None:
    for channel in range(target.shape[1]):
        gain = state[channel]
        for n in range(len(target)):
            wanted = target[n, channel]
            gain += (wanted - gain) * (attack if wanted < gain else release)
            out[n, channel] = gain
        state[channel] = gain


class Passing:
    """Carries samples through a chain, block by block.

    Parameters
    ----------
    chain : NamedChain
    rate : int
        Sampling rate in Hz.
    channels : int
        Every channel goes through a chain of its own of this kind.
    seed : int
        Of noise and dither.
    """

    def __init__(self, chain: NamedChain, rate: int, channels: int, *, seed: int = 0) -> None:
        random = np.random.default_rng(seed)
        self._entrance = float(amplitude(chain.entrance_db))
        self._stations = [_Station(stage, rate, channels, random) for stage in chain.stages]
        self._rate = rate
        self._done = 0

    def add(self, samples: NDArray[np.floating]) -> F64:
        """Return what a block (n, channels) of the recording becomes; 1.0 = full scale in and out."""
        signal = np.asarray(samples, np.float64) * self._entrance
        for station in self._stations:
            signal = station.add(signal, self._done)
        self._done += len(samples)
        return signal

    def uses(self, channel: int) -> tuple[StageUse, ...]:
        """Return how far each stage was driven by a channel (from 0)."""
        found = []
        for station in self._stations:
            use, stage = station.uses[channel], station.stage
            peak_db = float(decibels(use.peak)) if use.peak > 0 else None
            bounded = math.isfinite(stage.limit_db) and peak_db is not None
            found.append(
                StageUse(
                    stage.name,
                    stage.unit,
                    peak_db,
                    stage.limit_db - peak_db if bounded and peak_db is not None else None,
                    use.limiter_db,
                    use.limited_samples / self._rate,
                    use.coarse_samples / self._rate,
                )
            )
        return tuple(found)

    def gave_way(self, channel: int) -> tuple[GaveWay, ...]:
        """Return where stages gave way for a channel (from 0), in order of time."""
        found = [
            GaveWay(
                channel + 1,
                station.stage.name,
                span[0] / self._rate,
                span[1] / self._rate,
                float(decibels(span[2])) - station.stage.limit_db,
                span[3],
            )
            for station in self._stations
            for span in station.uses[channel].spans
        ]
        return tuple(sorted(found, key=lambda one: (one.start_s, one.stage)))
