"""How are the last decibels above a true-peak ceiling taken off without being lost from sight?

A look-ahead limiter in two stages of one kind (`limiter_stage` says what a stage does). The first aims 0.15 dB
under the ceiling, room for the differences between meters. Because its gain moves, the wave between two
samples is not quite the wave before times the gain; the second stage reads the first one's output and takes
off what is left. It aims between the first one's aim and the ceiling, so it hardly ever has to act.

Gain can only go down: it is never above 0 dB, and samples pass unchanged, bit by bit, where no peak is near.
What was done is kept as a list of stretches, to be written beside the moves.

Conventions: arrays (n, channels) of float64, linear; positions are samples from the first one fed. Before the
first and after the last sample there is silence. Samples of active channels that are not finite come out as zero and are
listed.
"""

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SettingError
from takewell.shape.limiter_stage import CHUNK, UNITS_PER_DB, Chunk, Stage, Taken
from takewell.shape.stretches import Stretches

F64 = NDArray[np.float64]

FIRST_AIM_DB, SECOND_AIM_DB = -0.15, -0.08
"""Where the two stages aim, relative to the ceiling."""


@dataclass(frozen=True)
class Action:
    """One stretch of samples of one channel (from 0) that was not simply multiplied by its gain."""

    channel: int
    start_samples: int
    end_samples: int
    reduction_db: float
    """The most that was taken off; 0 where `what` is not the limiter."""
    what: Literal["limited", "nonfinite"] = "limited"


class Limiter:
    """Hold channels under a true-peak ceiling, block by block.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz.
    channels : int
    ceiling_dbtp : float
        What no BS.1770 meter shall read more than.
    active : sequence of bool, optional
        Which channels to work on; the others pass as they are. All by default.
    linked : bool
        Whether all active channels get the attenuation of the one that needs most (a stereo mix).

    Raises
    ------
    SettingError
        If the ceiling is not a number from -60 to +60 dBTP, or the rate is not positive.
    """

    def __init__(
        self,
        rate: int,
        channels: int,
        ceiling_dbtp: float,
        *,
        active: Sequence[bool] | None = None,
        linked: bool = False,
    ) -> None:
        if not -60.0 <= ceiling_dbtp <= 60.0:
            raise SettingError(f"a ceiling of {ceiling_dbtp} dBTP is not a number from -60 to +60.")
        if rate <= 0:
            raise SettingError(f"a sampling rate of {rate} Hz is not positive.")
        on = np.array(active if active is not None else (True,) * channels, dtype=np.bool_)
        self._first = Stage(rate, on, ceiling_dbtp + FIRST_AIM_DB, linked=linked)
        self._second = Stage(rate, on, ceiling_dbtp + SECOND_AIM_DB, linked=linked)
        self._between: deque[Taken | None] = deque()
        self._limited = Stretches(channels)
        self._nonfinite = Stretches(channels)
        self._channels = channels
        self._active = on
        self._fed = 0
        self._given = 0

    def add(self, samples: F64) -> F64:
        """Take a block and return what is ready: everything fed so far, in order, less the last 0.1 s or so.

        The block is not changed.
        """
        samples = self._without_nonfinite(samples)
        self._fed += len(samples)
        out = np.empty((self._fed - self._given + CHUNK, samples.shape[1]))
        return out[: self._collect(self._first.add(samples), out)]

    def finish(self) -> F64:
        """Return the samples still held back; nothing may be added after this."""
        out = np.empty((self._fed - self._given + CHUNK, self._channels))
        count = self._collect(self._first.finish(), out)
        for chunk in self._second.finish():
            count += self._give(chunk, out[count:])
        return out[:count]

    @property
    def actions(self) -> tuple[Action, ...]:
        """What was done so far, in order of channel and time."""
        limited = [Action(c, a, b, most / UNITS_PER_DB) for c, a, b, most in self._limited]
        zeroed = [Action(c, a, b, 0.0, "nonfinite") for c, a, b, _ in self._nonfinite]
        return tuple(sorted(limited + zeroed, key=lambda done: (done.channel, done.start_samples, done.what)))

    def _without_nonfinite(self, samples: F64) -> F64:
        # A sum is finite only where every term is: one fast pass tells the common case.
        if math.isfinite(float(samples.sum())):
            return samples
        bad = ~np.isfinite(samples) & self._active
        channels = np.flatnonzero(bad.any(axis=0))
        self._nonfinite.add(self._fed, channels, np.ascontiguousarray(bad[:, channels].T, np.int64))
        return np.where(bad, 0.0, samples)

    def _collect(self, chunks: Iterator[Chunk], out: F64) -> int:
        count = 0
        for chunk in chunks:
            self._between.append(chunk.taken)
            for done in self._second.add(*chunk, all_open=False):
                count += self._give(done, out[count:])
        return count

    def _give(self, chunk: Chunk, out: F64) -> int:
        count = min(CHUNK, self._fed - self._given)
        out[:count] = chunk.samples[:count]
        if chunk.taken is not None:
            chunk.taken.off(out[:count], 0)
        total = _both(self._between.popleft(), chunk.taken)
        if total is not None:
            self._limited.add(self._given, total.channels, total.attenuation[:, :count])
        self._given += count
        return count


def _both(first: Taken | None, second: Taken | None) -> Taken | None:
    """Return what two stages took off together."""
    if first is None or second is None:
        return first or second
    channels = np.union1d(first.channels, second.channels)
    total = np.zeros((len(channels), CHUNK), np.int64)
    for taken in (first, second):
        total[np.searchsorted(channels, taken.channels)] += taken.attenuation
    return Taken(channels, total)
