"""Where does mains hum lie under a track, at which frequency, and does it matter?

The hum itself is measured by `takewell.measure.mains_hum`: a glance at the quietest seconds of each section of one gain
setting, and where that shows any, a look at its quietest minute. Here it is judged against the floor and, A-weighted as an ear hears it, against the speech it lies under. Work on mains
is for licensed electricians.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import soxr

from takewell.examine.evidence import TrackEvidence
from takewell.examine.wording import count, level, when
from takewell.measure.mains_hum import Hum, hum
from takewell.measure.weighting import weighting_db
from takewell.roll.values import Finding, Severity
from takewell.units import power_decibels, rms_dbfs

KIND = "hum"

SECTION_S = 600.0
"""One look every ten minutes: hum comes with a plug, a lamp or a cable, and those stay for a while."""

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

QUIET_PERCENTILE = 10.0
"""What the quiet moments are: the level below which a tenth of the 100 ms steps lie."""

PUBLIC_HZ = 0.5
"""How far a public supply strays from nominal (EN 50160: 1 % of 50 Hz for 99.5 % of a year)."""

GENERATOR_LINES = 4
"""Lines asked for where the frequency is no public supply's: a generator hums with many, a held note on such a
pitch (G is 49 Hz, B 61.7) mostly with two or three."""

UNDER_SPEECH_DB = 40.0
"""Hum is told in any case when it lies less than this under the speech, A-weighted: heard in every pause."""

MAJOR_DB = 25.0
"""A-weighted distance to the speech below which hum goes along with every word (common practice, no source)."""

SAME_HZ = 0.2
"""Frequencies within this are the same mains."""


@dataclass(frozen=True)
class _Heard:
    start_s: float
    end_s: float
    hum: Hum
    weighted_dbfs: float
    speech_dbfs: float | None
    floor_dbfs: float | None


def find_hum(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each run of sections with the same hum."""
    found: list[list[_Heard]] = []
    for start_s, end_s, speech, floor in _sections(heard):
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


def _sections(heard: TrackEvidence) -> list[tuple[float, float, float | None, float | None]]:
    """Return (start, end, speech level, floor) of stretches of one gain setting, ten minutes each at most."""
    settings = [(p.start_s, p.end_s, p.speech_level_dbfs, p.noise_floor_dbfs) for p in heard.passages()] or [
        (0.0, heard.length_s, None, None)
    ]
    sections = []
    for start_s, end_s, speech, floor in settings:
        parts = max(1, round((end_s - start_s) / SECTION_S))
        edges = np.linspace(start_s, end_s, parts + 1).tolist()
        sections += [(a, b, speech, floor) for a, b in pairwise(edges)]
    return [s for s in sections if s[1] - s[0] >= LEAST_S]


def _looked(
    heard: TrackEvidence, start_s: float, end_s: float, speech: float | None, floor: float | None
) -> _Heard | None:
    found = _measured(heard, start_s, end_s, GLANCE_S)
    if found is not None and end_s - start_s > GLANCE_S:
        found = _measured(heard, start_s, end_s, LOOK_S) or found
    if found is None:
        return None
    hertz = np.array([h.frequency_hz for h in found.harmonics])
    levels = np.array([h.level_dbfs for h in found.harmonics])
    weighted = float(power_decibels(np.sum(10 ** ((levels + weighting_db("A", hertz)) / 10))))
    public = abs(found.frequency_hz - found.nominal_hz) <= PUBLIC_HZ
    if not public and len(found.harmonics) < GENERATOR_LINES:
        return None
    if found.level_dbfs > _quiet_dbfs(heard, start_s, end_s) + STEADY_DB:
        return None
    over_floor = floor is not None and found.level_dbfs - floor >= OVER_FLOOR_DB
    near_speech = speech is not None and speech - weighted < UNDER_SPEECH_DB
    if not (over_floor or near_speech or (floor is None and speech is None)):
        return None
    return _Heard(start_s, end_s, found, weighted, speech, floor)


def _quiet_dbfs(heard: TrackEvidence, start_s: float, end_s: float) -> float:
    steps = heard.trace.rms[heard.trace.steps(start_s, end_s)]
    return float(rms_dbfs(np.percentile(steps.astype(np.float64), QUIET_PERCENTILE) ** 2))


def _measured(heard: TrackEvidence, start_s: float, end_s: float, length_s: float) -> Hum | None:
    samples = heard.samples(*_quietest(heard, start_s, end_s, length_s))
    if len(samples) < LEAST_S * heard.rate or not samples.any():
        return None
    if heard.rate <= LOW_RATE:
        return hum(samples, heard.rate)
    return hum(soxr.resample(samples, heard.rate, LOW_RATE, quality="MQ"), LOW_RATE)


def _quietest(heard: TrackEvidence, start_s: float, end_s: float, length_s: float) -> tuple[int, int]:
    """Return the samples of the stretch of up to `length_s` whose loud moments are fewest."""
    trace = heard.trace
    part = trace.steps(start_s, end_s)
    width = round(length_s * 10)
    first, last = part.start, part.stop
    if last - first > width:
        loud = np.cbrt(trace.rms[part].astype(np.float64))
        sums = np.concatenate(([0.0], np.cumsum(loud)))
        first += int(np.argmin(sums[width:] - sums[:-width]))
        last = first + width
    return int(trace.edges[first]), int(trace.edges[last])


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
        "" if worst.floor_dbfs is None else f", {_against(found.level_dbfs - worst.floor_dbfs)} the floor"
    )
    orders = [h.order for h in found.harmonics]
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.95 if len(orders) > 1 else 0.8,
        severity=severity,
        sentence=f"hum at {found.frequency_hz:.2f} Hz, {level(found.level_dbfs)} dBFS with "
        f"{count(len(orders), 'line')}{against}{place}",
        remedy=f"Notch {found.frequency_hz:.2f} Hz and its multiples up to {max(orders)}; on set, part audio from mains.",
        frequency_hz=found.frequency_hz,
        nominal_hz=found.nominal_hz,
        level_dbfs=found.level_dbfs,
        level_dbfs_a=worst.weighted_dbfs,
        under_speech_db_a=under,
        over_floor_db=None if worst.floor_dbfs is None else found.level_dbfs - worst.floor_dbfs,
        lines=len(orders),
        orders=" ".join(map(str, orders)),
    )


def _against(difference_db: float) -> str:
    return f"{level(abs(difference_db), 0)} dB {'over' if difference_db >= 0 else 'under'}"
