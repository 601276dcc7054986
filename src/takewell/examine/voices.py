"""Which microphone is nearest to each voice of a take, and when does that voice speak?

Each ISO's level is taken over its own floor, so gains do not matter. While somebody speaks, the microphone whose
level stands farthest over its floor is the nearest to that voice, or the best placed; the steps in which one leads
all others clearly are those of one voice (or of several that are nearest to the same microphone). Copies of one
source stand for it once.

Conventions: levels in dB, one value per step of 100 ms of the take.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence
from takewell.examine.spans import runs
from takewell.examine.twins import Twin
from takewell.units import decibels

F64 = NDArray[np.float64]

LEAD_DB = 3.0
"""How far a microphone leads the next while its own voice speaks; overlapping voices and turns of heads cost some."""

LEAST_OVER_FLOOR_DB = 10.0
"""Least level over the floor that is told as a voice."""

LEAST_S = 2.0
"""Least time for which a microphone leads that makes a voice."""

FLOOR_PERCENTILE = 10.0
"""Steps up to here are the floor: people pause for more than a tenth of the time."""

STRETCH_STEPS = 3
MOST_STRETCHES = 10
"""Stretches of 0.3 s in which a voice is listened to."""


@dataclass(frozen=True)
class Voice:
    """A voice, known by the ISO that is nearest to it."""

    nearest: TrackEvidence
    steps: NDArray[np.int64]
    """The steps in which it leads."""
    over_floor_db: Mapping[int, float]
    """Median level over the floor in these steps, by track number."""

    @property
    def seconds(self) -> float:
        """How long it leads."""
        return len(self.steps) / 10

    def stretches(self) -> list[tuple[int, int]]:
        """Return (start, stop) in samples of the stretches in which it is loudest, all of one length."""
        marked = np.zeros(int(self.steps[-1]) + 1, bool)
        marked[self.steps] = True
        trace = self.nearest.trace
        found = [
            (float(np.mean(trace.k_rms[step : step + STRETCH_STEPS].astype(np.float64) ** 2)), step)
            for first, last in runs(marked).tolist()
            for step in range(first, last - STRETCH_STEPS + 1, STRETCH_STEPS)
        ]
        # Not the very loudest alone: from all over the take, of the louder half.
        louder = sorted(found, reverse=True)[: max(MOST_STRETCHES, len(found) // 2)]
        steps = sorted(step for _, step in louder)
        chosen = [steps[i * len(steps) // MOST_STRETCHES] for i in range(min(MOST_STRETCHES, len(steps)))]
        size = round(STRETCH_STEPS * 0.1 * trace.rate)
        starts = [int(trace.edges[step]) for step in dict.fromkeys(chosen)]
        return [(start, start + size) for start in starts if start + size <= trace.length_samples]


def find_voices(
    tracks: Sequence[TrackEvidence], twins: Mapping[int, Sequence[Twin]]
) -> tuple[list[Voice], list[TrackEvidence]]:
    """Return the voices of a take and the ISOs that were compared (of copies, only the first).

    Parameters
    ----------
    tracks : sequence of TrackEvidence
    twins : mapping of int to sequence of Twin
        As `find_twins` gives them.
    """
    isos = [
        t
        for t in tracks
        if t.track.role == "iso"
        and t.trace.k_rms.any()
        and not any(
            twin.other.track.number < t.track.number and twin.other.track.role == "iso"
            for twin in twins.get(t.track.number, ())
        )
    ]
    if not isos or tracks[0].take.kind not in ("take", "wild"):
        return [], isos
    if len({len(t.trace.k_rms) for t in isos}) != 1 or any(
        not np.array_equal(a.trace.edges, b.trace.edges) for a, b in pairwise(isos)
    ):
        return [], isos
    power = np.stack([t.trace.k_rms.astype(np.float64) ** 2 for t in isos])
    floor = np.stack([_floor(t) for t in isos]) ** 2
    over = np.where(
        (power > 0) & (floor > 0),
        decibels(np.sqrt(power)) - decibels(np.sqrt(np.maximum(floor, 1e-40))),
        -100.0,
    )
    order = np.sort(over, axis=0)
    second = order[-2] if len(isos) > 1 else np.full(over.shape[1], -100.0)
    leads = (order[-1] - np.maximum(second, 0.0) >= LEAD_DB) & (order[-1] >= LEAST_OVER_FLOOR_DB)
    leader = np.argmax(over, axis=0)
    voices = []
    for k, iso in enumerate(isos):
        steps = np.flatnonzero(leads & (leader == k))
        if len(steps) < 10 * LEAST_S:
            continue
        numbers = [t.track.number for t in isos]
        medians = np.median(over[:, steps], axis=1).tolist()
        voices.append(Voice(iso, steps, dict(zip(numbers, medians, strict=True))))
    return voices, isos


def _floor(heard: TrackEvidence) -> F64:
    """Return a track's floor, K-weighted, linear, one value a step: of each setting of the gain its quiet end."""
    levels = heard.trace.k_rms.astype(np.float64)
    floor = np.zeros_like(levels)
    starts = [heard.trace.steps(0, passage.start_s).stop for passage in heard.passages()][1:]
    for start, stop in pairwise([0, *starts, len(levels)]):
        part = levels[start:stop]
        if (part > 0).any():
            floor[start:stop] = np.percentile(part[part > 0], FLOOR_PERCENTILE)
    return floor
