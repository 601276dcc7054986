"""Which track stands off zero, so that it clicks at every cut and gives away headroom?

DC is the median of the means of the 100 ms steps. A rumble swings them to both sides; an offset keeps its sign.
How much matters depends on what it stands under: a fixed offset of a converter may outweigh speech that was
recorded sixty decibels low.
"""

import numpy as np

from takewell.examine.evidence import TrackEvidence
from takewell.examine.wording import level
from takewell.roll.values import Finding, Severity
from takewell.units import SINE_CREST_DB, decibels

KIND = "dc_offset"

LEAST_DBFS = -50.0
"""Offset told in any case, relative to full scale: 0.3 %, where a cut against silence is heard as a click."""

UNDER_SPEECH_DB = 20.0
"""Offset told when it comes nearer than this under the speech (RMS against RMS)."""

MINOR_DBFS = -40.0
"""Offset from which it is more than a note: 1 % of full scale."""

SAME_SIGN = 0.95
"""Share of the quieter half of the steps whose mean has the offset's sign; in loud ones breath and rumble sway it."""

LEAST_SPEECH_DB = 10.0
"""A passage whose speech stands less than this above its floor holds none that an offset could trouble."""

LEAST_STEPS = 20
"""Two seconds: below that a mean is no offset."""


def find_dc_offset(heard: TrackEvidence) -> list[Finding]:
    """Return one finding for each stretch of one gain setting that stands off zero."""
    found: list[Finding] = []
    for start_s, end_s, speech_dbfs in _stretches(heard):
        part = heard.trace.steps(start_s, end_s)
        means, rms = heard.trace.mean[part].astype(np.float64), heard.trace.rms[part]
        means, rms = means[rms > 0], rms[rms > 0]
        if len(means) < LEAST_STEPS:
            continue
        offset = float(np.median(means))
        offset_db = float(decibels(offset))
        quiet = means[rms <= np.median(rms)]
        if not np.isfinite(offset_db) or np.mean(np.sign(quiet) == np.sign(offset)) < SAME_SIGN:
            continue
        # A steady offset of height d has the RMS of a sine 3.01 dB higher in AES17 dBFS.
        near_speech = speech_dbfs is not None and offset_db + SINE_CREST_DB > speech_dbfs - UNDER_SPEECH_DB
        if offset_db < LEAST_DBFS and not near_speech:
            continue
        severity: Severity = "minor" if offset_db >= MINOR_DBFS or near_speech else "note"
        found.append(
            heard.finding(
                KIND,
                start_s,
                end_s,
                confidence=0.95,
                severity=severity,
                sentence=f"stands {abs(offset) * 100:.2g} % of full scale off zero ({level(offset_db)} dBFS)",
                remedy="High-pass it before anything else is done to it.",
                offset_fs=offset,
                offset_dbfs=offset_db,
                speech_level_dbfs=speech_dbfs,
            )
        )
    return found


def _stretches(heard: TrackEvidence) -> list[tuple[float, float, float | None]]:
    found = []
    for p in heard.passages():
        speech, floor = p.speech_level_dbfs, p.noise_floor_dbfs
        spoken = speech is not None and (floor is None or speech - floor >= LEAST_SPEECH_DB)
        found.append((p.start_s, p.end_s, speech if spoken else None))
    return found or [(0.0, heard.length_s, None)]
