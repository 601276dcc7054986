"""The kit: what each microphone, input, battery, card and clock can do; profiles shown, copied and changed."""

from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from takewell.draw import PAGE
from takewell.errors import TakewellError
from takewell.kit import KINDS, parse_profile, shipped_kit, shipped_text
from takewell.kit.curves import profile_drawings
from takewell.kit.form import labelled, profile_form
from takewell.page.screens.allowed import Filled, PathField, PathText
from takewell.page.screens.at_hand import OnShelf
from takewell.page.screens.text_file import (
    MOST_TEXT_BYTES,
    Carried,
    carried,
    file_state,
    merged,
    new_text_file,
    said_of,
    save,
)
from takewell.page.view import page, query, wants_fragment

router = APIRouter()

KIND_WORDS = {
    "microphone": "Microphones", "transmitter": "Radio links", "input": "Inputs", "recorder": "Recorders",
    "load": "What else draws power", "battery": "Batteries", "card": "Cards and disks", "clock": "Clocks",
}  # fmt: skip
ProfileName = Annotated[str, Query(max_length=200)]
NO_FILE = Path("profile.toml")
"""What a profile that comes with Takewell is called in errors."""


@router.get("/kit", response_class=HTMLResponse)
def kit() -> HTMLResponse:
    """List the profiles that come with Takewell."""
    words = {kind: word for word, kind in KINDS.items()}
    by_kind: dict[str, list[tuple[str, str, str]]] = {heading: [] for heading in KIND_WORDS.values()}
    for key, profile in shipped_kit().items():
        by_kind[KIND_WORDS[words[type(profile)]]].append((key, profile.name, profile.note))
    return page("kit.html.j2", {"crumbs": None, "kinds": by_kind})


@router.get("/kit/profile", response_class=HTMLResponse)
def profile(shelf: OnShelf, path: PathText = "", name: ProfileName = "", saved: bool = False) -> HTMLResponse:
    """Show a profile: one that comes with Takewell by its name, one's own by its path."""
    if not path:
        text = shipped_text(name)
        return _screen(
            NO_FILE, Carried(text, text, file_state(text)), shipped=name, here=str(shelf.places.roots[0])
        )
    real = shelf.places.allowed(path)
    text = shelf.places.text_file(path, ".toml", MOST_TEXT_BYTES)
    return _screen(real, Carried(text, text, file_state(text)), saved="Saved." if saved else "")


@router.post("/kit/new")
def copy(
    shelf: OnShelf,
    name: Annotated[str, Form(max_length=200)],
    folder: PathField,
    key: Annotated[str, Form(max_length=200)],
) -> RedirectResponse:
    """Write a copy of a profile that comes with Takewell, to be changed."""
    place = new_text_file(shelf.places, folder, key, shipped_text(name))
    return RedirectResponse(f"/kit/profile?path={query(place)}", status_code=303)


@router.post("/kit/profile", response_class=HTMLResponse)
def change(
    request: Request,
    shelf: OnShelf,
    filled: Filled,
    path: PathText,
    do: Annotated[str, Form(max_length=40)] = "reckon",
) -> Response:
    """Show the profile as the form has it, or save it."""
    real = shelf.places.allowed(path)
    now = carried(filled)
    fragment = wants_fragment(request)
    try:
        text = merged(now, lambda text: [profile_form(text, real)], filled)
        now = Carried(text, text, now.state)
        parse_profile(text, real)
        if do == "save":
            save(real, now)
            return RedirectResponse(f"/kit/profile?path={query(real)}&saved=true", status_code=303)
    except TakewellError as error:
        return _screen(real, now, wrong=str(error), fragment=fragment, status=422)
    return _screen(real, now, fragment=fragment)


def _screen(
    path: Path,
    now: Carried,
    *,
    shipped: str = "",
    here: str = "",
    wrong: str = "",
    saved: str = "",
    fragment: bool = False,
    status: int = 200,
) -> HTMLResponse:
    found, form = None, None
    try:
        form = profile_form(now.text, path)
        found = parse_profile(now.text, path)
    except TakewellError as error:
        wrong = wrong or str(error)
    sentence, place, line = said_of(wrong, path, now.text)
    values = {
        "crumbs": None,
        "path": "" if shipped else str(path),
        "shipped": shipped,
        "here": here,
        "now": now,
        "wrong": sentence,
        "wrong_place": place,
        "wrong_line": line,
        "saved": saved,
        "unsaved": file_state(now.text) != now.state,
        "form": form,
        "profile": found,
        "measured": [
            (*labelled(field), _figures(one.value), _figures(one.data_sheet), one)
            for field, one in (found.measured if found else {}).items()
        ],
        "drawings": profile_drawings(found, PAGE) if found else {},
    }
    return page(
        "profile_part.html.j2" if fragment else "profile.html.j2",
        values,
        status if wrong and not fragment else 200,
    )


def _figures(value: float | tuple[tuple[float, float], ...] | None) -> str:
    """Return a value to four figures; of a curve, how many points it has, or its one pair."""
    if value is None:
        return "–"
    if isinstance(value, tuple):
        one = len(value) == 1
        return " at ".join(f"{v:.4g}" for v in reversed(value[0])) if one else f"{len(value)} points"
    return f"{value:.4g}".replace("-", "−")
