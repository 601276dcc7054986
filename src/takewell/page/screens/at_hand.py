"""What every screen of a roll needs from its address: the shelf, the roll, the take."""

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import Depends, Path, Query, Request

from takewell.page.places import roll_key
from takewell.page.shelf import OpenRoll, Shelf
from takewell.roll import Take

Key = Annotated[str, Path(max_length=8192, description="The roll's folder, as base64 for URLs.")]
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


async def filled_of(request: Request) -> Mapping[str, str]:
    """Return every field of the form that was sent, whatever its name; of fields of one name the last."""
    return {name: value for name, value in (await request.form()).items() if isinstance(value, str)}


Filled = Annotated[Mapping[str, str], Depends(filled_of)]


def crumbs(opened: OpenRoll, here: str, take: str = "") -> dict[str, Any]:
    """Return where a screen stands: the roll's address and name, which part of it this is, and the take."""
    folder = opened.roll.folder
    return {"base": f"/roll/{roll_key(folder)}/", "roll": folder.name, "here": here, "take": take}
