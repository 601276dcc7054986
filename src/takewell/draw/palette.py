"""Ink on warm paper: the few colours every drawing is made of.

One ink for what is measured, ochre for what will be moved, vermilion for damage. No meaning rests on
colour alone: moves are brackets with figures, damage is a dashed outline with words.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Palette:
    """Colours as SVG understands them; `font` is a CSS font-family list."""

    ink: str
    soft_ink: str
    rule: str
    floor: str
    speech: str
    move: str
    damage: str
    font: str


PAPER = Palette(
    ink="#1f2a37",
    soft_ink="#55606b",
    rule="#d9d0bd",
    floor="#c9d1d8",
    speech="#7f93a8",
    move="#8f5a00",
    damage="#a62f18",
    font="Libertinus Serif, Charter, Georgia, serif",
)
"""Fixed colours, for PDF and pictures."""

PAGE = Palette(
    ink="var(--ink)",
    soft_ink="var(--soft-ink)",
    rule="var(--rule)",
    floor="var(--floor)",
    speech="var(--speech)",
    move="var(--move)",
    damage="var(--damage)",
    font="var(--figures)",
)
"""The names the style sheet of a page gives a value, light and dark."""
