"""Does a low drone, from traffic or air handling, lie under the speech all the time?

The traces point to it: in the quiet moments of a passage the level without weighting stands far over the A-weighted one and not
far under the speech. Then the quietest seconds are read, and what lies between 20 and 160 Hz there is weighed without
its lines (those are `hum`) and without what lies lower, which nobody hears. It has to be steady: gusts are `wind`.

A gap of that kind between C- or Z- and A-weighted levels is what guidelines take as the mark of low-frequency noise
(Berglund et al., Guidelines for Community Noise, WHO 1999, which asks for a closer look from 10 dB on; from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.engine.results import Passage
from takewell.examine.evidence import TrackEvidence
from takewell.examine.wording import level, when
from takewell.measure.spectrum import power_density
from takewell.roll.values import Finding, Severity
from takewell.units import rms_dbfs

KIND = "rumble"

F64 = NDArray[np.float64]

BAND_HZ = (20.0, 160.0)

LOW_SHARE = 0.5
"""Of the power above 20 Hz in the quiet moments that the band holds: rumble is what is there, not a part of a hiss."""

UNDER_SPEECH_DB = 25.0
"""Rumble farther under the speech is left alone: every low cut takes it (common practice, no source)."""

MINOR_DB = 15.0
MAJOR_DB = 6.0
"""From here on it is as loud as the speech, and no low cut leaves the voice whole."""

Z_OVER_A_DB = 12.0
"""Least distance of the unweighted to the A-weighted level in the quiet moments; a hiss reads less than 3 dB, hum of
100 Hz 19."""

QUIET_PERCENTILE = 10.0
QUIET_RATIO = 2.0
"""Steps up to this many times the level below which a tenth lie are quiet: 6 dB."""

LEAST_S = 10.0
"""Shortest passage judged; in less there may be no pause."""

LOOK_S = 20.0
LEAST_QUIET_S = 1.5
SEGMENT_S = 0.5

STEADY_DB = 9.0
"""Most that the unweighted level may spread (tenth to ninetieth percentile) over the steps that are quiet by their
A-weighted level; a drone of three octaves spreads by 3 to 5 dB in 100 ms."""

LINE_RATIO = 8.0
"""A bin so many times over the median of its neighbours is a line and is left out: averaged over ten looks noise reaches 3."""

NEIGHBOURS = 7
"""Bins on each side; 14 Hz."""


@dataclass(frozen=True)
class _Heard:
    passage: Passage
    low_dbfs: float
    floor_dbfs_a: float
    share: float
    middle_hz: float


def find_rumble(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each passage with a steady low drone under its speech."""
    if heard.take.kind not in ("take", "wild"):
        return []
    looked = (_looked(heard, passage) for passage in heard.passages())
    return [_told(heard, each) for each in looked if each is not None]


def _looked(heard: TrackEvidence, passage: Passage) -> _Heard | None:
    speech = passage.speech_level_dbfs
    if speech is None or passage.end_s - passage.start_s < LEAST_S:
        return None
    trace = heard.trace
    part = trace.steps(passage.start_s, passage.end_s)
    offset = float(np.median(trace.mean[part]))
    whole = np.sqrt(np.maximum(trace.rms[part].astype(np.float64) ** 2 - offset**2, 0.0))
    weighted = trace.a_rms[part].astype(np.float64)
    live = weighted > 0
    if np.count_nonzero(live) < LEAST_S * 5:
        return None
    limit = QUIET_RATIO * np.percentile(weighted[live], QUIET_PERCENTILE)
    quiet = live & (weighted <= limit)
    level_dbfs, weighted_dbfs = (float(rms_dbfs(np.mean(x[quiet] ** 2))) for x in (whole, weighted))
    if level_dbfs - weighted_dbfs < Z_OVER_A_DB or speech - level_dbfs > UNDER_SPEECH_DB:
        return None
    low, high = rms_dbfs(np.percentile(whole[quiet], [10, 90]) ** 2)
    if high - low > STEADY_DB:
        return None
    return _weighed(heard, passage, np.flatnonzero(quiet) + part.start, weighted_dbfs)


def _weighed(
    heard: TrackEvidence, passage: Passage, quiet: NDArray[np.int64], floor_dbfs_a: float
) -> _Heard | None:
    """Return what the low band holds in runs of quiet steps, their first `LOOK_S` seconds."""
    edges = heard.trace.edges
    breaks = np.flatnonzero(np.diff(quiet) > 1) + 1
    size = 2 * round(SEGMENT_S * heard.rate / 2)
    total, seconds = np.zeros(size // 2 + 1), 0.0
    hertz = np.arange(size // 2 + 1) * heard.rate / size
    for run in np.split(quiet, breaks):
        start, stop = int(edges[run[0]]), int(edges[run[-1] + 1])
        stop = min(stop, start + round((LOOK_S - seconds) * heard.rate))
        if stop - start < size:
            continue
        density = power_density(heard.samples(start, stop)[:, None], heard.rate, segment_s=SEGMENT_S)
        length_s = (stop - start) / heard.rate
        total += density.density[:, 0] * length_s
        seconds += length_s
        if seconds >= LOOK_S - 2 * SEGMENT_S:
            break
    if seconds < LEAST_QUIET_S:
        return None
    density_of = _without_lines(total / seconds, hertz)
    inside = (hertz >= BAND_HZ[0]) & (hertz < BAND_HZ[1])
    low = density_of * inside
    share = float(low.sum() / max(density_of[hertz >= BAND_HZ[0]].sum(), 1e-30))
    low_dbfs = float(rms_dbfs(low.sum() * hertz[1]))
    speech = passage.speech_level_dbfs or 0.0
    if share < LOW_SHARE or speech - low_dbfs > UNDER_SPEECH_DB or low_dbfs - floor_dbfs_a < Z_OVER_A_DB:
        return None
    return _Heard(passage, low_dbfs, floor_dbfs_a, share, float((low * hertz).sum() / low.sum()))


def _without_lines(density: F64, hertz: F64) -> F64:
    """Return the density with what stands out of the band as a line brought down to its neighbours."""
    out = density.copy()
    for k in np.flatnonzero((hertz >= BAND_HZ[0]) & (hertz < BAND_HZ[1])).tolist():
        around = np.median(density[max(k - NEIGHBOURS, 1) : k + NEIGHBOURS + 1])
        if density[k] > LINE_RATIO * around:
            out[k] = around
    return out


def _told(heard: TrackEvidence, here: _Heard) -> Finding:
    passage = here.passage
    under = (passage.speech_level_dbfs or 0.0) - here.low_dbfs
    severity: Severity = "note"
    if under < MINOR_DB:
        severity = "major" if under < MAJOR_DB else "minor"
    whole = passage.end_s - passage.start_s >= 0.9 * heard.length_s
    place = "" if whole else f" {when(passage.start_s, passage.end_s)}"
    return heard.finding(
        KIND,
        passage.start_s,
        passage.end_s,
        confidence=0.85,
        severity=severity,
        sentence=f"rumble around {here.middle_hz:.0f} Hz, {level(here.low_dbfs)} dBFS, {level(under, 0)} dB under the speech{place}",
        remedy="Low-cut at 80 to 120 Hz before levelling; on set, switch the low cut on and find the source.",
        low_dbfs=here.low_dbfs,
        under_speech_db=under,
        over_floor_db_a=here.low_dbfs - here.floor_dbfs_a,
        share_of_floor=here.share,
        middle_hz=here.middle_hz,
    )
