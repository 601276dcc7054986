"""Numbers against a number: curves of several devices on one field, told apart by their dashes and their names.

Ink on paper, no meaning by colour alone: each curve has a dash of its own and its name at its right end. The x axis is even
or logarithmic; the y axis is in whole steps.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from takewell.draw.ladder import spread
from takewell.draw.palette import Palette
from takewell.draw.track import signed

F64 = NDArray[np.float64]

LEFT, RIGHT, TOP, FOOT = 52.0, 150.0, 42.0, 34.0
DASHES = ("", "7 3", "2 3", "9 3 2 3", "12 4", "4 2 1 2 1 2")
"""One for each curve, over and over; beyond six the names alone tell."""


@dataclass(frozen=True)
class PlottedCurve:
    """One curve: its name, and points of equal number."""

    name: str
    x: Sequence[float]
    y: Sequence[float]


def steps_between(low: float, high: float, most: int = 8) -> list[float]:
    """Return whole steps (1, 2, 5, 10 ... apart) that cover a range, ends included.

    Examples
    --------
    >>> steps_between(-3.2, 1.1, most=6)
    [-4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0]
    """
    span = max(high - low, 1e-3)
    size = 10 ** math.floor(math.log10(span / most))
    step = next(size * k for k in (1, 2, 5, 10) if span / (size * k) <= most)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(k * step, 9) for k in range(first, max(last, first + 1) + 1)]


def curve_drawing(
    curves: Sequence[PlottedCurve],
    *,
    title: str,
    x_label: str,
    y_label: str,
    palette: Palette,
    logarithmic: bool = False,
    width: float = 760,
    height: float = 300,
) -> str:
    """Return curves as SVG.

    Parameters
    ----------
    curves : sequence of PlottedCurve
        Points that are no numbers are left out.
    title : str
        Over the field, and for those who cannot see it.
    x_label, y_label : str
        What the axes are, with units.
    logarithmic : bool
        Whether equal ratios of x stand equally far apart.
    """
    points = [_finite(curve, logarithmic=logarithmic) for curve in curves]
    xs = np.concatenate([x for x, _ in points]) if points else np.zeros(0)
    ys = np.concatenate([y for _, y in points]) if points else np.zeros(0)
    if not len(xs):
        xs, ys = np.array([1.0, 10.0]), np.array([0.0, 1.0])
    rungs = steps_between(float(ys.min()), float(ys.max()))
    right, foot = width - RIGHT, height - FOOT
    x_low, x_high = float(xs.min()), float(xs.max())
    if x_high <= x_low:
        x_high = x_low + 1

    def across(x: F64) -> F64:
        share = np.log(x / x_low) / np.log(x_high / x_low) if logarithmic else (x - x_low) / (x_high - x_low)
        return np.asarray(LEFT + share * (right - LEFT))

    def down(y: F64) -> F64:
        return np.asarray(TOP + (rungs[-1] - y) / (rungs[-1] - rungs[0]) * (foot - TOP))

    parts = [f'<text x="0" y="12" fill="{palette.ink}">{escape(title)}</text>']
    digits = max(0, -math.floor(math.log10(rungs[1] - rungs[0]) + 1e-9))
    for rung in rungs:
        level = float(down(np.array(rung)))
        parts.append(
            f'<line x1="{LEFT:g}" x2="{right:.1f}" y1="{level:.1f}" y2="{level:.1f}" stroke="{palette.rule}"/>'
        )
        parts.append(_words(LEFT - 6, level + 4, signed(rung, digits), palette.soft_ink, "end"))
    for value in _x_marks(x_low, x_high, logarithmic=logarithmic):
        mark = float(across(np.array(value)))
        parts.append(f'<path d="M{mark:.1f},{foot:.1f}v4" stroke="{palette.soft_ink}"/>')
        parts.append(_words(mark, foot + 15, _short(value), palette.soft_ink, "middle"))
    parts.append(_words(right, foot + 29, x_label, palette.soft_ink, "end"))
    parts.append(_words(0, TOP - 10, y_label, palette.soft_ink, "start"))
    drawn = [(curve, x, y) for curve, (x, y) in zip(curves, points, strict=True) if len(x)]
    ends = [float(down(y[-1:])[0]) + 4 for _, _, y in drawn]
    order = sorted(range(len(ends)), key=ends.__getitem__)
    placed = dict(zip(order, spread([ends[k] for k in order], TOP, foot + 4), strict=True))
    for index, (curve, x, y) in enumerate(drawn):
        dash = DASHES[index % len(DASHES)]
        line = "L".join(f"{a:.1f},{b:.1f}" for a, b in zip(across(x), down(y), strict=True))
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        parts.append(
            f'<path d="M{line}" fill="none" stroke="{palette.ink}" stroke-width="1.3" stroke-linejoin="round"{extra}/>'
        )
        label = placed[index]
        parts.append(
            f'<path d="M{right + 6:.1f},{label - 4:.1f}h24" stroke="{palette.ink}" stroke-width="1.3"{extra}/>'
        )
        parts.append(_words(right + 35, label, curve.name, palette.ink))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(title, quote=True)}" '
        f'font-family="{escape(palette.font, quote=True)}" font-size="11">{"".join(parts)}</svg>'
    )


def _finite(curve: PlottedCurve, *, logarithmic: bool) -> tuple[F64, F64]:
    x, y = np.asarray(curve.x, np.float64), np.asarray(curve.y, np.float64)
    good = np.isfinite(x) & np.isfinite(y)
    if logarithmic:
        good &= x > 0
    order = np.argsort(x[good], kind="stable")
    return x[good][order], y[good][order]


def _x_marks(low: float, high: float, *, logarithmic: bool) -> list[float]:
    if not logarithmic:
        return [value for value in steps_between(low, high) if low <= value <= high]
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    marks = [k * 10.0**d for d in decades for k in (1, 2, 5)]
    return [mark for mark in marks if low * 0.999 <= mark <= high * 1.001]


def _short(value: float) -> str:
    return f"{value / 1000:g}k" if abs(value) >= 1000 else f"{value:g}".replace("-", "−")


def _words(x: float, y: float, words: str, fill: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{fill}" text-anchor="{anchor}">{escape(words)}</text>'
