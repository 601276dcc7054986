"""Which damage to one track is planted how often, and what became of it?"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from evaluation import faults
from evaluation.corpus import Case, rng_of
from evaluation.hearing import examined
from evaluation.rows import Aim, Job, Planted, Row
from evaluation.sources import Source

from takewell.roll.values import Finding

TITLE = "Damage to one track"

CLEAN = (
    "clipped",
    "dropout",
    "digital_silence",
    "dc_offset",
    "hum",
    "whine",
    "rf_burst",
    "clock_clicks",
    "limited",
    "soft_saturation",
    "nonfinite",
    "dead_track",
)

AIMS = (
    Aim(
        "clipping of 3 samples or more with 1 dB or more lost: 99 %, rail within 0.1 dB",
        "clipped",
        1.0,
        most_off=0.1,
    ),
    Aim(
        "dropouts of 1 ms or more inside speech 20 dB over its floor: 99 %",
        "dropout",
        1.0,
        families=("zeros",),
    ),
    Aim(
        "hum at the floor + 6 dB or more, frequency within 0.05 Hz on a minute: 99 %",
        "hum",
        6.0,
        families=("mains",),
        most_off=0.05,
    ),
)

SLACK_S = 0.05
"""How far beside a planted event a finding may lie."""

_WITHOUT_START = frozenset(
    {"hum", "dc_offset", "noisy", "whine", "limited", "soft_saturation", "clock_clicks"}
)


@dataclass(frozen=True)
class Family:
    """Cases of one kind of damage: every severity in every way, `repeats` times for each voice."""

    make: faults.Maker
    severities: tuple[float, ...]
    ways: tuple[str, ...]
    repeats: int


FAMILIES = (
    Family(
        faults.clipped,
        (0.5, 1, 2, 3, 6, 12),
        ("int24 at full scale", "float at −8 dBFS", "float at +12 dBFS", "16 bit, then turned down 20 dB"),
        4,
    ),
    Family(faults.hole, (0.5, 1, 2, 5, 20, 80, 250), ("zeros",), 3),
    Family(faults.hole, (10, 20, 40, 80), ("collapse",), 1),
    Family(faults.skipped, (3, 6, 12), ("missing", "repeated"), 1),
    Family(faults.noise_burst, (-6, 0, 6), ("hit", "squelch"), 1),
    Family(faults.silence, (0.35, 1, 4), ("mute",), 3),
    Family(faults.hum, (-6, 0, 6, 12), ("50 Hz", "60 Hz"), 2),
    Family(faults.hum, (0, 6), ("lamp at 50 Hz",), 1),
    Family(faults.whine, (-10, 0, 10), ("low", "high"), 2),
    Family(faults.rf_burst, (6, 12, 20), ("1 s", "3 s"), 1),
    Family(faults.clock_clicks, (20, 30, 40), ("clicks",), 1),
    Family(faults.clock_clicks, (0,), ("dropped",), 1),
    Family(faults.limited, (1, 3, 6, 10), ("look-ahead",), 1),
    Family(faults.soft_saturation, (6, 12, 18), ("both sides", "one side"), 1),
    Family(faults.dc_offset, (-52, -48, -40, -26), ("positive", "negative"), 2),
    Family(faults.noisy, (5, 10, 15, 20), ("noise",), 2),
    Family(faults.nonfinite, (1, 37, 4800), ("NaN", "infinity"), 1),
)


def jobs(salt: str, voices: Sequence[Source]) -> Iterable[Job]:
    """Return the work of one set: one job for each voice, kind of damage, severity and way."""
    return [
        Job(planted, (salt, voice, family.make.__name__, number, severity, way))
        for voice in voices
        for number, family in enumerate(FAMILIES)
        for severity in family.severities
        for way in family.ways
    ]


def planted(salt: str, voice: Source, name: str, number: int, severity: float, way: str) -> list[Row]:
    """Return what became of the cases of one severity and way in one voice."""
    rows: list[Row] = []
    for k in range(FAMILIES[number].repeats):
        rng = rng_of(salt, voice.name, name, severity, way, k)
        case = FAMILIES[number].make(voice, severity, way, rng)
        told = examined(case.samples, case.encoding) if case.events else ()
        rows += [_outcome(case, event, told, way) for event in case.events]
    return rows


def _outcome(case: Case, event: tuple[float, float], told: Sequence[Finding], way: str) -> Planted:
    start_s, end_s = event
    here = [
        f
        for f in told
        if f.kind == case.kind and f.start_s <= end_s + SLACK_S and f.end_s >= start_s - SLACK_S
    ]
    timing_ms = off = None
    unit = ""
    if here:
        nearest = min(here, key=lambda f: abs(f.start_s - start_s))
        if case.kind not in _WITHOUT_START:
            timing_ms = 1000 * abs(nearest.start_s - start_s)
        off, unit = _off(case, nearest)
    return Planted(
        case.kind,
        case.severity,
        case.rank,
        bool(here),
        timing_ms,
        off,
        unit,
        way,
        family=case.family,
        asked=case.asked,
    )


def _off(case: Case, finding: Finding) -> tuple[float | None, str]:
    """Return how far the number that the kind is about lies off, and what it is."""

    def told(name: str) -> float:
        return float(finding.evidence[name] or 0)

    if case.kind == "clipped":
        return abs(told("rail_dbfs") - case.truth["rail_dbfs"]), "rail, dB"
    if case.kind in ("hum", "whine"):
        return abs(told("frequency_hz") - case.truth["hertz"]), "frequency, Hz"
    if case.kind == "dc_offset":
        return abs(20 * float(np.log10(told("offset_fs") / case.truth["offset"]))), "offset, dB"
    if case.kind == "clock_clicks":
        return abs(told("period_s") / case.truth["period_s"] - 1) * 1e6, "period, ppm"
    if case.kind == "limited":
        return abs(told("ceiling_dbfs") - case.truth["ceiling_dbfs"]), "ceiling, dB"
    return None, ""
