"""How likely is an overload at each gain, and how much noise does each gain leave: two curves over one gain scale."""

import math
from collections.abc import Sequence
from html import escape

from takewell.draw.palette import Palette
from takewell.draw.track import signed

LEFT, RIGHT, TOP, BOTTOM = 34, 40, 16, 30


def risk_drawing(
    gains_db: Sequence[float],
    risks_percent: Sequence[float],
    floors_db_spl_a: Sequence[float],
    *,
    gain_db: float,
    window_db: tuple[float, float] | None,
    title: str,
    palette: Palette,
    width: float = 330,
    height: float = 120,
) -> str:
    """Return the risk of overload (full line, left scale in percent) and the floor (dashed, right scale in dB SPL A) against gain.

    Parameters
    ----------
    gains_db, risks_percent, floors_db_spl_a : sequences of one length
        The curves, gains rising, at least two.
    gain_db : float
        The gain that is planned: a bracket under the scale.
    window_db : (low, high), optional
        Gains that serve both ends: a band.
    title : str
        What the drawing shows, for those who cannot see it.
    """
    first, last = gains_db[0], gains_db[-1]
    lowest = math.floor(min(floors_db_spl_a))
    highest = max(lowest + 6, min(math.ceil(max(floors_db_spl_a)), lowest + 30))
    right, foot = width - RIGHT, TOP + height

    def x(gain: float) -> float:
        return LEFT + (gain - first) / (last - first) * (right - LEFT)

    def risk_y(percent: float) -> float:
        return foot - percent / 100 * height

    def floor_y(level: float) -> float:
        return foot - (min(level, highest) - lowest) / (highest - lowest) * height

    parts = []
    if window_db is not None:
        wide = max(x(window_db[1]) - x(window_db[0]), 2)
        parts.append(
            f'<rect x="{x(window_db[0]):.1f}" y="{TOP}" width="{wide:.1f}" height="{height}" fill="{palette.floor}" fill-opacity=".6"/>'
        )
    for percent in (0, 50, 100):
        parts.append(
            f'<path d="M{LEFT},{risk_y(percent):.1f}H{right}" stroke="{palette.rule}" stroke-width=".6"/>'
        )
        parts.append(_text(LEFT - 5, risk_y(percent) + 4, f"{percent}", palette.soft_ink, "end"))
    for level in (lowest, highest):
        parts.append(_text(right + 5, floor_y(level) + 4, signed(level), palette.soft_ink))
    step = 10 if last - first <= 80 else 20
    for gain in range(step * math.ceil(first / step), int(last) + 1, step):
        parts.append(_text(x(gain), foot + 13, signed(gain), palette.soft_ink, "middle"))
    floors = "L".join(f"{x(g):.1f},{floor_y(f):.1f}" for g, f in zip(gains_db, floors_db_spl_a, strict=True))
    risks = "L".join(f"{x(g):.1f},{risk_y(r):.1f}" for g, r in zip(gains_db, risks_percent, strict=True))
    parts.append(
        f'<path d="M{floors}" fill="none" stroke="{palette.speech}" stroke-width="1.2" stroke-dasharray="4 2"/>'
    )
    parts.append(f'<path d="M{risks}" fill="none" stroke="{palette.ink}" stroke-width="1.4"/>')
    here = x(gain_db)
    parts.append(
        f'<path d="M{here:.1f},{TOP}V{foot}" stroke="{palette.move}" stroke-width="1.2"/>'
        f'<path d="M{here - 5:.1f},{foot + 3}l5,-5l5,5" fill="none" stroke="{palette.move}" stroke-width="1.6"/>'
    )
    parts.append(_text(here, foot + 26, f"set: {signed(gain_db)} dB", palette.move, "middle"))
    parts.append(_text(2, 9, "risk of overload, %", palette.soft_ink))
    parts.append(_text(width - 2, 9, "floor, dB SPL A", palette.soft_ink, "end"))
    total = foot + BOTTOM
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{total:g}" viewBox="0 0 {width:g} {total:g}" '
        f'role="img" aria-label="{escape(title, quote=True)}" font-family="{escape(palette.font, quote=True)}" '
        f'font-size="10">{"".join(parts)}</svg>'
    )


def _text(x: float, y: float, words: str, fill: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{fill}" text-anchor="{anchor}">{escape(words)}</text>'
