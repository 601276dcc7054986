"""The level chain as a ladder: one post a stage, every source a rung through all of them.

All posts share one scale, dB SPL at the microphone, so a rung runs level; what it reads at a post in that
post's own unit stands beside it. A post reaches from the floor so far to where the stage gives way; the
shaded foot is the noise summed up to there. A rung's full line is the level while it sounds, the hairline above
it the peak. Where a peak reaches over a post it is drawn on in damage colour, dashed, with the excess in words.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from takewell.draw.palette import Palette
from takewell.draw.track import signed

NAMES, TAIL = 152, 78
"""Room for the sources' names on the left, for the last post's figures on the right, in pixels."""

LONGEST_NAME = 20
"""Characters of a name that fit there; longer ones are cut, the table beside the drawing has them whole."""

HEAD, FOOT = 44, 8
POST = 46
"""Width of a post, in pixels."""

FIGURES = 47
"""Room for a rung's figures behind a post, in pixels; the rung is left out there."""

ROW = 12.0
"""Closest two labels of one column may stand, in pixels."""


@dataclass(frozen=True)
class Post:
    """A stage: what turns dB SPL into its unit, where it gives way (None: nowhere), and the noise up to here, in dB SPL."""

    name: str
    unit: str
    offset_db: float
    limit_db_spl: float | None
    floor_db_spl_a: float


@dataclass(frozen=True)
class Rung:
    """A source: its level and its peak in dB SPL, and which post gives way first, counted from 0, if its peak is too high."""

    name: str
    level_db_spl: float
    peak_db_spl: float
    broken_at: int | None = None
    excess_db: float = 0.0


def spread(wanted: Sequence[float], low: float, high: float, gap: float = ROW) -> list[float]:
    """Return places near the wanted ones, at least `gap` apart and between `low` and `high` if there is room.

    Examples
    --------
    >>> spread([10.0, 12.0, 50.0], 0, 100, gap=10)
    [6.0, 16.0, 50.0]
    """
    order = sorted(range(len(wanted)), key=lambda k: wanted[k])
    groups: list[tuple[float, int]] = []  # centre and number of labels of each run of labels that touch
    for k in order:
        groups.append((min(max(wanted[k], low), high), 1))
        while len(groups) > 1 and groups[-1][0] - groups[-2][0] < gap * (groups[-1][1] + groups[-2][1]) / 2:
            (b, n_b), (a, n_a) = groups.pop(), groups.pop()
            count = n_a + n_b
            centre = (a * n_a + b * n_b) / count
            half = gap * (count - 1) / 2
            groups.append((min(max(centre, low + half), max(high - half, low + half)), count))
    places = [centre + gap * (i - (count - 1) / 2) for centre, count in groups for i in range(count)]
    found = [0.0] * len(wanted)
    for place, k in zip(places, order, strict=True):
        found[k] = place
    return found


@dataclass(frozen=True)
class _Scale:
    high_db: float
    low_db: float
    top: float
    foot: float

    def y(self, level_db: float) -> float:
        held = min(max(level_db, self.low_db), self.high_db)
        return self.top + (self.high_db - held) / (self.high_db - self.low_db) * (self.foot - self.top)


def _scale(posts: Sequence[Post], rungs: Sequence[Rung], height: float) -> _Scale:
    limits = [p.limit_db_spl for p in posts if p.limit_db_spl is not None]
    floors = [p.floor_db_spl_a for p in posts if math.isfinite(p.floor_db_spl_a)]
    tops = [*limits, *(r.peak_db_spl for r in rungs)]
    high = 10 * math.ceil((min(max(tops), max(r.peak_db_spl for r in rungs) + 40) + 4) / 10)
    low = 10 * math.floor((min([*floors, *(r.level_db_spl for r in rungs)]) - 8) / 10)
    return _Scale(high, low, HEAD, HEAD + height)


def _text(x: float, y: float, words: str, fill: str, anchor: str = "start", extra: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{fill}" text-anchor="{anchor}"{extra}>{escape(words)}</text>'


def _post(x: float, post: Post, scale: _Scale, palette: Palette) -> list[str]:
    left, half = x - POST / 2, POST / 2
    floor = scale.y(post.floor_db_spl_a)
    parts = [
        _text(x, 14, post.name, palette.ink, "middle", ' font-weight="600"'),
        _text(x, 28, post.unit, palette.soft_ink, "middle"),
        f'<rect x="{left:.1f}" y="{floor:.1f}" width="{POST}" height="{scale.foot - floor:.1f}" fill="{palette.floor}"/>',
    ]
    if post.limit_db_spl is None or post.limit_db_spl > scale.high_db:
        # Open at the top: this post goes on above the sheet, or never ends.
        parts.append(
            f'<path d="M{left:.1f},{scale.top:.1f}V{scale.foot:.1f}M{left + POST:.1f},{scale.top:.1f}V{scale.foot:.1f}" '
            f'fill="none" stroke="{palette.ink}" stroke-width=".8"/>'
        )
        words = "no limit" if post.limit_db_spl is None else f"{signed(post.limit_db_spl + post.offset_db)} ↑"
        parts.append(_text(x, scale.top + 10, words, palette.soft_ink, "middle"))
    else:
        limit = scale.y(post.limit_db_spl)
        parts.append(
            f'<path d="M{left:.1f},{scale.foot:.1f}V{limit:.1f}h{POST}V{scale.foot:.1f}" fill="none" stroke="{palette.ink}" stroke-width=".8"/>'
            f'<path d="M{left - 4:.1f},{limit:.1f}h{2 * half + 8:.1f}" stroke="{palette.ink}" stroke-width="2"/>'
        )
        parts.append(_text(x, limit - 4, signed(post.limit_db_spl + post.offset_db), palette.ink, "middle"))
    parts.append(
        _text(
            x,
            min(floor + 12, scale.foot - 3),
            signed(post.floor_db_spl_a + post.offset_db),
            palette.ink,
            "middle",
        )
    )
    return parts


def ladder_drawing(
    posts: Sequence[Post],
    rungs: Sequence[Rung],
    *,
    title: str,
    palette: Palette,
    width: float = 760,
    height: float = 300,
) -> str:
    """Return a level chain as SVG.

    Parameters
    ----------
    posts : sequence of Post
        The stages, the first being the sound itself.
    rungs : sequence of Rung
        The sources, at least one.
    title : str
        What the drawing shows, for those who cannot see it.
    width, height : float
        Width of the drawing and height of its field, in pixels.
    """
    scale = _scale(posts, rungs, height)
    step = (width - NAMES - TAIL - POST) / max(1, len(posts) - 1)
    xs = [NAMES + POST / 2 + k * step for k in range(len(posts))]
    parts: list[str] = []
    for level in range(int(scale.high_db), int(scale.low_db) - 1, -20):
        y = scale.y(level)
        parts.append(
            f'<path d="M{NAMES - 8:.1f},{y:.1f}H{xs[-1] + POST / 2 + 8:.1f}" stroke="{palette.rule}" stroke-width=".6"/>'
        )
    for x, post in zip(xs, posts, strict=True):
        parts += _post(x, post, scale, palette)
    parts += _rungs(xs, posts, rungs, scale, palette)
    total = scale.foot + FOOT
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{total:g}" viewBox="0 0 {width:g} {total:g}" '
        f'role="img" aria-label="{escape(title, quote=True)}" font-family="{escape(palette.font, quote=True)}" '
        f'font-size="11">{"".join(parts)}</svg>'
    )


def _rungs(
    xs: Sequence[float], posts: Sequence[Post], rungs: Sequence[Rung], scale: _Scale, palette: Palette
) -> list[str]:
    parts: list[str] = []
    levels = [scale.y(r.level_db_spl) for r in rungs]
    peaks = [scale.y(r.peak_db_spl) for r in rungs]
    low, high = scale.top + 4, scale.foot - 4
    names = spread(levels, low, high)
    for rung, y, peak_y, name_y in zip(rungs, levels, peaks, names, strict=True):
        parts.append(_text(NAMES - 36, name_y + 4, _short(rung.name), palette.ink, "end"))
        lead = f'd="M{NAMES - 33:.1f},{name_y:.1f}L{NAMES - 6:.1f},{y:.1f}H{xs[0] - POST / 2:.1f}"'
        parts.append(f'<path {lead} fill="none" stroke="{palette.soft_ink}" stroke-width=".5"/>')
        parts += [_rung_line(xs, y, k, palette.ink, 1.5) for k in range(len(xs))]
        for k in range(len(xs)):
            if rung.broken_at is None or k < rung.broken_at:
                parts.append(_rung_line(xs, peak_y, k, palette.ink, 0.6))
            else:
                parts.append(_rung_line(xs, peak_y, k, palette.damage, 1.3, ' stroke-dasharray="5 2"'))
        if rung.broken_at is not None:
            cross = f"M{xs[rung.broken_at] - 4:.1f},{peak_y - 4:.1f}l8,8m0,-8l-8,8"
            parts.append(f'<path d="{cross}" fill="none" stroke="{palette.damage}" stroke-width="1.3"/>')
        parts += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.4" fill="{palette.ink}"/>' for x in xs]
    for k, (x, post) in enumerate(zip(xs, posts, strict=True)):
        words = [
            words
            for rung in rungs
            for words in (
                (signed(rung.level_db_spl + post.offset_db), palette.ink),
                (_peak_words(rung, post, k), palette.damage if rung.broken_at == k else palette.soft_ink),
            )
        ]
        wanted = [y for pair in zip(levels, peaks, strict=True) for y in pair]
        for (text, colour), place in zip(words, spread(wanted, low, high), strict=True):
            parts.append(_text(x + POST / 2 + 5, place + 3.5, text, colour, extra=' font-size="9.5"'))
    return parts


def _short(name: str) -> str:
    return name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 1] + "…"


def _rung_line(xs: Sequence[float], y: float, k: int, stroke: str, thick: float, extra: str = "") -> str:
    """Return a rung's line through post `k` and up to the next, with room left for the figures behind the post."""
    left, right = xs[k] - POST / 2, xs[k] + POST / 2
    path = f"M{left:.1f},{y:.1f}H{right:.1f}"
    if k + 1 < len(xs) and xs[k + 1] - POST / 2 > right + FIGURES:
        path += f"M{right + FIGURES:.1f},{y:.1f}H{xs[k + 1] - POST / 2:.1f}"
    return f'<path d="{path}" fill="none" stroke="{stroke}" stroke-width="{thick:g}"{extra}/>'


def _peak_words(rung: Rung, post: Post, k: int) -> str:
    figure = signed(rung.peak_db_spl + post.offset_db)
    if rung.broken_at == k:
        return f"{figure}, {rung.excess_db:.0f} over" if rung.excess_db >= 0.5 else f"{figure}, at limit"
    return f"peak {figure}" if k == 0 else figure
