"""Which tracks of a take carry one sound, one of them some milliseconds later, as behind a radio link?

Twins of one recorder lie within a few samples (`twins`); a link's latency is some milliseconds and fixed. Every two ISOs
that are no twins are held against each other by the averaged phase transform over a few loud stretches; where that
has a peak, it is the samples, in line, that have to correlate as copies do.
"""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence
from takewell.examine.twins import LEAST_CORRELATION, Twin
from takewell.measure.averaged_delay import averaged_delay
from takewell.shape.placed import REACH, placed
from takewell.units import decibels

F64 = NDArray[np.float64]

LONGEST_S = 0.05
"""Longest latency of a link inside a take."""

BAND_HZ = (100.0, 8000.0)

STRETCH_S = 0.3
STRETCHES = 3
"""Loud stretches in which two ISOs of a take are compared."""

LEAST_HEIGHT = 0.2
"""Height of the averaged phase transform from which two tracks are compared further: copies reach 0.5 and more."""


def find_late_twins(
    tracks: Sequence[TrackEvidence], known: set[frozenset[int]]
) -> list[tuple[TrackEvidence, Twin]]:
    """Return (track, its later or earlier twin) for ISOs and copies of a take that are no twins within a few samples.

    Parameters
    ----------
    tracks : sequence of TrackEvidence
    known : set of frozenset of int
        Numbers of tracks that are twins already.
    """
    alive = [t for t in tracks if t.track.role in ("iso", "safety") and t.trace.k_rms.any()]
    wanted = [
        (a, b) for a, b in combinations(alive, 2) if frozenset((a.track.number, b.track.number)) not in known
    ]
    # A copy of a known twin would be told twice.
    seconds = {max(pair) for pair in known}
    wanted = [(a, b) for a, b in wanted if not {a.track.number, b.track.number} & seconds]
    found = []
    for one, two in wanted:
        starts = _loud_starts(one, two)
        size = round(STRETCH_S * one.rate)
        if len(starts) < STRETCHES:
            continue
        a, b = (np.stack([t.samples(at, at + size) for at in starts]) for t in (one, two))
        apart = averaged_delay(a, b, one.rate, longest_s=LONGEST_S, band_hz=BAND_HZ)
        if apart is None or apart.height < LEAST_HEIGHT:
            continue
        matched = _in_line(a, b, apart.delay_s * one.rate)
        if abs(matched[0]) >= LEAST_CORRELATION:
            found.append((one, Twin(two, matched[1], matched[0], round(apart.delay_s * one.rate))))
    return found


def _loud_starts(one: TrackEvidence, two: TrackEvidence) -> list[int]:
    """Return where the stretches begin in which both tracks are loudest together, apart from each other."""
    count = min(len(one.trace.k_rms), len(two.trace.k_rms))
    together = one.trace.k_rms[:count].astype(np.float64) * two.trace.k_rms[:count]
    last = count - round(10 * STRETCH_S) - 1
    chosen: list[int] = []
    for step in np.argsort(together[: max(last, 0)])[::-1].tolist():
        if together[step] <= 0 or len(chosen) == STRETCHES:
            break
        if all(abs(step - other) >= 5 for other in chosen):
            chosen.append(step)
    return [int(one.trace.edges[step]) for step in sorted(chosen)]


def _in_line(a: F64, b: F64, late: float) -> tuple[float, float]:
    """Return (correlation, gain in dB) of stretches once the second is read `late` samples later."""
    margin = int(abs(late)) + REACH + 1
    n = a.shape[1] - 2 * margin
    ab = aa = bb = 0.0
    for x, y in zip(a, b, strict=True):
        one = x[margin : margin + n]
        two = placed(y, margin + late, 1.0, n)
        ab, aa, bb = ab + float(one @ two), aa + float(one @ one), bb + float(two @ two)
    norm = float(np.sqrt(aa * bb))
    return (ab / norm, float(decibels(np.sqrt(bb / aa)))) if norm > 0 else (0.0, 0.0)
