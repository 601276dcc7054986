"""What is a number of a data sheet: its value, how it was found, how sure it is, and what limited it?

Every number carries method, clause and uncertainty. ``limited_by_generator`` means that the player's own
loop-back reads nearly the same, so the recorder is at least as good as the number and may be better.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

Sense = Literal["lower", "higher", "neither"]

MARGIN_DB = 10.0
"""A player this much better than the reading adds at most 0.41 dB to it."""


@dataclass(frozen=True)
class Figure:
    """One number; `channel` counts from 1, None for the whole recorder; `at` says under which condition."""

    key: str
    value: float | None
    unit: str
    method: str
    clause: str
    uncertainty: float | None = None
    """95 %, in the figure's unit; None where it cannot be given."""
    channel: int | None = None
    at: str = ""
    better: Sense = "neither"
    """Which way the player's own weakness would push it: a generator limits what is better lower or higher."""
    limited_by_generator: bool = False
    note: str = ""


@dataclass(frozen=True)
class Curve:
    """A number against another: x and y of equal length, with their units."""

    key: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    x_unit: str
    y_unit: str
    method: str
    clause: str
    channel: int | None = None
    at: str = ""
    uncertainty: float | None = None
    limited_by_generator: bool = False


@dataclass(frozen=True)
class DataSheet:
    """What the bench found out about one recorder."""

    name: str
    figures: tuple[Figure, ...]
    curves: tuple[Curve, ...] = ()
    notes: tuple[str, ...] = ()
    """What was not measured and why; what is odd."""
    sources: tuple[str, ...] = ()
    """Files measured."""
    rate: int = 48_000
    """Sampling rate of the recordings in Hz."""
    encoding: str = "int24"
    channels: int = 1
    reference_gain_db: float = 0.0
    """Setting of the recorder's gain where no figure says another."""

    def figure(self, key: str, *, channel: int | None = None, at: str | None = None) -> Figure | None:
        """Return the first figure of a key (and channel and condition, where given)."""
        for one in self.figures:
            if one.key == key and channel in (None, one.channel) and at in (None, one.at):
                return one
        return None


def noise_uncertainty_db(bandwidth_hz: float, seconds: float) -> float:
    """Return the 95 % uncertainty of a noise level averaged over a bandwidth and time, in dB.

    A mean square of noise has 2 B T degrees of freedom, so its relative spread is ``1/sqrt(B T)``.
    """
    return 1.96 * 10 / math.log(10) / math.sqrt(max(bandwidth_hz * seconds, 1.0))


def sine_uncertainty_db(rest_dbfs: float, level_dbfs: float, samples: int) -> float:
    """Return the 95 % uncertainty of a fitted sine's level, in dB: noise over signal over ``sqrt(n)``."""
    relative = 10 ** ((rest_dbfs - level_dbfs) / 20) / math.sqrt(max(samples, 1))
    return 1.96 * 20 / math.log(10) * relative


def combined(*parts: float | None) -> float:
    """Return the root of the sum of squares of independent uncertainties."""
    return math.sqrt(sum(p * p for p in parts if p is not None))


def marked(figure: Figure, loopback: Figure | None) -> Figure:
    """Return a figure that says whether the player limited it, by the same figure of its loop-back."""
    if loopback is None or loopback.value is None or figure.value is None or figure.better == "neither":
        return figure
    room = figure.value - loopback.value if figure.better == "lower" else loopback.value - figure.value
    if room >= MARGIN_DB:
        return figure
    return replace(
        figure,
        limited_by_generator=True,
        note=f"{figure.note} The player's loop-back reads {loopback.value:.1f} {figure.unit}.".strip(),
    )


LOWER_IS_BETTER = ("thd_n_by_level", "thd_by_level", "thd_n_by_frequency", "crosstalk")
"""Curves that a player's own weakness pushes up."""


def marked_curve(curve: Curve, loopback: Curve | None) -> Curve:
    """Return a curve that says whether the player limited any of its points, by the same curve of its loop-back."""
    if loopback is None or curve.key not in LOWER_IS_BETTER or len(curve.y) != len(loopback.y):
        return curve
    limited = any(y - own < MARGIN_DB for y, own in zip(curve.y, loopback.y, strict=True))
    return replace(curve, limited_by_generator=limited)
