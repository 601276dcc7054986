"""Is the room too live for speech, as far as the speech itself tells?

Blind, from the traces alone: wherever the voice breaks off, the sound falls no faster than the room lets it. Each fall of
the K-weighted 10 ms steps that runs from 5 to 20 dB under a crest without coming back up is read as a decay, by the
limits that ISO 3382-1 sets where a decay is evaluated (there 5 to 25 or 35 dB, of an impulse response; 20 dB is what speech over
a floor mostly leaves). The lower quartile of them, extended to 60 dB, is the reverberation time told: the voice can only make a
fall longer. In a dry room the voice's own endings decide, and they read 0.1 to 0.3 s; so do close microphones in
live rooms, where the direct sound leads and nothing needs to be said.

How far to trust it: of readings of 0.6 s or more in simulated rooms, nine in ten lay between 0.81 and 1.18 times the room's own T30
with image sources and rays, and up to 1.33 times with a plain diffuse tail. The range given covers both.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from takewell.engine.results import Passage
from takewell.examine.evidence import TrackEvidence
from takewell.roll.values import Finding, Severity
from takewell.units import rms_dbfs

KIND = "reverberant"

F64 = NDArray[np.float64]

FROM_DB, TO_DB = 5.0, 20.0
"""Part of a fall that is read."""

CREST_DB = 6.0
"""A crest lies no more than this under the speech level."""

CLEAR_DB = 6.0
"""The end of the part read lies at least this over the floor, so that the floor does not bend it (1 dB at 6 dB)."""

FLOOR_PERCENTILE = 3.0

SMOOTH = 3
"""Steps of the running mean of the power: a tail of few harmonics beats within 10 ms, a room's fall does not."""

BACK_DB = 3.0
"""A fall that comes back up by this is over: the next syllable."""

LONGEST_S = 2.5

LEAST_FALLS = 8
"""Falls that the quartile is taken of."""

QUARTILE = 25.0

ALIKE = 0.4
"""A fifth of the falls may be shorter than this share of the middle one, no more: in a room all are held by the same walls."""

LIVE_S = 0.65
"""From here on speech from a distance is plainly roomy: rooms for speech are built for 0.4 to 0.6 s (common practice, no source)."""

MINOR_S, MAJOR_S = 0.9, 1.5

READS = (0.81, 1.33)
"""Reading over the room's T30, at least and at most, in nine of ten simulated rooms."""

LEAST_S = 15.0
MOST_S = 300.0
"""Least time judged, and how much of a track is read: five minutes of speech hold hundreds of falls."""


def find_reverberant(heard: TrackEvidence) -> list[Finding]:
    """Return a finding where speech dies away as in a live room; all gain settings are read together."""
    if heard.take.kind != "take":
        return []
    passages = [p for p in heard.passages() if p.speech_level_dbfs is not None]
    read, left_s = [np.zeros(0)], MOST_S
    for passage in passages:
        end_s = min(passage.end_s, passage.start_s + left_s)
        read.append(_falls_in(heard, passage, end_s))
        left_s = max(left_s - (end_s - passage.start_s), 0.0)
    falls = np.concatenate(read)
    if len(falls) < LEAST_FALLS or MOST_S - left_s < LEAST_S:
        return []
    fifth, reading, middle = np.percentile(falls, [20, QUARTILE, 50])
    if reading < LIVE_S or fifth < ALIKE * middle:
        return []
    return [_told(heard, passages, float(reading), len(falls))]


def decay_times(steps_dbfs: F64, crest_dbfs: float) -> F64:
    """Return the time that each fall takes, extended to 60 dB, in seconds.

    Parameters
    ----------
    steps_dbfs : (n,) float64 array
        Levels of 10 ms steps.
    crest_dbfs : float
        Falls from crests at or over this are read.
    """
    level = steps_dbfs
    if len(level) < 3:
        return np.zeros(0)
    floor = float(np.percentile(level, FLOOR_PERCENTILE))
    least = max(crest_dbfs, floor + CLEAR_DB + TO_DB)
    crests = (
        np.flatnonzero((level[1:-1] >= level[:-2]) & (level[1:-1] > level[2:]) & (level[1:-1] >= least)) + 1
    )
    reach = round(LONGEST_S * 100)
    times = (_fall(level[crest : crest + reach]) for crest in crests.tolist())
    return np.array([t for t in times if t is not None], np.float64)


def _fall(level: F64) -> float | None:
    """Return the 60 dB time of the fall from the first step, None where it does not get down."""
    low = np.flatnonzero(level <= level[0] - TO_DB)
    if not len(low):
        return None
    way = level[: int(low[0]) + 1]
    if np.any(way > np.minimum.accumulate(way) + BACK_DB):
        return None
    start, stop = (_crossing(way, level[0] - db) for db in (FROM_DB, TO_DB))
    return (stop - start) / 100 * 60 / (TO_DB - FROM_DB)


def _crossing(way: F64, at_db: float) -> float:
    """Return the step, interpolated, at which a fall first reaches a level."""
    k = int(np.argmax(way <= at_db))
    return k - float((at_db - way[k]) / (way[k - 1] - way[k]))


def _falls_in(heard: TrackEvidence, passage: Passage, end_s: float) -> F64:
    trace = heard.trace
    first, last = np.searchsorted(trace.fine_edges / heard.rate, [passage.start_s, end_s])
    steps = trace.fine_k_rms[int(first) : int(last)].astype(np.float64)
    if not steps.any():
        return np.zeros(0)
    levels = rms_dbfs(np.maximum(uniform_filter1d(steps**2, SMOOTH, mode="nearest"), 1e-30))
    return decay_times(levels, float(passage.speech_level_dbfs or 0.0) - CREST_DB)


def _told(heard: TrackEvidence, passages: Sequence[Passage], reading_s: float, falls: int) -> Finding:
    severity: Severity = "note"
    if reading_s >= MINOR_S:
        severity = "major" if reading_s >= MAJOR_S else "minor"
    least_s, most_s = reading_s / READS[1], reading_s / READS[0]
    return heard.finding(
        KIND,
        passages[0].start_s,
        passages[-1].end_s,
        confidence=0.8,
        severity=severity,
        sentence=f"live room: the voice dies away in {reading_s:.1f} s per 60 dB "
        f"(the room's own time {least_s:.1f} to {most_s:.1f} s)",
        remedy="Prefer a nearer microphone; on set, go nearer, or hang cloth.",
        decay_s=reading_s,
        reverberation_least_s=least_s,
        reverberation_most_s=most_s,
        falls=falls,
    )
