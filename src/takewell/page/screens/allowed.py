"""What a screen needs that opens no roll: the allowed folders, and the fields of a form that was sent."""

from collections.abc import Mapping
from typing import Annotated

from fastapi import Depends, Form, Path, Query, Request

from takewell.page.places import Places

Key = Annotated[str, Path(max_length=8192, description="The roll's folder, as base64 for URLs.")]
PathText = Annotated[str, Query(max_length=4096)]
PathField = Annotated[str, Form(max_length=4096)]


def places_of(request: Request) -> Places:
    """Return the folders this page may look into."""
    places: Places = request.app.state.places
    return places


Allowed = Annotated[Places, Depends(places_of)]


async def filled_of(request: Request) -> Mapping[str, str]:
    """Return every field of the form that was sent, whatever its name; of fields of one name the last."""
    return {name: value for name, value in (await request.form()).items() if isinstance(value, str)}


Filled = Annotated[Mapping[str, str], Depends(filled_of)]
