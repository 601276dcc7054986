"""Which steady tone that is no mains lies under a track: a camera, a charger, a converter, a monitor?

The quietest seconds of each section of one gain setting are looked at. A line (`takewell.measure.steady_lines`) is a whine
where it never goes away, as a note or a voice does, and stands out to an ear: by the tone-to-noise ratio of ECMA-74,
annex D, which calls a tone prominent from 8 dB over the noise in the critical band around it (more below 1 kHz), or by
lying near the speech. Lines of the mains are `hum`'s to tell.
"""

from dataclasses import dataclass

import numpy as np
import soxr

from takewell.examine.evidence import TrackEvidence
from takewell.examine.quiet import quiet_dbfs, quietest, sections
from takewell.examine.wording import level, when
from takewell.measure.steady_lines import LEAST_SEGMENT_S, Line, MedianSpectrum, lines_in, median_spectrum
from takewell.measure.tone_history import tone_levels
from takewell.measure.weighting import weighting_db
from takewell.roll.values import Finding, Severity
from takewell.units import power_decibels

KIND = "whine"

LOOK_S = 20.0
LEAST_S = 4.0
"""Shortest stretch looked at."""

LOWEST_HZ = 200.0
"""Below lie hum and rumble, and what a tone is there an ear hardly tells."""

HIGHEST_HZ = 18_000.0

MAINS_HZ = (50.0, 60.0)
MAINS_BELOW_HZ = 2_000.0
MAINS_SHARE = 2e-3
"""How near to a multiple of the mains, as a share of its frequency and no more than `MAINS_NEAR_HZ`, a line below
`MAINS_BELOW_HZ` is the mains'."""

MAINS_NEAR_HZ = 1.5

PROMINENT_DB, PROMINENT_FROM_HZ, PROMINENT_SLOPE_DB = 8.0, 1000.0, 8.33
"""ECMA-74 (15th edition), D.9.5, from memory: 8 dB from 1 kHz on, and 8.33 dB a decade more below."""

UNDER_SPEECH_DB = 40.0
"""Less than this under the speech, A-weighted, a whine is heard in every pause (as for `hum`)."""

MAJOR_DB = 25.0

STAYS_DB = 4.0
"""How far the tone may fall below its own median for a tenth of the time."""

FOLLOWED_S = 0.1
"""Length of the segments in which the tone is followed."""

STEADY_DB = 3.0
"""Most that a whine may lie above the quiet moments of its section: they hold it too."""

MOST_LINES = 6
"""More tones than this that stay at once are an instrument or a machine that plays; neither is told as a whine."""

SAME_SHARE = 5e-3
"""Frequencies alike within this share are the same whine, warmer or colder."""


@dataclass(frozen=True)
class _Heard:
    start_s: float
    end_s: float
    line: Line
    over_band_db: float
    weighted_dbfs: float
    speech_dbfs: float | None


def find_whine(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each steady tone, over all the sections that hold it."""
    groups: list[list[_Heard]] = []
    for start_s, end_s, speech, _ in sections(heard, LEAST_S):
        for here in _looked(heard, start_s, end_s, speech):
            for group in groups:
                if abs(group[-1].line.frequency_hz / here.line.frequency_hz - 1) <= SAME_SHARE:
                    group.append(here)
                    break
            else:
                groups.append([here])
    return [_told(heard, group) for group in groups]


def _looked(heard: TrackEvidence, start_s: float, end_s: float, speech: float | None) -> list[_Heard]:
    part = quietest(heard, start_s, end_s, LOOK_S)
    edges = heard.trace.edges
    samples = heard.samples(int(edges[part.start]), int(edges[part.stop]))
    if len(samples) < LEAST_S * heard.rate or not samples.any():
        return []
    rate = heard.rate
    if rate > 48_000:
        samples, rate = soxr.resample(samples, rate, 48_000, quality="MQ"), 48_000
    spectrum = median_spectrum(samples, rate, LEAST_SEGMENT_S, highest_hz=HIGHEST_HZ)
    lines = [line for line in lines_in(spectrum) if line.frequency_hz >= LOWEST_HZ and not _is_mains(line)]
    quiet = quiet_dbfs(heard, start_s, end_s)
    found = []
    for line in lines:
        over_band = _over_band_db(spectrum, line)
        weighted = line.level_dbfs + float(weighting_db("A", np.array([line.frequency_hz]))[0])
        near_speech = speech is not None and speech - weighted < UNDER_SPEECH_DB
        if not near_speech and over_band < _prominent_db(line.frequency_hz):
            continue
        if line.level_dbfs > quiet + STEADY_DB:
            continue
        levels = tone_levels(samples, rate, line.frequency_hz, FOLLOWED_S)
        if np.percentile(levels, 10) < np.median(levels) - STAYS_DB:
            continue
        found.append(_Heard(start_s, end_s, line, over_band, weighted, speech))
    return found if len(found) <= MOST_LINES else []


def _is_mains(line: Line) -> bool:
    if line.frequency_hz > MAINS_BELOW_HZ:
        return False
    near_hz = min(MAINS_NEAR_HZ, MAINS_SHARE * line.frequency_hz + 0.5)
    return any(
        abs(line.frequency_hz - mains * round(line.frequency_hz / mains)) <= near_hz for mains in MAINS_HZ
    )


def _over_band_db(spectrum: MedianSpectrum, line: Line) -> float:
    """Return the tone-to-noise ratio: the tone against the noise in the critical band around it."""
    khz = line.frequency_hz / 1000
    band_hz = 25 + 75 * (1 + 1.4 * khz**2) ** 0.69
    inside = np.abs(spectrum.frequency_hz - line.frequency_hz) <= band_hz / 2
    # Noise whose power in a bin is exponentially distributed has its median at ln 2 of its mean; a Hann bin is 1.5 wide.
    density = float(np.mean(spectrum.noise[inside])) / np.log(2) / (1.5 * spectrum.bin_hz)
    tone = 10 ** (line.level_dbfs / 10) / 2
    return float(power_decibels(tone / max(density * band_hz, 1e-30)))


def _prominent_db(frequency_hz: float) -> float:
    return PROMINENT_DB + PROMINENT_SLOPE_DB * max(0.0, float(np.log10(PROMINENT_FROM_HZ / frequency_hz)))


def _told(heard: TrackEvidence, group: list[_Heard]) -> Finding:
    worst = max(group, key=lambda h: h.weighted_dbfs - (h.speech_dbfs or 0.0))
    start_s, end_s = group[0].start_s, group[-1].end_s
    under = None if worst.speech_dbfs is None else worst.speech_dbfs - worst.weighted_dbfs
    severity: Severity = "note"
    if under is not None and under < UNDER_SPEECH_DB:
        severity = "major" if under < MAJOR_DB else "minor"
    hertz = worst.line.frequency_hz
    whole = end_s - start_s >= 0.9 * heard.length_s
    place = "" if whole else f" {when(start_s, end_s)}"
    against = "" if under is None else f", {level(under, 0)} dB under the speech"
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.9 if worst.over_band_db >= PROMINENT_DB else 0.75,
        severity=severity,
        sentence=f"a tone at {hertz:,.0f} Hz, {level(worst.line.level_dbfs)} dBFS{against}{place}",
        remedy=f"Notch {hertz:,.0f} Hz; on set, look for a charger, a monitor or a camera near the microphone or its cable.",
        frequency_hz=hertz,
        level_dbfs=worst.line.level_dbfs,
        level_dbfs_a=worst.weighted_dbfs,
        under_speech_db_a=under,
        over_critical_band_db=worst.over_band_db,
        sections=len(group),
    )
