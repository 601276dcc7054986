"""Two tracks with one source on one sheet: their levels as two lines, and the gain between them in a lane below.

The first track's line is full, the copy's dashed, and each has its name at its end. In the lane below, the gain
between them is a band from its least to its greatest with a line in it; where one of the two does not follow (held at
a rail, damaged, limited), a dashed outline with words says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.draw.columns import Columns
from takewell.draw.curves import steps_between
from takewell.draw.ladder import spread
from takewell.draw.palette import Palette
from takewell.draw.track import (
    HEAD,
    LABEL_ROW,
    LEFT,
    RIGHT,
    TIME_LANE,
    Mark,
    _Field,
    _line,
    _marks,
    _path,
    _rows_needed,
    _scales,
    _text,
    _wrap,
    scale_range,
    signed,
)

F64 = NDArray[np.float64]

LANE, GAP = 64, 12
"""Height of the lane of the gain, and what lies between it and the levels, in pixels."""

LEAST_RANGE_DB = 6.0
"""What the lane of the gain reaches over at least, so that a tenth of a decibel does not look like a mountain."""


@dataclass(frozen=True)
class GainLane:
    """The gain between two tracks over time: least, middle and greatest of each column; NaN where there is none."""

    time_s: F64
    low_db: F64
    middle_db: F64
    high_db: F64


def pair_drawing(
    first: Columns,
    copy: Columns,
    gain: GainLane,
    *,
    names: tuple[str, str],
    title: str,
    palette: Palette,
    width: float = 1110,
    height: float = 150,
    marks: Sequence[Mark] = (),
) -> str:
    """Return a pair of tracks as SVG.

    Parameters
    ----------
    first, copy : Columns
        Levels of both, over the same stretch.
    gain : GainLane
        The gain from the first to the copy over that stretch.
    names : tuple of two str
        What the two lines are called at their ends.
    title : str
        What the drawing shows, for those who cannot see it.
    marks : sequence of Mark
        Where one of the two does not follow the other.
    """
    top = _rows_needed(marks) * LABEL_ROW + HEAD
    foot = top + height
    highs, lows = zip(scale_range(first, None), scale_range(copy, None), strict=True)
    field = _Field(LEFT, width - RIGHT, top, foot, first.duration_s, max(highs), min(lows), first.start_s)
    parts = _scales(field, palette, None)
    ends = []
    for shown, dash in ((first, ""), (copy, ' stroke-dasharray="6 3"')):
        if not len(shown.time_s):
            continue
        y = field.y(shown.level_dbfs)
        parts.append(
            f'<path d="{_path(field.x(shown.time_s), y)}" fill="none" stroke="{palette.ink}" stroke-width="1.1"{dash}/>'
        )
        ends.append((float(y[-1]), dash))
    full = float(field.y(0.0))
    for name, place, (_, dash) in zip(
        names, spread([y for y, _ in ends], full + 16, foot - 2, LABEL_ROW), ends, strict=False
    ):
        parts.append(_line(field.right + 8, field.right + 22, place, palette.ink, dash))
        parts.append(_text(field.right + 26, place + 4, _short(name), palette.ink))
    parts += _marks(field, palette, marks, 0)
    parts += _lane(field, gain, palette, foot + TIME_LANE + GAP)
    return _wrap(width, foot + TIME_LANE + GAP + LANE + 6, palette, title, parts)


def _lane(field: _Field, gain: GainLane, palette: Palette, top: float) -> list[str]:
    known = np.isfinite(gain.middle_db)
    parts = [_text(0, top - 3, "gain between, dB", palette.soft_ink)]
    if not known.any():
        return [
            *parts,
            _text(field.left, top + LANE / 2, "no sound stands out of both floors here", palette.soft_ink),
        ]
    low, high = float(gain.low_db[known].min()), float(gain.high_db[known].max())
    short = max(0.0, LEAST_RANGE_DB - (high - low)) / 2
    rungs = steps_between(low - short, high + short, most=3)
    lane = _Field(
        field.left, field.right, top + 4, top + LANE, field.duration_s, rungs[-1], rungs[0], field.start_s
    )
    for rung in rungs:
        y = float(lane.y(rung))
        parts.append(_line(lane.left, lane.right, y, palette.rule))
        parts.append(_text(lane.left - 7, y + 4, signed(rung), palette.soft_ink, "end"))
    for run in _runs(known):
        x = lane.x(gain.time_s[run])
        if len(x) == 1:
            x = np.array([x[0] - 1, x[0] + 1])
        band = [np.broadcast_to(lane.y(values[run]), x.shape) for values in (gain.high_db, gain.low_db)]
        outline = _path(np.concatenate([x, x[::-1]]), np.concatenate([band[0], band[1][::-1]]))
        middle = np.broadcast_to(lane.y(gain.middle_db[run]), x.shape)
        parts.append(f'<path d="{outline}Z" fill="{palette.floor}"/>')
        parts.append(f'<path d="{_path(x, middle)}" fill="none" stroke="{palette.ink}" stroke-width="1.2"/>')
    return parts


def _runs(known: NDArray[np.bool_]) -> list[slice]:
    """Return the unbroken stretches of columns that have a value."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _short(name: str) -> str:
    return name if len(name) <= 10 else name[:9] + "…"
