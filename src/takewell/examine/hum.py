"""Where does mains hum lie under a track, at which frequency, and does it matter?

The hum itself is measured by `takewell.measure.mains_hum`: a glance at the quietest seconds of each section of one gain
setting, and where that shows any, a look at its quietest minute. Here it is judged against the floor and, A-weighted as an ear hears it, against the speech it lies under. Work on mains
is for licensed electricians.
"""

from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence
from takewell.examine.quiet import SECTION_S, quiet_dbfs, quietest, sections
from takewell.examine.wording import count, level, when
from takewell.measure.mains_hum import Hum, hum
from takewell.measure.tone_history import tone_levels
from takewell.measure.weighting import weighting_db
from takewell.roll.values import Finding, Severity
from takewell.units import SINE_CREST_DB, decibels, power_decibels

KIND = "hum"

LOOK_S = 60.0
"""Length of a look; a minute gives the frequency to 0.05 Hz."""

GLANCE_S = 20.0
"""Length of the glance before it. In an analysis 0.2 Hz wide a line that holds a quarter of the energy of a floor some
kilohertz wide stands 30 dB out of it, so what matters cannot hide from a glance unless speech never pauses."""

LOW_RATE = 4000
"""Rate that the sound is brought down to before its lines are looked for; those lie below 1.6 kHz."""

LEAST_S = 4.0
"""Shortest stretch looked at: from there on 50 and 60 Hz are safely apart."""

OVER_FLOOR_DB = -6.0
"""Hum is told when it is no less than this against the unweighted floor, of which it is then a good part."""

STEADY_DB = 3.0
"""Most that hum may lie above the quiet moments of its section: they hold it too, or it was a voice or an instrument."""

PUBLIC_HZ = 0.5
"""How far a public supply strays from nominal (EN 50160: 1 % of 50 Hz for 99.5 % of a year)."""

GENERATOR_LINES = 4
"""Lines asked for where the frequency is no public supply's: a generator hums with many, a held note on such a
pitch (G is 49 Hz, B 61.7) mostly with two or three."""

UNDER_SPEECH_DB = 40.0
"""Hum is told in any case when it lies less than this under the speech, A-weighted: heard in every pause."""

MAJOR_DB = 25.0
"""A-weighted distance to the speech below which hum goes along with every word (common practice, no source)."""

PAUSE_RATIO = 2.0
"""Steps up to this many times the level of the quiet moments are pauses, which alone are listened to: 6 dB."""

LEAST_PAUSES = 0.15
"""Share of pauses below which the whole stretch is listened to."""

RAMP_S = 0.04
"""Length of the ramps into and out of a pause."""

STAYS_DB, AWAY_PERCENTILE = 6.0, 15.0
"""How far a line may fall below its level, and for how much of the time at most; a note that is struck again falls farther."""

FOLLOWED_S = 1.0
"""Length of the segments in which the lines are followed: what lies 2 Hz beside does not count."""

MOST_FOLLOWED = 6
"""The lines that stand out most; half of them have to stay."""

LAMP_LINES, LAMP_EVEN, LAMP_ORDER, LAMP_SHARE = 6, 0.75, 6, 0.5
"""A dimmed lamp switches at the same angle of each half-wave: a pulse at twice the mains, whose lines are even and many. Told
as a lamp from so many lines, so much of them even, and so much of what an ear hears of them from that order on."""

SAME_HZ = 0.2
"""Frequencies within this are the same mains."""


@dataclass(frozen=True)
class _Heard:
    start_s: float
    end_s: float
    hum: Hum
    level_dbfs: float
    weighted_dbfs: float
    speech_dbfs: float | None
    floor_dbfs: float | None


def find_hum(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each run of sections with the same hum."""
    found: list[list[_Heard]] = []
    for start_s, end_s, speech, floor in sections(heard, LEAST_S):
        here = _looked(heard, start_s, end_s, speech, floor)
        if here is None:
            continue
        last = found[-1][-1] if found else None
        alike = last and abs(last.hum.frequency_hz - here.hum.frequency_hz) <= SAME_HZ
        if last and alike and start_s - last.end_s < SECTION_S:
            found[-1].append(here)
        else:
            found.append([here])
    return [_told(heard, group) for group in found]


def _looked(
    heard: TrackEvidence, start_s: float, end_s: float, speech: float | None, floor: float | None
) -> _Heard | None:
    seen = _measured(heard, start_s, end_s, GLANCE_S)
    if seen is not None and end_s - start_s > GLANCE_S:
        seen = _measured(heard, start_s, end_s, LOOK_S) or seen
    if seen is None:
        return None
    found, low_by_db = seen
    hertz = np.array([h.frequency_hz for h in found.harmonics])
    levels = np.array([h.level_dbfs for h in found.harmonics]) + low_by_db
    level_dbfs = found.level_dbfs + low_by_db
    weighted = float(power_decibels(np.sum(10 ** ((levels + weighting_db("A", hertz)) / 10))))
    public = abs(found.frequency_hz - found.nominal_hz) <= PUBLIC_HZ
    if not public and len(found.harmonics) < GENERATOR_LINES:
        return None
    if level_dbfs > quiet_dbfs(heard, start_s, end_s) + STEADY_DB:
        return None
    over_floor = floor is not None and level_dbfs - floor >= OVER_FLOOR_DB
    near_speech = speech is not None and speech - weighted < UNDER_SPEECH_DB
    if not (over_floor or near_speech or (floor is None and speech is None)):
        return None
    return _Heard(start_s, end_s, found, level_dbfs, weighted, speech, floor)


def _measured(
    heard: TrackEvidence, start_s: float, end_s: float, length_s: float
) -> tuple[Hum, float] | None:
    """Return the hum in the pauses of the quietest stretch and what its levels read low by, in dB.

    With everything but the pauses turned down, a steady line keeps its frequency and the mean of the gate as gain.
    """
    part = quietest(heard, start_s, end_s, length_s)
    edges = heard.trace.edges
    samples = heard.samples(int(edges[part.start]), int(edges[part.stop]))
    if len(samples) < LEAST_S * heard.rate or not samples.any():
        return None
    rate = min(heard.rate, LOW_RATE)
    if rate < heard.rate:
        samples = soxr.resample(samples, heard.rate, rate, quality="MQ")
    gate = _gate(heard, part, start_s, end_s, len(samples), rate)
    found = hum(samples * gate, rate)
    if found is None:
        return None
    low_by_db = -float(decibels(gate.mean()))
    return (found, low_by_db) if _stays(found, samples, rate, low_by_db) else None


def _stays(found: Hum, samples: NDArray[np.float64], rate: int, low_by_db: float) -> bool:
    """Return whether half of the lines that stand out most hardly ever fall below their level."""
    plainest = sorted(found.harmonics, key=lambda h: -h.above_noise_db)[:MOST_FOLLOWED]
    away = [
        h.level_dbfs
        + low_by_db
        - np.percentile(tone_levels(samples, rate, h.frequency_hz, FOLLOWED_S), AWAY_PERCENTILE)
        for h in plainest
    ]
    return 2 * int(np.count_nonzero(np.array(away) <= STAYS_DB)) >= len(plainest)


def _gate(
    heard: TrackEvidence, part: slice, start_s: float, end_s: float, length: int, rate: int
) -> NDArray[np.float64]:
    """Return a gain of 1 in the pauses and 0 elsewhere, with ramps between."""
    quiet = 10 ** ((quiet_dbfs(heard, start_s, end_s) - SINE_CREST_DB) / 20)
    pauses = heard.trace.rms[part] <= PAUSE_RATIO * quiet
    if pauses.mean() < LEAST_PAUSES:
        return np.ones(length)
    edges = heard.trace.edges[part.start : part.stop + 1]
    ends = np.minimum(np.round((edges - edges[0]) * rate / heard.rate).astype(np.int64), length)
    gate = np.repeat(pauses.astype(np.float64), np.diff(ends))
    gate = np.pad(gate, (0, length - len(gate)), mode="edge")
    ramp = np.hanning(round(RAMP_S * rate))
    return np.convolve(gate, ramp / ramp.sum(), mode="same")


def _told(heard: TrackEvidence, group: list[_Heard]) -> Finding:
    worst = max(group, key=lambda h: h.weighted_dbfs - (h.speech_dbfs or 0.0))
    found = worst.hum
    start_s, end_s = group[0].start_s, group[-1].end_s
    under = None if worst.speech_dbfs is None else worst.speech_dbfs - worst.weighted_dbfs
    severity: Severity = "note"
    if under is not None and under < UNDER_SPEECH_DB:
        severity = "major" if under < MAJOR_DB else "minor"
    whole = end_s - start_s >= 0.9 * heard.length_s
    place = "" if whole else f" {when(start_s, end_s)}"
    against = (
        "" if worst.floor_dbfs is None else f", {_against(worst.level_dbfs - worst.floor_dbfs)} the floor"
    )
    orders = [h.order for h in found.harmonics]
    lamp = _is_lamp(found)
    name = "buzz of a dimmed lamp" if lamp else "hum"
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.95 if len(orders) > 1 else 0.8,
        severity=severity,
        sentence=f"{name} at {found.frequency_hz:.2f} Hz, {level(worst.level_dbfs)} dBFS with "
        f"{count(len(orders), 'line')}{against}{place}",
        remedy=f"Notch {found.frequency_hz:.2f} Hz and its multiples up to {max(orders)}; "
        + (
            "on set, turn the dimmer full up or off, or move the cable."
            if lamp
            else "on set, part audio from mains."
        ),
        frequency_hz=found.frequency_hz,
        nominal_hz=found.nominal_hz,
        level_dbfs=worst.level_dbfs,
        level_dbfs_a=worst.weighted_dbfs,
        under_speech_db_a=under,
        over_floor_db=None if worst.floor_dbfs is None else worst.level_dbfs - worst.floor_dbfs,
        source="lamp" if lamp else "mains",
        lines=len(orders),
        orders=" ".join(map(str, orders)),
    )


def _is_lamp(found: Hum) -> bool:
    """Return whether the lines are those of pulses at twice the mains."""
    orders = np.array([h.order for h in found.harmonics])
    hertz = np.array([h.frequency_hz for h in found.harmonics])
    heard = 10 ** ((np.array([h.level_dbfs for h in found.harmonics]) + weighting_db("A", hertz)) / 10)
    even = float(heard[orders % 2 == 0].sum() / heard.sum())
    high = float(heard[orders >= LAMP_ORDER].sum() / heard.sum())
    return len(orders) >= LAMP_LINES and even >= LAMP_EVEN and high >= LAMP_SHARE


def _against(difference_db: float) -> str:
    return f"{level(abs(difference_db), 0)} dB {'over' if difference_db >= 0 else 'under'}"
