"""A sound's spectrum: third-octave levels of a moment over those of the floor.

The moment is a stepped line over shaded columns of the floor; the axis is dBFS (AES17) per band against
frequency, one column a third octave. No meaning rests on colour: the line is the moment, the columns the floor.
"""

import math
from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from takewell.draw.palette import Palette
from takewell.draw.track import signed

F64 = NDArray[np.float64]

LEFT, RIGHT, TOP, FOOT = 46.0, 92.0, 18.0, 22.0
LABELLED_HZ = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)


def bands_drawing(
    middle_hz: Sequence[float],
    moment_dbfs: Sequence[float],
    floor_dbfs: Sequence[float] | None,
    *,
    title: str,
    palette: Palette,
    width: float = 700,
    height: float = 190,
) -> str:
    """Return a spectrum as SVG.

    Parameters
    ----------
    middle_hz : sequence of float
        Mid-band frequencies, rising.
    moment_dbfs, floor_dbfs : sequence of float
        Level of each band; ``-inf`` for silence. No floor is drawn for None.
    title : str
        What the drawing shows, for those who cannot see it.
    """
    rows = [np.asarray(moment_dbfs, float)] + ([] if floor_dbfs is None else [np.asarray(floor_dbfs, float)])
    values = np.concatenate(rows)
    values = np.clip(values[np.isfinite(values)], -180, 60)
    top = 20.0 * math.ceil(values.max() / 20) if len(values) else 0.0
    low = min(20.0 * math.floor(values.min() / 20), top - 60) if len(values) else -60.0
    right, foot = width - RIGHT, TOP + height
    step = (right - LEFT) / max(len(middle_hz), 1)

    def y(level: float) -> float:
        held = low if not math.isfinite(level) else min(max(level, low), top)
        return TOP + (top - held) / (top - low) * height

    parts = []
    for rung in range(int(top), int(low) - 1, -20):
        at = y(rung)
        parts.append(
            f'<line x1="{LEFT}" x2="{right:.1f}" y1="{at:.1f}" y2="{at:.1f}" stroke="{palette.rule}"/>'
        )
        parts.append(_text(LEFT - 7, at + 4, signed(rung), palette.soft_ink, "end"))
    if floor_dbfs is not None:
        for k, level in enumerate(floor_dbfs):
            parts.append(
                f'<rect x="{LEFT + k * step + 0.5:.1f}" y="{y(level):.1f}" width="{step - 1:.1f}" '
                f'height="{foot - y(level):.1f}" fill="{palette.floor}"/>'
            )
    points = [(LEFT + (k + side) * step, y(level)) for k, level in enumerate(moment_dbfs) for side in (0, 1)]
    if points:
        path = "M" + "L".join(f"{a:.1f},{b:.1f}" for a, b in points)
        parts.append(f'<path d="{path}" fill="none" stroke="{palette.ink}" stroke-width="1.4"/>')
        parts.append(_text(right + 8, points[-1][1] + 4, "this moment", palette.ink))
        if floor_dbfs is not None:
            apart = max(y(floor_dbfs[-1]) + 4, points[-1][1] + 18)
            parts.append(_text(right + 8, min(apart, foot), "the floor", palette.soft_ink))
    for k, middle in enumerate(middle_hz):
        nominal = min(LABELLED_HZ, key=lambda hz: abs(math.log(hz / middle)))
        if abs(math.log10(nominal / middle)) < 0.03:
            words = f"{nominal / 1000:g} kHz" if nominal >= 1000 else f"{nominal:g}"
            parts.append(_text(LEFT + (k + 0.5) * step, foot + 15, words, palette.soft_ink, "middle"))
    parts.append(_text(0, 10, "dBFS in each third octave", palette.soft_ink))
    total = foot + FOOT
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{total:g}" viewBox="0 0 {width:g} {total:g}" '
        f'role="img" aria-label="{escape(title, quote=True)}" font-family="{escape(palette.font, quote=True)}" '
        f'font-size="11">{"".join(parts)}</svg>'
    )


def _text(x: float, y: float, words: str, fill: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{fill}" text-anchor="{anchor}">{escape(words)}</text>'
