"""Where does speech stand too little above its noise?

Both are the measurement's: the active speech level (ITU-T P.56) and the A-weighted noise floor of each passage
recorded at one gain. A gain moves both alike, so this is what levelling cannot mend.
"""

import numpy as np

from takewell.examine.evidence import TrackEvidence
from takewell.examine.wording import level, when
from takewell.roll.values import Finding, Severity
from takewell.units import power_decibels, rms_dbfs

KIND = "noisy"

MINOR_DB = 20.0
"""Speech less than this above the A-weighted floor is plainly noisy (common practice, no source)."""

MAJOR_DB = 10.0
"""Speech less than this above the floor costs words (common practice, no source)."""

LEAST_SPREAD_DB = 6.0
"""Spread (10th to 95th percentile of the 100 ms steps, K-weighted) below which nothing stands out that could be
speech: an atmosphere or a machine, not speech in noise."""

LEAST_S = 3.0
"""Shortest passage judged; P.56 asks for some seconds of speech."""


NO_PAUSE_DB = 10.0
"""A floor so far above the lowest hundredth of the 10 ms steps is no noise but speech without a pause: steady noise
dips by some 3 dB from one 10 ms to the next, speech between two syllables by much more."""


def find_noisy(heard: TrackEvidence) -> list[Finding]:
    """Return one finding for each passage whose speech stands too little above its floor."""
    if heard.take.kind != "take":
        return []
    found = []
    for passage in heard.passages():
        speech, floor = passage.speech_level_dbfs, passage.noise_floor_dbfs_a
        if speech is None or floor is None or passage.end_s - passage.start_s < LEAST_S:
            continue
        apart_db = speech - floor
        if apart_db >= MINOR_DB or _spread_db(heard, passage.start_s, passage.end_s) < LEAST_SPREAD_DB:
            continue
        if floor - _lowest_dbfs(heard, passage.start_s, passage.end_s) > NO_PAUSE_DB:
            continue
        severity: Severity = "major" if apart_db < MAJOR_DB else "minor"
        whole = passage.end_s - passage.start_s >= 0.9 * heard.length_s
        place = "" if whole else f" {when(passage.start_s, passage.end_s)}"
        found.append(
            heard.finding(
                KIND,
                passage.start_s,
                passage.end_s,
                confidence=0.8,
                severity=severity,
                sentence=f"speech only {level(apart_db, 0)} dB above the noise{place}",
                remedy="Prefer a nearer microphone; else reduce the noise before levelling.",
                speech_level_dbfs=speech,
                noise_floor_dbfs_a=floor,
                noise_floor_dbfs=passage.noise_floor_dbfs,
                speech_above_noise_db=apart_db,
            )
        )
    return found


def _lowest_dbfs(heard: TrackEvidence, start_s: float, end_s: float) -> float:
    """Return the level that a hundredth of the 10 ms steps lie below, K-weighted."""
    trace = heard.trace
    middles = (trace.fine_edges[:-1] + trace.fine_edges[1:]) / 2 / trace.rate
    fine = trace.fine_k_rms[(middles >= start_s) & (middles < end_s)].astype(np.float64)
    fine = fine[fine > 0]
    return float(rms_dbfs(np.percentile(fine, 1) ** 2)) if len(fine) else -np.inf


def _spread_db(heard: TrackEvidence, start_s: float, end_s: float) -> float:
    steps = heard.trace.k_rms[heard.trace.steps(start_s, end_s)].astype(np.float64)
    steps = steps[steps > 0]
    if not len(steps):
        return 0.0
    low, high = power_decibels(np.percentile(steps, [10, 95]) ** 2)
    return float(high - low)
