"""What happens when it suddenly gets loud, and after: limiter times, recovery from overload?

Method: the tone's envelope, one millisecond wide (four periods), over the envelope of the programme is the gain at every
moment. Attack and release are time constants of the gain in dB: the time for 1 - 1/e (63 %) of the way (our definition;
makers state several). Recovery from overload is the time after which the gain is within 1 dB of what it was before, for good.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.bench.programme import BURST_S, Section
from takewell.units import decibels

F64 = NDArray[np.float64]

WINDOW_S = 1e-3
WAY = 1 - np.exp(-1)
RECOVERED_DB = 1.0
RESOLUTION_S = WINDOW_S / 2


@dataclass(frozen=True)
class Burst:
    """Gains in dB over the gain at rest before the burst, and times in seconds; None where there is nothing to time."""

    reduction_db: float
    """Taken away at the burst's end."""
    attack_s: float | None
    release_s: float | None
    recovery_s: float | None
    """None: not within the section."""


def read_burst(section: Section, times: F64, samples: F64, rate: int, frequency_hz: float) -> Burst:
    """Read one channel of a burst section; `frequency_hz` by the recorder's clock."""
    turned = samples * np.exp(-2j * np.pi * frequency_hz / rate * np.arange(len(samples)))
    width = max(1, round(WINDOW_S * rate))
    sums = np.cumsum(np.concatenate([[0], turned]))
    level = decibels(np.abs(sums[width:] - sums[:-width]) / width)
    middle = times[: len(level)] + (width - 1) / 2 / rate
    jump_db = section.to_level_dbfs - section.level_dbfs
    inside = (middle > BURST_S[0]) & (middle < BURST_S[1])
    gain = level - np.where(inside, jump_db, 0.0)
    gain -= np.median(gain[(middle > 0.3) & (middle < BURST_S[0] - 0.1)])
    on, off = BURST_S[0] + WINDOW_S / 2, BURST_S[1] + WINDOW_S / 2
    held = float(np.median(gain[(middle > BURST_S[1] - 0.3) & (middle < BURST_S[1] - 0.05)]))
    during = (middle > on) & (middle < BURST_S[1] - 0.01)
    after = (middle > off) & (middle < section.length_s - 0.2)
    reached = gain[during] <= WAY * held
    attack = float(middle[during][np.argmax(reached)] - BURST_S[0]) if held < -0.5 and reached.any() else None
    away = np.flatnonzero(np.abs(gain[after]) > RECOVERED_DB)
    last = int(away[-1]) + 1 if len(away) else 0
    recovery = None if last >= len(gain[after]) else float(middle[after][last] - BURST_S[1]) if last else 0.0
    release = None
    back = gain[after] >= (1 - WAY) * held
    if held < -0.5 and back.any() and not back[0]:
        release = float(middle[after][np.argmax(back)] - BURST_S[1])
    return Burst(-held, attack, release, recovery)
