"""What a package must hold, and the published loudness documents a finished one is held against.

Sources: EBU R 128 v5.0 (November 2023), production ±1.0 LU around -23.0 LUFS split from the quality-control
tolerance of ±0.2 LU in v4.0 (August 2020), at most -1 dBTP; ATSC A/85 (2013; same figures 2026), -24 LKFS
±2 dB, at most -2 dBTP; AES TD1008 (September 2021), speech -18 LUFS with +1 LU, at most -1 dBTP.
Where a document names no lower bound, the same distance below is used and said to be ours.
"""

from dataclasses import dataclass
from typing import Literal

from takewell.errors import SettingError

SpecName = Literal["editorial", "finished"]


@dataclass(frozen=True)
class LoudnessSpec:
    """A programme loudness target with its tolerance and true-peak ceiling."""

    name: str
    document: str
    target_lufs: float
    below_lu: float
    above_lu: float
    max_true_peak_dbtp: float
    true_peak_tolerance_db: float
    """What the document grants the meter; 0 where it grants nothing."""


LOUDNESS_SPECS = {
    spec.name: spec
    for spec in (
        LoudnessSpec("r128", "EBU R 128 v5.0, quality control", -23.0, 0.2, 0.2, -1.0, 0.3),
        LoudnessSpec("a85", "ATSC A/85", -24.0, 2.0, 2.0, -2.0, 0.0),
        LoudnessSpec("td1008-speech", "AES TD1008, speech (lower bound ours)", -18.0, 1.0, 1.0, -1.0, 0.0),
    )
}


def loudness_spec(name: str) -> LoudnessSpec:
    """Return the loudness document called `name`.

    Raises
    ------
    SettingError
        If there is none; the message lists those there are.
    """
    try:
        return LOUDNESS_SPECS[name]
    except KeyError:
        raise SettingError(
            f"no loudness document is called {name!r}; choose one of {', '.join(LOUDNESS_SPECS)}."
        ) from None


@dataclass(frozen=True)
class Check:
    """One requirement held against what was delivered."""

    what: str
    required: str
    found: str
    passed: bool


def _figure(value: float | None, unit: str) -> str:
    return "no value" if value is None else f"{value:.2f} {unit}".replace("-", "−")


def loudness_checks(
    name: str, spec: LoudnessSpec, integrated_lufs: float | None, true_peak_dbtp: float | None
) -> tuple[Check, Check]:
    """Return how a delivered mix stands against `spec`: loudness and true peak.

    A mix that has no loudness (silence, under 400 ms) does not pass. Readings are compared as they are shown,
    to two decimals, since no document asks for more.
    """
    loud = None if integrated_lufs is None else round(integrated_lufs - spec.target_lufs, 2)
    ceiling = spec.max_true_peak_dbtp + spec.true_peak_tolerance_db
    below, above = (f"{edge:g}" for edge in (spec.below_lu, spec.above_lu))
    tolerance = f"±{below}" if below == above else f"+{above}/−{below}"
    return (
        Check(
            f"{name}: programme loudness",
            f"{spec.target_lufs:g} LUFS {tolerance} LU ({spec.document})".replace("-", "−", 1),
            _figure(integrated_lufs, "LUFS"),
            loud is not None and -spec.below_lu <= loud <= spec.above_lu,
        ),
        Check(
            f"{name}: true peak",
            f"at most {spec.max_true_peak_dbtp:g} dBTP".replace("-", "−")
            + (
                f", meter tolerance ±{spec.true_peak_tolerance_db:g} dB"
                if spec.true_peak_tolerance_db
                else ""
            ),
            _figure(true_peak_dbtp, "dBTP"),
            true_peak_dbtp is not None and round(true_peak_dbtp, 2) <= ceiling,
        ),
    )
