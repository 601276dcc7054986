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
    if not wanted:
        return []
    sounds = _pool(alive)
    column = {track.track.number: k for k, track in enumerate(alive)}
    loud = np.mean(sounds**2, axis=1)
    found = []
    for one, two in wanted:
        i, j = column[one.track.number], column[two.track.number]
        together = loud[:, i] * loud[:, j]
        chosen = [k for k in np.argsort(together)[::-1].tolist() if together[k] > 0][:STRETCHES]
        if len(chosen) < STRETCHES:
            continue
        a, b = sounds[chosen, :, i], sounds[chosen, :, j]
        apart = averaged_delay(a, b, one.rate, longest_s=LONGEST_S, band_hz=BAND_HZ)
        if apart is None or apart.height < LEAST_HEIGHT:
            continue
        correlation, gain_db = _in_line(a, b, apart.delay_s * one.rate)
        if abs(correlation) >= LEAST_CORRELATION:
            found.append((one, Twin(two, gain_db, correlation, round(apart.delay_s * one.rate))))
    return found


def _pool(alive: Sequence[TrackEvidence]) -> F64:
    """Return (stretches, n, tracks) samples of the stretches in which any of the tracks is loudest."""
    size = round(STRETCH_S * alive[0].rate)
    starts: set[int] = set()
    for track in alive:
        last = int(np.searchsorted(track.trace.edges, track.trace.length_samples - size, "right")) - 1
        chosen: list[int] = []
        for step in np.argsort(track.trace.k_rms[: max(last, 0)])[::-1].tolist():
            if len(chosen) == STRETCHES:
                break
            if all(abs(step - other) >= 10 * STRETCH_S for other in chosen):
                chosen.append(step)
        starts |= {int(track.trace.edges[step]) for step in chosen}
    numbers = [t.track.number for t in alive]
    read = [alive[0].reader.read(numbers, start, size).astype(np.float64) for start in sorted(starts)]
    whole = [x for x in read if len(x) == size]
    if not whole:
        return np.zeros((0, size, len(alive)))
    sounds = np.stack(whole)
    sounds[~np.isfinite(sounds)] = 0.0
    return sounds


def _in_line(a: F64, b: F64, late: float) -> tuple[float, float]:
    """Return (correlation, gain in dB) of stretches once the second is read `late` samples later."""
    margin = int(abs(late)) + REACH + 1
    n = a.shape[1] - 2 * margin
    ab = aa = bb = 0.0
    for x, y in zip(a, b, strict=True):
        one = x[margin : margin + n]
        two = placed(y, margin + late, 1.0, n)
        ab, aa, bb = ab + _product(one, two), aa + _product(one, one), bb + _product(two, two)
    norm = float(np.sqrt(aa * bb))
    return (ab / norm, float(decibels(np.sqrt(bb / aa)))) if norm > 0 else (0.0, 0.0)


def _product(one: F64, two: F64) -> float:
    """Return the sum of products; short as they are, threads would cost more than they save."""
    return float(np.sum(one * two))
