"""By how much is each microphone delayed, so that those that are open together do not comb?

Two microphones that hear one voice at different times cancel it at some frequencies: 1 ms is 34 cm, and the first notch lies at
500 Hz. A share of one tenth against the rest (by amplitude) still moves the sum by 0.9 dB. So:

1. While a source leads, the cross terms it makes with each other open source are added up; pairs whose cross terms are less than
   `LEAST_CROSS` of its own energy need nothing.
2. For the others, up to `LOOKS` looks at the leader's talker, spread over the take, give the arrival (`measure.arrival`). What is
   not sure is left as recorded.
3. What lines two microphones up for one talker may set them apart for another: two lavaliers each hear the other's talker late. A
   pair is joined only if both leaders tell the same (to `SAME_S`), or if one of them makes `STRONGER` times the cross terms
   of the other.
4. Pairs are joined from the largest cross term down, as long as each brings two groups together that were not lined up yet.
5. The one that hears last stays as it is; the others wait for it. Delays are whole samples (half a sample at 48 kHz is less
   than a head moves), at most `LONGEST_S`.

A source that hears upside down against the one it is lined up with is turned over.

Conventions: units are sources, and each microphone of a followed voice; delays in samples, 0 or more.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.measure.arrival import LOOK_S, Arrival, Arrivals
from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]

LEAST_CROSS = 0.1
LONGEST_S = 0.03
LOOKS = 12
SAME_S = 2e-4
STRONGER = 3.0
LOOK_STEPS = round(LOOK_S * FINE_STEPS_PER_SECOND)


@dataclass(frozen=True)
class Joint:
    """Two units that were lined up: while `leader` speaks the other one hears it `arrival.delay_samples` later."""

    leader: int
    other: int
    arrival: Arrival
    cross: float
    """Cross terms of the two while the leader speaks, summed over the take."""


@dataclass(frozen=True)
class LineUp:
    """Delay and polarity of every unit, and the joints that led to them."""

    delays: tuple[int, ...]
    polarities: tuple[int, ...]
    joints: tuple[Joint, ...]


class Looks:
    """Where is each source heard alone, and with whom does it comb?

    Parameters
    ----------
    sources, steps : int
        Sources, and steps of the whole take.
    """

    def __init__(self, sources: int, steps: int) -> None:
        self._part = max(-(-steps // LOOKS), LOOK_STEPS)
        self._best = np.zeros((sources, -(-max(steps, 1) // self._part)))
        self._at = np.full(self._best.shape, -1)
        self._cross = np.zeros((sources, sources))
        self._energy = np.zeros(sources)

    def add(self, first: int, shares: F64, power: F64) -> None:
        """Take the shares and powers of some steps."""
        leader = np.argmax(shares * power, axis=1)
        reach = np.sqrt(shares * power)
        for k in range(shares.shape[1]):
            leads = leader == k
            if not leads.any():
                continue
            self._energy[k] += float((reach[leads, k] ** 2).sum())
            self._cross[k] += reach[leads, k] @ reach[leads]
            alone = np.where(leads, reach[:, k] ** 2, 0.0)
            if len(alone) < LOOK_STEPS:
                continue
            sums = np.concatenate([[0.0], np.cumsum(alone)])
            held = np.concatenate([[0], np.cumsum(leads)])
            windows = sums[LOOK_STEPS:] - sums[:-LOOK_STEPS]
            windows[held[LOOK_STEPS:] - held[:-LOOK_STEPS] < 0.8 * LOOK_STEPS] = 0.0
            parts = (first + np.arange(len(windows))) // self._part
            for part in range(int(parts[0]), int(parts[-1]) + 1):
                inside = np.flatnonzero(parts == part)
                top = int(inside[np.argmax(windows[inside])])
                if windows[top] > self._best[k, part]:
                    self._best[k, part], self._at[k, part] = windows[top], first + top

    def of(self, source: int) -> tuple[int, ...]:
        """Return the first steps of the looks at a source's talker."""
        return tuple(int(at) for at in self._at[source] if at >= 0)

    def cross(self) -> F64:
        """Return the cross terms of each leader (row) with each other source; zero where they do not matter."""
        cross = np.where(self._cross >= LEAST_CROSS * self._energy[:, None], self._cross, 0.0)
        np.fill_diagonal(cross, 0.0)
        return np.asarray(cross)


def arrivals(looks: Iterator[F64], units: int, reference: int, rate: int) -> tuple[Arrival | None, ...]:
    """Return how the units hear one of them, from looks of (n, units) samples."""
    found = Arrivals(units, reference, rate, LONGEST_S)
    for samples in looks:
        found.look(samples)
    return found.result()


def agreeing(joints: Sequence[Joint], rate: int) -> list[Joint]:
    """Return the joints that hold for the pair as a whole, not for one of its talkers only.

    Joints that are not sure count against the other direction, but join nothing themselves.
    """
    by_pair = {(joint.leader, joint.other): joint for joint in joints}
    kept = []
    for (leader, other), joint in by_pair.items():
        back = by_pair.get((other, leader))
        if not joint.arrival.sure:
            continue
        same = (
            back is not None
            and back.arrival.sure
            and abs(joint.arrival.delay_samples + back.arrival.delay_samples) <= SAME_S * rate
        )
        if back is None or same or joint.cross >= STRONGER * back.cross:
            kept.append(joint)
    return kept


def lined_up(units: int, joints: Sequence[Joint]) -> LineUp:
    """Return the delays that the joints ask for, the largest cross terms first."""
    group = list(range(units))
    offset = [0] * units
    polarity = [1] * units
    used = []
    for joint in sorted(joints, key=lambda joint: -joint.cross):
        a, b = joint.leader, joint.other
        if group[a] == group[b]:
            continue
        # The leader has to wait until the other one hears it too: offset[a] = offset[b] + delay.
        shift = offset[a] - joint.arrival.delay_samples - offset[b]
        turned = polarity[a] * polarity[b] * joint.arrival.polarity
        joining = group[b]
        for unit in range(units):
            if group[unit] == joining:
                group[unit] = group[a]
                offset[unit] += shift
                polarity[unit] *= turned
        used.append(joint)
    delays = [0] * units
    for one in set(group):
        members = [unit for unit in range(units) if group[unit] == one]
        least = min(offset[unit] for unit in members)
        most_upright = sum(polarity[unit] for unit in members) >= 0
        for unit in members:
            delays[unit] = offset[unit] - least
            polarity[unit] *= 1 if most_upright else -1
    return LineUp(tuple(delays), tuple(polarity), tuple(used))
