"""What does a sum measure, and what will it measure after a gain?

True peak, momentary and short-term loudness move with the gain. Integrated loudness and loudness range do not quite: their
gate at -70 LUFS stands still, so after a gain quiet blocks come in that lay below it before. So the mean squares of the 100 ms
steps are kept (eight bytes for each), and the gates of BS.1770-5 and EBU Tech 3342 are set where they will be.

Conventions: power is K-weighted, channels added with their weights.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.engine import Meter, Programme
from takewell.measure.loudness import (
    channel_weights,
    integrated,
    levelled,
    loudness_range,
    window_powers,
)
from takewell.units import STEPS_PER_SECOND

F64 = NDArray[np.float64]

MOMENTARY_STEPS, SHORT_TERM_STEPS = 4, 30


@dataclass(frozen=True)
class SumFigures:
    """A sum's own figures, and its power step by step."""

    programme: Programme
    sums: F64
    """(steps,) sum of squares of each whole step of 100 ms."""
    lengths: NDArray[np.int64]

    @classmethod
    def of(
        cls, blocks: Iterable[NDArray[np.floating]], *, rate: int, channels: int, channel_mask: int | None
    ) -> "SumFigures":
        """Return the figures of a signal that comes in blocks, (n, channels) each."""
        meter = Meter(rate, channels, encoding="float32", channel_mask=channel_mask)
        for block in blocks:
            meter.add(block)
        result = meter.finish()
        weights = channel_weights(channels, channel_mask)
        assert result.programme is not None  # every layout has a speaker for each channel
        assert weights is not None
        lengths = np.diff(result.traces[0].edges)
        whole = len(lengths) - (1 if len(lengths) and lengths[-1] < rate // STEPS_PER_SECOND else 0)
        power = sum(
            weight * trace.k_rms[:whole].astype(np.float64) ** 2
            for weight, trace in zip(weights, result.traces, strict=True)
        )
        return cls(result.programme, np.asarray(power * lengths[:whole]), lengths[:whole])

    def gain_to(self, target_lufs: float) -> float | None:
        """Return the gain in dB after which the integrated loudness is the target; None where nothing can be heard."""
        loudness = levelled(self._powers(MOMENTARY_STEPS), target_lufs)
        return None if loudness is None else target_lufs - loudness

    def after(self, gain_db: float) -> Programme:
        """Return the figures of the sum times a gain."""

        def moved(value: float | None) -> float | None:
            return None if value is None else value + gain_db

        factor = 10 ** (gain_db / 10)
        return Programme(
            integrated_lufs=integrated(self._powers(MOMENTARY_STEPS) * factor),
            loudness_range_lu=loudness_range(self._powers(SHORT_TERM_STEPS) * factor),
            momentary_max_lufs=moved(self.programme.momentary_max_lufs),
            short_term_max_lufs=moved(self.programme.short_term_max_lufs),
            true_peak_dbtp=moved(self.programme.true_peak_dbtp),
        )

    def _powers(self, steps: int) -> F64:
        return window_powers(self.sums, self.lengths, steps)
