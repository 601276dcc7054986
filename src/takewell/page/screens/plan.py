"""Planning a day: a form over its TOML file, with levels, cards, power and clocks reckoned as values change.

The form carries the text it was drawn from and the text as a person changed it; fields that were changed go into that
text, so that comments stay. Nothing is written but by Save, and only a day that can be read.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from takewell.draw import PAGE
from takewell.errors import FileError, SettingError, TakewellError
from takewell.kit.form import FormTable, place_of, place_word
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
    suggested,
)
from takewell.page.shelf import Shelf
from takewell.page.view import page, query, wants_fragment
from takewell.plan import DayPlan, example_day, ladder_of, lede, pdf_sheet, risk_of, write_predictions
from takewell.plan.form import day_form, with_one_less, with_one_more
from takewell.plan.sheet import sheet_values
from takewell.roll import is_roll

router = APIRouter()

LADDER_WIDTH, LADDER_HEIGHT = 800, 260


@router.get("/plan", response_class=HTMLResponse)
def plan(shelf: OnShelf, path: PathText = "", saved: bool = False) -> HTMLResponse:
    """Show a day's plan; without one, say how to begin."""
    if not path:
        return page("plan_start.html.j2", {"crumbs": None, "here": str(shelf.places.roots[0])})
    real = shelf.places.allowed(path)
    text = shelf.places.text_file(path, ".toml", MOST_TEXT_BYTES)
    return _screen(shelf, real, Carried(text, text, file_state(text)), saved="Saved." if saved else "")


@router.post("/plan/new")
def begin(shelf: OnShelf, folder: PathField, name: Annotated[str, Form(max_length=200)]) -> RedirectResponse:
    """Write the example under a new name, to make a day of one's own of it."""
    place = new_text_file(shelf.places, folder, name, example_day())
    return RedirectResponse(f"/plan?path={query(place)}", status_code=303)


@router.post("/plan", response_class=HTMLResponse)
def change(
    request: Request,
    shelf: OnShelf,
    filled: Filled,
    path: PathText,
    do: Annotated[str, Form(max_length=200)] = "reckon",
) -> Response:
    """Reckon the day as the form has it, add or take away an entry, or save it."""
    real = shelf.places.allowed(path)
    now = carried(filled)
    try:
        text = _changed(now, real, filled, do)
    except TakewellError as error:
        return _screen(shelf, real, now, wrong=str(error), fragment=wants_fragment(request), status=422)
    now = Carried(text, text, now.state)
    if do != "save":
        return _screen(shelf, real, now, fragment=wants_fragment(request), opened=_touched(do))
    try:
        shelf.plan(real, text)
        save(real, now)
    except TakewellError as error:
        return _screen(shelf, real, now, wrong=str(error), fragment=wants_fragment(request), status=422)
    return RedirectResponse(f"/plan?path={query(real)}&saved=true", status_code=303)


@router.get("/plan/sheet")
def sheet(shelf: OnShelf, path: PathText) -> Response:
    """Return the saved day on one page, as PDF."""
    real = shelf.places.allowed(path)
    found = shelf.plan(real, shelf.places.text_file(path, ".toml", MOST_TEXT_BYTES))
    name = f'inline; filename="{real.stem.encode("ascii", "ignore").decode() or "plan"}.pdf"'
    return Response(pdf_sheet(found), media_type="application/pdf", headers={"content-disposition": name})


@router.post("/plan/into")
def into(shelf: OnShelf, path: PathText, roll: PathField) -> RedirectResponse:
    """Store what the files should read in a roll, for its examination."""
    real, folder = shelf.places.allowed(path), shelf.places.allowed(roll)
    if not is_roll(folder):
        raise FileError(f"{folder} is no roll; check a card in, or open the folder first.")
    write_predictions(shelf.plan(real, shelf.places.text_file(path, ".toml", MOST_TEXT_BYTES)), folder)
    return RedirectResponse(f"/plan?path={query(real)}&saved=true", status_code=303)


def _touched(do: str) -> list[str]:
    """Return the track in which an entry came or went, so that it stays unfolded."""
    place = place_of(do.partition(" ")[2])[:4]
    return [place_word(place)] if len(place) == 4 else []


def _changed(now: Carried, path: Path, filled: Mapping[str, str], do: str) -> str:
    text = merged(now, lambda text: day_form(text, path), filled)
    verb, _, word = do.partition(" ")
    if verb == "add":
        return with_one_more(text, place_of(word))
    if verb == "remove":
        return with_one_less(text, place_of(word))
    return text


def _screen(
    shelf: Shelf,
    path: Path,
    now: Carried,
    *,
    wrong: str = "",
    saved: str = "",
    fragment: bool = False,
    status: int = 200,
    opened: Sequence[str] = (),
) -> HTMLResponse:
    try:
        form: tuple[FormTable, ...] = day_form(now.text, path)
    except SettingError as error:
        form, wrong = (), wrong or str(error)
    found: DayPlan | None = None
    try:
        found = shelf.plan(path, now.text)
    except TakewellError as error:
        wrong = wrong or str(error)
    sentence, place, line = said_of(wrong, path, now.text)
    values = {
        "crumbs": None,
        "path": str(path),
        "now": now,
        "wrong": sentence,
        "wrong_place": place,
        "wrong_line": line,
        "saved": saved,
        "unsaved": file_state(now.text) != now.state,
        "form": _by_kind(form),
        "plan": found,
        "answer": lede(found) if found else "",
        "sheet": sheet_values(found) if found else None,
        "drawings": _drawings(found) if found else {},
        "places": _places(found) if found else {},
        "lists": suggested(form),
        "opened": opened,
    }
    name = "plan_part.html.j2" if fragment else "plan.html.j2"
    return page(name, values, status if wrong and not fragment else 200)


def _by_kind(form: Sequence[FormTable]) -> dict[str, list[FormTable]]:
    found: dict[str, list[FormTable]] = {
        key: [] for key in ("day", "setup", "file", "media", "power", "timecode", "clock")
    }
    for table in form:
        found[str(table.place[0]) if table.place else "day"].append(table)
    return found


def _places(found: DayPlan) -> dict[str, str]:
    """Return where on the screen each place of a problem stands."""
    tracks = {
        f"{set_up.set_up.name}, {planned.levels.track.name}": f"d-setup/{s}/track/{t}"
        for s, set_up in enumerate(found.set_ups)
        for t, planned in enumerate(set_up.tracks)
    }
    return tracks | {"cards": "cards-h", "power": "power-h", "clocks": "clocks-h", "flight": "care-h"}


def _drawings(found: DayPlan) -> dict[str, tuple[str, str]]:
    """Return ladder and risk of each track, by the place of the track."""
    return {
        f"setup/{s}/track/{t}": (
            ladder_of(planned.levels, PAGE, width=LADDER_WIDTH, height=LADDER_HEIGHT),
            risk_of(planned.levels, PAGE, width=330, height=200),
        )
        for s, set_up in enumerate(found.set_ups)
        for t, planned in enumerate(set_up.tracks)
    }
