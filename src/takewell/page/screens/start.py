"""The first screen: open a roll, check a card in, try the demo; and the folder picker they use."""

from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from takewell.errors import FileError, SettingError
from takewell.files import make_folder
from takewell.page import jobs
from takewell.page.places import Places, roll_key
from takewell.page.screens.allowed import Allowed, PathField, PathText
from takewell.page.view import page, query
from takewell.roll import is_roll
from takewell.roll.sheet import TEXT_FOLDER

router = APIRouter()

FIELDS = {
    "open": "Open a roll",
    "card": "Choose the card",
    "to": "Choose where the roll goes",
    "second": "Choose where the second copy goes",
    "plan": "Open a day",
    "kit": "Open a profile",
    "bench": "Open data sheets",
}
SUFFIXES = {"plan": ".toml", "kit": ".toml", "bench": ".json"}
LEADS_TO = {"plan": "/plan?path=", "kit": "/kit/profile?path="}
"""Where a file in the picker leads."""


@router.get("/", response_class=HTMLResponse)
def start(request: Request, places: Allowed) -> HTMLResponse:
    """Say what can be done."""
    first: Path | None = request.app.state.first
    named = None if first is None else {"name": first.name, "base": f"/roll/{roll_key(first)}/"}
    demo = places.roots[0] / "takewell-demo"
    return page("start.html.j2", {"crumbs": None, "first": named, "demo": str(demo)})


@router.get("/folder", response_class=HTMLResponse)
def folder(
    places: Allowed,
    what: Annotated[str, Query(alias="for", pattern="^(open|card|to|second|plan|kit|bench)$")] = "open",
    path: PathText = "",
    card: PathText = "",
    to: PathText = "",
    second: PathText = "",
) -> HTMLResponse:
    """Show the folders in a folder, to choose one."""
    values = {
        "crumbs": None,
        "what": what,
        "title": FIELDS[what],
        "kept": {"card": card, "to": to, "second": second},
        "roots": [str(root) for root in places.roots],
        "folder": places.folder(path, SUFFIXES.get(what, "")) if path else None,
        "leads_to": LEADS_TO.get(what, ""),
    }
    return page("folder.html.j2", values)


@router.get("/open")
def open_roll(places: Allowed, path: PathText) -> Response:
    """Go to the day sheet of a roll; ask first where the folder is none yet, because a card must not be written to."""
    real = _existing(places, path)
    if not is_roll(real):
        return page("new_roll.html.j2", {"crumbs": None, "path": str(real)})
    return RedirectResponse(f"/roll/{roll_key(real)}/", status_code=303)


@router.post("/open")
def begin_roll(places: Allowed, path: PathField) -> RedirectResponse:
    """Make a folder of sound files a roll, by giving it its own folder for notes and moves."""
    real = _existing(places, path)
    make_folder(real / TEXT_FOLDER)
    return RedirectResponse(f"/roll/{roll_key(real)}/", status_code=303)


def _existing(places: Places, path: str) -> Path:
    real = places.allowed(path)
    if not real.is_dir():
        raise FileError(f"{real} is no folder; choose the folder of a roll.")
    return real


@router.get("/checkin", response_class=HTMLResponse)
def checkin(card: PathText = "", to: PathText = "", second: PathText = "") -> HTMLResponse:
    """Ask which card goes where."""
    return page("checkin.html.j2", {"crumbs": None, "card": card, "to": to, "second": second})


@router.post("/checkin")
def check_in(
    places: Allowed, card: PathField = "", to: PathField = "", second: PathField = ""
) -> RedirectResponse:
    """Begin a check-in, then examine the roll and propose its levels."""
    if not card or not to:
        raise SettingError("Choose the card, and the folder the roll goes to.")
    source, copies = places.allowed(card), [places.allowed(p) for p in (to, second) if p]
    if not source.is_dir():
        raise FileError(f"{source} is not there; is the card in its reader?")
    for place in copies:
        if place == source or source in place.parents or place in source.parents:
            raise SettingError(f"{place} and the card {source} lie in one another; choose another folder.")
        if not place.parent.is_dir():
            raise FileError(f"{place.parent} is not there; connect the disk or create that folder first.")
    targets = [part for place in copies for part in ("--to", str(place))]
    roll = str(copies[0])
    commands = [["checkin", str(source), *targets], ["examine", roll], ["level", roll]]
    return _to_job(copies[0], jobs.start(copies[0], f"Check in {source.name}", commands))


@router.post("/demo")
def demo(places: Allowed, to: PathField = "") -> RedirectResponse:
    """Begin the demo in a folder."""
    place = places.allowed(to)
    if not place.parent.is_dir():
        raise FileError(f"{place.parent} is not there; choose a folder that is.")
    roll = place / "roll"
    package = place / "package"
    about = {} if package.exists() else {"package": str(package)}
    return _to_job(roll, jobs.start(roll, "Demo: an invented shoot day", [["demo", str(place)]], about))


def _to_job(folder: Path, number: int) -> RedirectResponse:
    return RedirectResponse(f"/roll/{query(roll_key(folder))}/jobs?step={number}", status_code=303)
