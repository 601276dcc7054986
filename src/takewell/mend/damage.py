"""At which samples exactly is a track hurt?

A finding says what and about where; the samples say the rest: those that are no numbers, those at the rail the
finding names, runs of exact zeros. Whatever else hurt a stretch shows where the track differs from a whole twin that
was laid over it.

Conventions: places are (start, stop) in samples of the take as an (r, 2) int64 array, in order.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from takewell.mend.sound import Sound
from takewell.roll import Finding
from takewell.units import amplitude

F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]
Places = NDArray[np.int64]

HURTS = frozenset({"clipped", "nonfinite", "digital_silence", "dropout", "rf_burst", "clock_clicks"})
"""Kinds of findings that hurt a stretch and leave the rest of the track whole."""

BLOCK = 1 << 18
ZEROS_S = 0.001
"""Shortest run of zeros that is a hole: no converter gives it from a live microphone."""

RAIL_SHARE = 0.996
"""From this share of its rail on a sample may have been cut."""

AROUND = 3
"""Samples on both sides of a hurt one that a filter behind the damage may have touched."""

JOIN_S = 0.3
"""Hurt places nearer than this are mended as one: two fades need room, and a fade is worse than more of the twin."""

_NONE: Places = np.zeros((0, 2), np.int64)


def hurt_places(sound: Sound, findings: Sequence[Finding]) -> Places:
    """Return where a track's own samples show the damage that findings tell of."""
    found = [
        place + start
        for finding, first, last in _spans(sound, findings)
        for start in range(first, last, BLOCK)
        for place in [_runs(marked(sound.raw(start, min(BLOCK, last - start)), finding, sound.rate))]
        if len(place)
    ]
    return together(found, AROUND, round(JOIN_S * sound.rate))


def marked(samples: F64, finding: Finding, rate: int) -> Bools:
    """Return which samples of a stretch are hurt as a finding says."""
    hurt = ~np.isfinite(samples)
    if finding.kind == "clipped":
        rail = float(amplitude(float(finding.evidence["rail_dbfs"] or 0.0)))
        hurt |= np.abs(samples) >= RAIL_SHARE * rail
    elif finding.kind != "nonfinite":
        zero = _runs(samples == 0)
        for start, stop in zero[zero[:, 1] - zero[:, 0] >= ZEROS_S * rate].tolist():
            hurt[start:stop] = True
    return hurt


def together(found: Sequence[Places], around: int, gap: int) -> Places:
    """Return places in order, widened by `around` samples, with those nearer than `gap` joined."""
    if not found:
        return _NONE
    spans = np.concatenate(found)
    spans = spans[np.argsort(spans[:, 0], kind="stable")] + np.array([-around, around])
    ends = np.maximum.accumulate(spans[:, 1])
    apart = spans[1:, 0] - ends[:-1] > gap
    first, last = np.concatenate(([True], apart)), np.concatenate((apart, [True]))
    return np.stack((np.maximum(spans[first, 0], 0), ends[last]), axis=1)


def overlapping(places: Places, start: int, stop: int) -> bool:
    """Return whether any of the places reaches into a stretch."""
    return bool(len(places)) and bool(np.any((places[:, 0] < stop) & (places[:, 1] > start)))


def _spans(sound: Sound, findings: Sequence[Finding]) -> list[tuple[Finding, int, int]]:
    margin = round(0.02 * sound.rate)
    return [
        (
            finding,
            max(int(finding.start_s * sound.rate) - margin, 0),
            min(int(finding.end_s * sound.rate) + margin, sound.length_samples),
        )
        for finding in findings
    ]


def _runs(hurt: Bools) -> Places:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], hurt, [False])).astype(np.int8)))
    return edges.reshape(-1, 2).astype(np.int64)
