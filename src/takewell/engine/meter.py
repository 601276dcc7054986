"""What does a signal measure that comes in blocks of any size?

One object, fed from a file or from the bytes that pass by on their way to a copy; it keeps sums and traces, never the sound.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from takewell.engine.quality import WORD_LENGTHS
from takewell.engine.reading import Reading
from takewell.engine.results import Programme, TrackMeasurement
from takewell.engine.stepper import Samples, Stepper
from takewell.errors import SettingError, SignalError
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.trace import Trace

HIGHEST_RATE = 768_000
LOWEST_RATE = 4_000
LONGEST_USED_WORD = 24
"""Converters fill no more bits than this, also in 32-bit integer files: their rail lies 2^-23 under full scale."""

LIKE_STEPS = 3
"""Dither spreads a steady value over this many steps of the word length."""


class MeterResult(NamedTuple):
    """What `Meter.finish` gives: one entry per channel; the programme is None for a poly file of ISOs."""

    tracks: tuple[TrackMeasurement, ...]
    programme: Programme | None
    traces: tuple[Trace, ...]


class Meter:
    """Measures interleaved blocks of samples.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz, 4000 to 768,000.
    channels : int
        Channels in every block.
    encoding : str
        How the samples were stored (``int24``, ``float32`` ...): where the rail lies and how fine a step is.
    channel_mask : int or None
        dwChannelMask of the file, for the programme's channel weights.
    names : sequence of str or None
        Track names, if known.

    Raises
    ------
    SignalError
        If the rate or the number of channels cannot be measured.
    """

    def __init__(
        self,
        rate: int,
        channels: int,
        *,
        encoding: str,
        channel_mask: int | None = None,
        names: Sequence[str | None] | None = None,
    ) -> None:
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            raise SignalError(
                f"a sampling rate of {rate} Hz cannot be measured; {LOWEST_RATE} to {HIGHEST_RATE} Hz can"
            )
        if channels < 1:
            raise SignalError(f"a signal of {channels} channels cannot be measured; 1 is the least")
        if names is not None and len(names) != channels:
            raise SettingError(f"{len(names)} track names were given for {channels} channels")
        self.rate, self.channels, self.encoding = rate, channels, encoding
        self.names = tuple(names) if names is not None else (None,) * channels
        self.weights = loudness.channel_weights(channels, channel_mask)
        self.length_samples = 0
        bits = WORD_LENGTHS.get(encoding)
        over = 1.0 if bits is None else 1 - 1.5 * 2.0 ** (1 - min(bits, LONGEST_USED_WORD))
        step = 0.0 if bits is None else LIKE_STEPS * 2.0 ** (1 - min(bits, LONGEST_USED_WORD))
        self.constants = loop.constants(rate, over, step)
        self.reading = Reading(rate, channels, self.weights)
        self._stepper = Stepper(self.constants, rate, channels, self.reading)
        self._finished = False

    def add(self, block: Samples) -> None:
        """Take the next samples.

        Parameters
        ----------
        block : (n, channels) float32 or float64 array
            1.0 = full scale. Not changed, not kept.

        Raises
        ------
        SignalError
            If the block is not such an array.
        """
        if block.ndim != 2 or block.shape[1] != self.channels or block.dtype not in (np.float32, np.float64):
            raise SignalError(
                f"a block of shape {block.shape} and type {block.dtype} cannot be measured; "
                f"(n, {self.channels}) of float32 or float64 can"
            )
        assert not self._finished, "a meter that has finished takes no more samples"
        self.length_samples += len(block)
        self._stepper.feed(np.ascontiguousarray(block))

    def finish(self) -> MeterResult:
        """Return everything measured; the meter takes no more samples.

        Returns
        -------
        MeterResult
            Also for no samples at all: every number is None then, with the reason in `quality`.
        """
        assert not self._finished, "a meter finishes once"
        self._finished = True
        self.reading.close(self.length_samples)
        self._stepper.finish()
        if self._stepper.position:
            self.reading.take_state(self._stepper.state, self.length_samples)
        return MeterResult(*self.reading.result(self.names, self.encoding))
