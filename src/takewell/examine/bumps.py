"""Which short pushes from below the voice stand alone, and how does the voice run beside them?

A knock on a stand and the breath of a popped consonant look alike under 80 Hz: up by 12 dB and more within some tens
of milliseconds, and gone again. What tells them apart is the voice (`thump`, `plosive`). Gusts come in crowds and do
not go down between, music comes in time, rumble stays: none of those stands alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence
from takewell.examine.low_band import LowBand, low_band, low_steps, speech_dbfs
from takewell.examine.spans import merged, runs
from takewell.examine.wind import find_wind

F64 = NDArray[np.float64]

REACH_S = 0.6
"""How much is read on both sides of the steps that point to a place."""

LEAST_DB = -9.0
"""Least level of the low band against the speech, under which whoever listens on small loudspeakers will not hear it
(common practice, no source). Clean speech stays under −20 dB for 99 of 100 steps."""

ALONE_DB = 12.0
"""How far the low band lies lower both before and after."""

FOOT_DB = 8.0
"""A push lasts as long as the low band is within this of its height."""

LONGEST_S = 0.2

ASIDE_S = (0.1, 0.35)
"""From and to how far beside the foot the quiet is looked for."""

AFTER = (3, 15)
"""Steps after the foot in which the voice has set in, if the push was its own."""

NEIGHBOUR_S = 4.0
NEIGHBOUR_DB = 8.0
RULES_DB = 3.0
MOST_NEIGHBOURS = 3
"""More than this many moments within `NEIGHBOUR_S` on both sides that the low band rules by `RULES_DB` over the voice's, at no
less than `NEIGHBOUR_DB` under what the push has there: weather, or a drum. A knock or a pop has few of its like so near."""

LONGEST_LOOK_S = 5.0
"""Longest run of low steps that can hold an event that stands alone."""


@dataclass(frozen=True)
class Bump:
    """One push of the low band."""

    start_s: float
    peak_s: float
    end_s: float
    over_speech_db: float
    """Its highest level against the speech."""
    low_dbfs: float
    before_db: float
    """The lowest that the voice stands against the speech in the tenth of a second before it."""
    onset_db: float
    """What the voice stands at against the speech for a quarter of the tenth of a second after it."""
    rest_db: float
    """The lowest that it stands at there."""
    within_db: float
    """The highest that the voice stands against the speech during the push itself."""


def bumps(heard: TrackEvidence, *, wide: bool = False) -> list[Bump]:
    """Return a track's lone pushes in order: of the low band, or of the wide one up to 160 Hz."""
    if heard.take.kind not in ("take", "wild"):
        return []
    marked = low_steps(heard)
    found: list[Bump] = []
    for first, last in merged(runs(marked), round(REACH_S * 100)).tolist():
        if (last - first) / 100 > LONGEST_LOOK_S:
            continue
        band = low_band(heard, first / 100 - REACH_S, last / 100 + REACH_S)
        if band is not None:
            found += _in_band(heard, band, band.wide_dbfs if wide else band.low_dbfs)
    alone = [b for b in found if _neighbours(heard, b) <= MOST_NEIGHBOURS]
    wind = find_wind(heard) if alone else []
    return [b for b in alone if not any(w.start_s < b.end_s and w.end_s > b.start_s for w in wind)]


def _in_band(heard: TrackEvidence, band: LowBand, low: F64) -> list[Bump]:
    voice = band.voice_dbfs
    speech = speech_dbfs(heard, np.array([band.start_s + len(low) / 200]))[0]
    if not np.isfinite(speech):
        return []
    near, far = (round(s * 100) for s in ASIDE_S)
    found = []
    peaks = np.flatnonzero((low[1:-1] >= low[:-2]) & (low[1:-1] > low[2:])) + 1
    for peak in peaks.tolist():
        height = low[peak]
        if height < speech + LEAST_DB:
            continue
        inside = low >= height - FOOT_DB
        first = peak - int(np.argmin(inside[peak::-1])) + 1 if not inside[: peak + 1].all() else 0
        last = peak + int(np.argmin(inside[peak:])) if not inside[peak:].all() else len(low)
        if last - first > LONGEST_S * 100 or height < low[first:last].max():
            continue
        before, after = low[max(first - far, 0) : max(first - near, 0)], low[last + near : last + far]
        if min(len(before), len(after)) < (far - near) // 2:
            continue
        if max(np.median(before), np.median(after)) > height - ALONE_DB:
            continue
        beyond = voice[last + AFTER[0] : last + AFTER[1]] - speech
        found.append(
            Bump(
                band.start_s + first / 100,
                band.start_s + peak / 100,
                band.start_s + last / 100,
                float(height - speech),
                float(height),
                float(voice[max(first - 10, 0) : max(first, 1)].min() - speech),
                float(np.percentile(beyond, 75)),
                float(beyond.min()),
                float(voice[first:last].max() - speech),
            )
        )
    return found


def _neighbours(heard: TrackEvidence, bump: Bump) -> int:
    band = low_band(heard, bump.peak_s - NEIGHBOUR_S, bump.peak_s + NEIGHBOUR_S)
    if band is None:
        return 0
    at = round((bump.peak_s - band.start_s) * 100)
    low = band.low_dbfs
    height = low[max(at - 5, 0) : at + 6].max(initial=-np.inf)
    alike = (low >= height - NEIGHBOUR_DB) & (low >= band.voice_dbfs + RULES_DB)
    spans = merged(runs(alike), round(ASIDE_S[0] * 100))
    return int(np.count_nonzero((spans[:, 1] < at - 10) | (spans[:, 0] > at + 10)))
