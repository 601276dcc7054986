"""Where does a wave jump or click from one sample to the next, as nothing can that came through a converter?

Before a converter stands a filter that takes away what lies above half the rate; whatever passed it swings before and
after every edge. A jump between two samples with smooth wave on both sides was therefore made later, by a machine: samples
missing or repeated, a buffer played twice, a clock that slips, a bit gone wrong. In the second difference of a
smooth wave a jump of height J shows as J, −J, and a click of one sample as J, −2J, J, and nothing around them; a
plosive, a clap, the wave of a voice at its glottis closing ring for a millisecond and more.

The traces point: the largest bend of a 10 ms step has to stand out of those beside it. Only those steps are read.

Conventions: positions are samples of the take; a kink lies before sample `at`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence

F64 = NDArray[np.float64]

STANDS_OUT = 3.0
"""How many times the largest bend of the 10 ms steps beside it one has to reach to be read: the crests of noise in 480
samples lie within 1.5 of each other, so do the pulses of a voice from period to period."""

BESIDE_STEPS = 2
"""Steps on each side that it is held against, from the next but one on, for a kink near an edge may lie in both; the
largest of the four is left out: a buffer that is played twice has a kink at either end."""

MOST_TOGETHER = 4
"""Kinks that may lie within `AROUND_S` of each other."""

AROUND_S = 0.01
"""Stretch on each side that has to be smooth."""

ABOVE = 6.0
"""How many times the largest bend around it a kink reaches."""

RINGING_SAMPLES = 3
"""Samples on each side that belong to the kink itself."""

UNLIKE = 1.5
"""How many times the largest bend around it the bends of a kink may differ from J, −J or J, −2J, J: each holds what the wave
itself bends there, and a little more than that was seen in ten milliseconds."""

OPPOSITE = 0.6
"""How large the smaller of a jump's two bends is beside the larger: a wave that goes on with another slope adds that to one of
them. A corner, as clipping leaves it, has one bend alone."""

LEAST_OF_CLICK = 0.2
"""Least share of a click's middle bend that the two beside it, half of it each, keep in any wave it may lie in."""

UNLIKE_SHARE = 0.02
"""And by this share of the kink, for the word length's sake."""

LEAST_GRAINS = 16.0
"""Least height in steps of the word length; lower down rounding makes kinks."""


@dataclass(frozen=True)
class Kink:
    """One place where the wave is torn."""

    at: int
    height: float
    """Of the jump or the click, linear, signed."""
    is_jump: bool
    """Whether the wave goes on from another height; else it comes back after one sample."""


def find_kinks(heard: TrackEvidence, grain: float) -> list[Kink]:
    """Return the kinks of a track in order.

    Parameters
    ----------
    heard : TrackEvidence
        The track.
    grain : float
        One step of its word length, linear; 0 for float.
    """
    trace = heard.trace
    margin = round(AROUND_S * heard.rate) + 4
    found: list[Kink] = []
    for step in _hopeful(trace.fine_bend, LEAST_GRAINS * grain).tolist():
        first, last = int(trace.fine_edges[step]), int(trace.fine_edges[step + 1])
        offset = max(first - margin, 0)
        samples = heard.samples(offset, last + margin)
        found += [
            Kink(kink.at + offset, kink.height, kink.is_jump)
            for kink in _kinks(samples, first - offset, last - offset, margin, LEAST_GRAINS * grain)
        ]
    return sorted({kink.at: kink for kink in found}.values(), key=lambda kink: kink.at)


def _hopeful(bend: NDArray[np.float32], least: float) -> NDArray[np.int64]:
    """Return the fine steps whose largest bend stands out of those beside them."""
    if len(bend) < 2 * BESIDE_STEPS + 3:
        return np.zeros(0, np.int64)
    padded = np.pad(bend, BESIDE_STEPS + 1, mode="edge")
    count = len(bend)
    away = [k for k in range(-BESIDE_STEPS - 1, BESIDE_STEPS + 2) if abs(k) > 1]
    beside = np.stack([padded[BESIDE_STEPS + 1 + k : BESIDE_STEPS + 1 + k + count] for k in away])
    beside = np.partition(beside, -2, axis=0)[-2]
    return np.flatnonzero((bend > STANDS_OUT * beside) & (bend > least))


def _kinks(samples: F64, first: int, last: int, margin: int, least: float) -> list[Kink]:
    """Return the kinks in samples ``[first, last)``, with `margin` samples of smooth wave around each."""
    bends = np.zeros(len(samples))
    bends[1:-1] = samples[2:] - 2 * samples[1:-1] + samples[:-2]
    sizes = np.abs(bends)
    tops: list[int] = []
    rest = sizes.copy()
    for _ in range(MOST_TOGETHER):
        top = int(np.argmax(rest))
        if not RINGING_SAMPLES < top < len(samples) - RINGING_SAMPLES or rest[top] <= least:
            break
        if not _could_be(bends, top):
            break
        tops.append(top)
        rest[top - RINGING_SAMPLES : top + RINGING_SAMPLES + 1] = 0.0
        kinks = [_kind(bends, t, rest[max(t - margin, 0) : t + margin].max()) for t in tops]
        if all(kink is not None for kink in kinks):
            return [kink for kink in kinks if kink is not None and first - 1 <= kink.at < last]
    return []


def _could_be(bends: F64, top: int) -> bool:
    """Return whether the bends beside the largest have the signs and about the sizes of a jump's or a click's."""
    left, peak, right = bends[top - 1 : top + 2].tolist()
    before, after = -left / peak, -right / peak
    return bool(max(before, after) >= OPPOSITE or min(before, after) > LEAST_OF_CLICK)


def _kind(bends: F64, top: int, around: float) -> Kink | None:
    """Return the kink whose largest bend is at `top`, None where it is none beside bends of `around`."""
    left, peak, right = bends[top - 1 : top + 2].tolist()
    if not 0 < around * ABOVE <= abs(peak):
        return None
    slack = UNLIKE * around + UNLIKE_SHARE * abs(peak)
    if abs(left + peak / 2) <= slack and abs(right + peak / 2) <= slack:
        return Kink(top, -peak / 2, False)
    if -right / peak >= OPPOSITE and abs(left) <= slack:
        return Kink(top + 1, peak, True)
    if -left / peak >= OPPOSITE and abs(right) <= slack:
        return Kink(top, -peak, True)
    return None
