"""What every screen of a roll needs from its address: the shelf, the roll, the take."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi import Depends, Query, Request

from takewell.page.places import roll_key
from takewell.page.screens.allowed import Key
from takewell.page.shelf import OpenRoll, Shelf
from takewell.roll import Take

TakeId = Annotated[str, Query(alias="id", max_length=500, description="The take's id.")]
TrackNumber = Annotated[
    int, Query(alias="track", ge=1, le=1000, description="Number of the track in the take.")
]
Width = Annotated[int, Query(ge=200, le=4000, description="Width of the drawing in pixels.")]


def shelf_of(request: Request) -> Shelf:
    """Return the shelf of this page."""
    shelf: Shelf = request.app.state.shelf
    return shelf


OnShelf = Annotated[Shelf, Depends(shelf_of)]


def roll_of(key: Key, shelf: OnShelf) -> OpenRoll:
    """Return the roll an address names.

    Raises
    ------
    FileError
        If it is not allowed or not there.
    """
    return shelf.roll(shelf.places.roll_folder(key))


TheRoll = Annotated[OpenRoll, Depends(roll_of)]


def take_of(opened: TheRoll, id: TakeId) -> Take:
    """Return the take an address names.

    Raises
    ------
    SettingError
        If the roll has no such take.
    """
    return opened.roll.take(id)


TheTake = Annotated[Take, Depends(take_of)]


LEAST_STRETCH_S = 0.5
"""Shortest stretch of a take that is drawn."""

Zoom = Literal["", "closer", "wider", "earlier", "later", "whole"]


@dataclass(frozen=True)
class Stretch:
    """The part of a take that its traces show."""

    start_s: float
    end_s: float
    whole: bool
    """Whether it is all of the take."""

    @property
    def ends(self) -> tuple[float, float | None]:
        """Start and end for a drawing; no end for the whole take."""
        return (0.0, None) if self.whole else (self.start_s, self.end_s)


def stretch_of(
    take: TheTake,
    from_s: Annotated[float, Query(ge=0, le=1e7, allow_inf_nan=False)] = 0.0,
    to_s: Annotated[float, Query(ge=0, le=1e7, allow_inf_nan=False)] = 0.0,
    zoom: Zoom = "",
) -> Stretch:
    """Return the stretch an address names; the whole take where it names none."""
    length = float(take.duration_s)
    start, end = (from_s, to_s) if to_s > from_s else (0.0, length)
    middle, half = (start + end) / 2, (end - start) / 2
    if zoom in ("closer", "wider"):
        half *= 0.5 if zoom == "closer" else 2
    elif zoom in ("earlier", "later"):
        middle += half if zoom == "later" else -half
    half = max(half, LEAST_STRETCH_S / 2)
    if zoom == "whole" or 2 * half >= length - 1e-6:
        return Stretch(0.0, length, whole=True)
    middle = min(max(middle, half), length - half)
    return Stretch(middle - half, middle + half, whole=False)


TheStretch = Annotated[Stretch, Depends(stretch_of)]


def crumbs(opened: OpenRoll, here: str, take: str = "") -> dict[str, Any]:
    """Return where a screen stands: the roll's address and name, which part of it this is, and the take."""
    folder = opened.roll.folder
    return {"base": f"/roll/{roll_key(folder)}/", "roll": folder.name, "here": here, "take": take}
