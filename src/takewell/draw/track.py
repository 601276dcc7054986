"""One track's sheet: level against time on a dB scale, with what was found and what will be moved.

The shaded foot is the floor, the darker band above it the level of what was recorded, the hairline the peaks.
Full scale is a rule, the place where dialogue should lie a dotted line. Moves are brackets in a lane of
their own under the levels, each with its gain; findings are dashed outlines with words in a lane above.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from takewell.draw.columns import Columns
from takewell.draw.palette import Palette

F64 = NDArray[np.float64]

LEFT, RIGHT = 46, 92
"""Room for the level scale and for the words beside the rules, in pixels."""

LABEL_ROW = 15
"""Height of one row of finding words, in pixels."""

LABEL_ROWS = 3
"""Rows of finding words; findings beyond them are outlined without words and counted in the last row."""

CHARACTER = 5.6
"""Mean width of a character of the 11-pixel labels, in pixels; only decides which row a label goes to."""

HEAD = 18
"""Room over the level field for the name of the scale, in pixels."""

MOVE_LANE = 26
TIME_LANE = 18


@dataclass(frozen=True)
class Mark:
    """A finding on the drawing: where, in words, and whether it is damage (else a remark)."""

    start_s: float
    end_s: float
    words: str
    damage: bool = True


@dataclass(frozen=True)
class Bracket:
    """A move on the drawing."""

    start_s: float
    end_s: float
    gain_db: float


def signed(value: float, digits: int = 0) -> str:
    """Return a number with a true minus or a plus, and zero without a sign."""
    text = f"{value:+.{digits}f}"
    return f"{0:.{digits}f}" if float(text) == 0 else text.replace("-", "−")


def clock(seconds: float, *, tenths: bool = False) -> str:
    """Return ``m:ss`` or ``h:mm:ss``, with tenths of a second where they are wanted."""
    whole, tenth = divmod(round(seconds * 10), 10) if tenths else (round(seconds), 0)
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    words = f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"
    return f"{words}.{tenth}" if tenths else words


def scale_range(shown: Columns, target_dbfs: float | None) -> tuple[float, float]:
    """Return (top, bottom) of the level scale in dB: whole twenties around everything shown and full scale."""
    values = np.concatenate(
        [shown.peak_dbfs, shown.floor_dbfs, [0.0] if target_dbfs is None else [0.0, target_dbfs]]
    )
    values = np.clip(values[np.isfinite(values)], -160, 160)
    top = max(20.0, 20 * math.ceil(values.max() / 20)) if values.max() > 0 else 0.0
    bottom = min(-60.0, 20 * math.floor(values.min() / 20))
    return top, bottom


def _path(x: F64, y: F64) -> str:
    return "M" + "L".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))


def _area(x: F64, upper: F64, lower: F64) -> str:
    return _path(np.concatenate([x, x[::-1]]), np.concatenate([upper, lower[::-1]])) + "Z"


@dataclass(frozen=True)
class _Field:
    """The rectangle levels are drawn in, and its two scales."""

    left: float
    right: float
    top: float
    foot: float
    duration_s: float
    high_db: float
    low_db: float
    start_s: float = 0.0

    def x(self, seconds: F64 | float) -> F64:
        share = (np.asarray(seconds) - self.start_s) / max(self.duration_s, 1e-9)
        return np.asarray(self.left + np.clip(share, 0, 1) * (self.right - self.left))

    def shows(self, start_s: float, end_s: float) -> bool:
        """Return whether any of a stretch is drawn; something without length at the very end is."""
        return start_s <= self.start_s + self.duration_s and end_s >= self.start_s

    def y(self, level_db: F64 | float) -> F64:
        held = np.clip(
            np.nan_to_num(np.asarray(level_db, dtype=float), nan=self.low_db), self.low_db, self.high_db
        )
        share = (self.high_db - held) / (self.high_db - self.low_db)
        return np.asarray(self.top + share * (self.foot - self.top))


def _levels(field: _Field, shown: Columns, palette: Palette, hairline: float) -> list[str]:
    if not len(shown.time_s):
        return []
    half = (float(np.diff(shown.time_s).mean()) if len(shown.time_s) > 1 else shown.duration_s) / 2
    x = field.x(np.concatenate([[shown.time_s[0] - half], shown.time_s, [shown.time_s[-1] + half]]))
    floor, level, peak = (
        field.y(np.pad(values, 1, mode="edge"))
        for values in (
            np.minimum(shown.floor_dbfs, shown.level_dbfs),
            shown.level_dbfs,
            np.maximum(shown.peak_dbfs, shown.level_dbfs),
        )
    )
    foot = np.full(len(x), field.foot)
    return [
        f'<path d="{_area(x, floor, foot)}" fill="{palette.floor}"/>',
        f'<path d="{_area(x, level, floor)}" fill="{palette.speech}"/>',
        f'<path d="{_path(x, peak)}" fill="none" stroke="{palette.ink}" stroke-width="{hairline}"/>',
    ]


def _line(x1: float, x2: float, y: float, stroke: str, extra: str = "") -> str:
    return f'<line x1="{x1:.1f}" x2="{x2:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{stroke}"{extra}/>'


def _text(x: float, y: float, words: str, fill: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{fill}" text-anchor="{anchor}">{escape(words)}</text>'


def time_step_s(duration_s: float, room: float) -> float:
    """Return the spacing of time labels in seconds so that at most `room` of them stand on the axis."""
    for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200):
        if duration_s / step <= room:
            return float(step)
    return 3600.0 * math.ceil(duration_s / 3600 / room)


def _scales(field: _Field, palette: Palette, target_dbfs: float | None) -> list[str]:
    parts = []
    for level in range(int(field.high_db), int(field.low_db) - 1, -20):
        y = float(field.y(level))
        parts.append(_line(field.left, field.right, y, palette.rule))
        parts.append(_text(field.left - 7, y + 4, signed(level), palette.soft_ink, "end"))
    full = float(field.y(0.0))
    parts.append(_line(field.left, field.right, full, palette.ink))
    parts.append(_text(field.right + 8, full + 4, "full scale", palette.ink))
    step = time_step_s(field.duration_s, (field.right - field.left) / 70)
    first, last = (
        math.ceil(field.start_s / step - 1e-9),
        int((field.start_s + field.duration_s) / step + 1e-9),
    )
    for k in range(first, last + 1):
        x = float(field.x(k * step))
        anchor = "start" if x < field.left + 1 else "middle"
        parts.append(f'<path d="M{x:.1f},{field.foot:.1f}v4" stroke="{palette.soft_ink}"/>')
        parts.append(_text(x, field.foot + 15, clock(k * step, tenths=step < 1), palette.soft_ink, anchor))
    if target_dbfs is not None:
        y = float(field.y(target_dbfs))
        words_y = y if abs(y - full) >= 12 else full + 12
        parts.append(_text(field.right + 8, words_y + 4, "dialogue here", palette.ink))
    parts.append(_text(0, field.top - 8, "dBFS", palette.soft_ink))
    return parts


def _target(field: _Field, palette: Palette, target_dbfs: float | None) -> list[str]:
    if target_dbfs is None:
        return []
    return [
        _line(field.left, field.right, float(field.y(target_dbfs)), palette.ink, ' stroke-dasharray="1.5 4"')
    ]


def _brackets(field: _Field, palette: Palette, moves: Sequence[Bracket], y: float) -> list[str]:
    parts, last_end = [], -math.inf
    for move in moves:
        if not field.shows(move.start_s, move.end_s):
            continue
        start, end = float(field.x(move.start_s)) + 1.5, float(field.x(move.end_s)) - 1.5
        end = max(end, start + 1)
        # A bracket that goes on beyond the drawing has no end there.
        opens = (
            f"M{start:.1f},{y - 5:.1f}v5" if move.start_s >= field.start_s - 1e-6 else f"M{start:.1f},{y:.1f}"
        )
        closes = "v-5" if move.end_s <= field.start_s + field.duration_s + 1e-6 else ""
        parts.append(
            f'<path d="{opens}H{end:.1f}{closes}" fill="none" stroke="{palette.move}" stroke-width="1.6"/>'
        )
        words, middle = f"{signed(move.gain_db, 1)} dB", (start + end) / 2
        half = len(words) * CHARACTER / 2
        if middle - half > last_end + 2:
            parts.append(_text(middle, y + 13, words, palette.move, "middle"))
            last_end = middle + half
    return parts


def _marks(field: _Field, palette: Palette, marks: Sequence[Mark], label_top: float) -> list[str]:
    parts, row_ends, unnamed = [], [-math.inf] * LABEL_ROWS, 0
    for mark in sorted(marks, key=lambda m: (m.start_s, m.end_s)):
        if not field.shows(mark.start_s, mark.end_s):
            continue
        colour = palette.damage if mark.damage else palette.soft_ink
        start, end = float(field.x(mark.start_s)), float(field.x(mark.end_s))
        width = max(end - start, 2.0)
        if mark.damage or width < 0.95 * (field.right - field.left):  # a remark on all of it needs no outline
            parts.append(
                f'<rect x="{start:.1f}" y="{field.top:.1f}" width="{width:.1f}" height="{field.foot - field.top:.1f}" '
                f'fill="none" stroke="{colour}" stroke-width="1.2" stroke-dasharray="5 2"/>'
            )
        length = len(mark.words) * CHARACTER
        left = max(field.left, min(start, field.right + RIGHT - 4 - length))
        row = next((k for k, taken in enumerate(row_ends) if left > taken + 8), None)
        if row is None:
            unnamed += 1
            continue
        row_ends[row] = left + length
        y = label_top + row * LABEL_ROW + 11
        parts.append(
            f'<path d="M{start:.1f},{y + 3:.1f}V{field.top:.1f}" stroke="{colour}" stroke-width=".8"/>'
        )
        parts.append(_text(left, y, mark.words, colour))
    if unnamed:
        parts.append(_text(field.right + 8, label_top + 11, f"+ {unnamed} more", palette.damage))
    return parts


def _rows_needed(marks: Sequence[Mark]) -> int:
    return min(LABEL_ROWS, len(marks))


def _wrap(
    width: float, height: float, palette: Palette, title: str, parts: list[str], *, elastic: bool = False
) -> str:
    fit = 'preserveAspectRatio="none" ' if elastic else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" {fit}role="img" aria-label="{escape(title, quote=True)}" '
        f'font-family="{escape(palette.font, quote=True)}" font-size="11">{"".join(parts)}</svg>'
    )


def track_drawing(
    shown: Columns,
    *,
    title: str,
    palette: Palette,
    width: float = 1110,
    height: float = 190,
    target_dbfs: float | None = None,
    moves: Sequence[Bracket] = (),
    marks: Sequence[Mark] = (),
    scale_db: tuple[float, float] | None = None,
) -> str:
    """Return a track's sheet as SVG, with scales, words, moves and findings.

    Parameters
    ----------
    shown : Columns
        The track's levels, about one column per pixel.
    title : str
        What the drawing shows, for those who cannot see it.
    target_dbfs : float, optional
        Where dialogue should lie, in the axis's own unit (a mono 1 kHz tone of -23 LUFS is -20 dBFS).
    height : float
        Height of the level field in pixels; the lanes for words, time and moves come on top.
    scale_db : (top, bottom), optional
        Ends of the level scale; those of `scale_range` unless given, so that a stretch can keep its take's scale.
    """
    label_height = _rows_needed(marks) * LABEL_ROW + HEAD
    foot = label_height + height
    total = foot + TIME_LANE + (MOVE_LANE if moves else 0)
    high, low = scale_range(shown, target_dbfs) if scale_db is None else scale_db
    field = _Field(LEFT, width - RIGHT, label_height, foot, shown.duration_s, high, low, shown.start_s)
    parts = _scales(field, palette, target_dbfs)
    parts += _levels(field, shown, palette, 0.8)
    parts += _target(field, palette, target_dbfs)
    parts += _marks(field, palette, marks, 0)
    parts += _brackets(field, palette, moves, foot + TIME_LANE + 8)
    return _wrap(width, total, palette, title, parts)


def thumbnail(
    shown: Columns,
    *,
    title: str,
    palette: Palette,
    width: float = 420,
    height: float = 34,
    target_dbfs: float | None = None,
    marks: Sequence[Mark] = (),
) -> str:
    """Return a track as a strip for one row of a day sheet: the same drawing without scales or words.

    The scale is the same for every strip, +20 to -100 dB, so that rows can be compared by eye. It may be stretched in
    either direction, since it holds no words.
    """
    field = _Field(0, width, 1, height - 1, shown.duration_s, 20, -100)
    parts = [_line(0, width, float(field.y(0.0)), palette.soft_ink, ' stroke-width=".6"')]
    parts += _levels(field, shown, palette, 0.5)
    parts += _target(field, palette, target_dbfs)
    for mark in marks:
        start, end = float(field.x(mark.start_s)), float(field.x(mark.end_s))
        if mark.damage:
            parts.append(
                f'<rect x="{start:.1f}" y="1" width="{max(end - start, 2):.1f}" height="{height - 2:g}" '
                f'fill="none" stroke="{palette.damage}" stroke-width="1.1" stroke-dasharray="4 2"/>'
            )
    return _wrap(width, height, palette, title, parts, elastic=True)
