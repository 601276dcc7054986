"""The bench: data sheets of recorders with their curves, side by side; test signals written and recordings measured."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form, Query
from fastapi.responses import HTMLResponse, RedirectResponse

from takewell.bench import compare, comparison_drawings, read_sheet
from takewell.bench.comparison import ComparedFigure
from takewell.bench.figures import DataSheet, Figure
from takewell.draw import PAGE
from takewell.errors import FileError, SettingError, TakewellError
from takewell.page import jobs
from takewell.page.offers import OF_A_BENCH, command_line, offer
from takewell.page.places import roll_key
from takewell.page.screens.allowed import Filled, PathField, PathText
from takewell.page.screens.at_hand import OnShelf
from takewell.page.shelf import Shelf
from takewell.page.view import figure, page, query

router = APIRouter()

MOST_SHEET_BYTES = 4_000_000
MOST_SHEETS = 8
"""Data sheets side by side; more than that no eye compares."""

CAUTION = (
    "No headphones and no loudspeakers while the signals play: they go over full scale on purpose. Phantom power off; "
    "plug and unplug with the gain down."
)


@router.get("/bench", response_class=HTMLResponse)
def bench(
    shelf: OnShelf,
    at: PathText = "",
    sheet: Annotated[list[str], Query(max_length=MOST_SHEETS)] = [],  # noqa: B006 - FastAPI copies it
) -> HTMLResponse:
    """Show the data sheets in a folder, those chosen side by side."""
    values: dict[str, object] = {"crumbs": None, "at": "", "offers": OF_A_BENCH, "caution": CAUTION}
    if not at:
        return page("bench.html.j2", values | {"here": str(shelf.places.roots[0])})
    folder = shelf.places.folder(at, ".json")
    known = {entry.name: Path(entry.path) for entry in folder.files}
    there, not_read = _sheets(shelf, known)
    chosen = [name for name in sheet if name in there] or list(there)[:1]
    problem = (
        "" if all(name in there for name in sheet) else "A data sheet that was chosen is not there any more."
    )
    rows: tuple[ComparedFigure, ...] = ()
    drawings: dict[str, str] = {}
    try:
        sheets = tuple(there[name] for name in chosen)
        if sheets:
            rows, drawings = compare(sheets), comparison_drawings(sheets, PAGE, width=540)
    except SettingError as error:
        problem = str(error)
    return page(
        "bench.html.j2",
        values
        | {
            "at": folder.path,
            "key": roll_key(Path(folder.path)),
            "there": there,
            "chosen": chosen,
            "not_read": not_read,
            "problem": problem,
            "rows": [(row, [_cell(one) for one in row.figures]) for row in rows],
            "drawings": drawings,
            "limited": any(one and one.limited_by_generator for row in rows for one in row.figures),
            "notes": [(there[name].name, note) for name in chosen for note in there[name].notes],
        },
    )


@router.post("/bench")
def begin(
    shelf: OnShelf, filled: Filled, at: PathField, what: Annotated[str, Form(max_length=40)]
) -> RedirectResponse:
    """Begin to write signals into a folder, or to measure recordings into it."""
    place = shelf.places.allowed(at)
    if not place.parent.is_dir():
        raise FileError(f"{place.parent} is not there; create that folder first, or choose another.")
    job = offer(what, OF_A_BENCH)
    command = command_line(job, place, filled, shelf.places.allowed)
    about = {"leads_to": f"/bench?at={query(place)}"}
    number = jobs.start(place, job.name, [command], about)
    return RedirectResponse(f"/roll/{roll_key(place)}/jobs?step={number}", status_code=303)


def _sheets(shelf: Shelf, known: dict[str, Path]) -> tuple[dict[str, DataSheet], list[str]]:
    """Return the data sheets among JSON files by name; other files are none of the bench's business."""
    found, wrong = {}, []
    for name, path in known.items():
        real = shelf.places.allowed(path)
        if real.stat().st_size > MOST_SHEET_BYTES:
            continue
        try:
            sheet = read_sheet(real)
            _check_kinds(sheet, real)
            found[name] = sheet
        except TakewellError as error:
            wrong.append(str(error))
        except RecursionError:
            wrong.append(f"{real} is no data sheet.")
    return found, wrong


def _check_kinds(sheet: DataSheet, path: Path) -> None:
    """Refuse a file that only looks like a data sheet: words where numbers belong, or the other way."""
    words = [sheet.name, *sheet.notes]
    numbers: list[object] = []
    for one in sheet.figures:
        words += [one.key, one.unit, one.at, one.note, one.better]
        numbers += [one.value, one.uncertainty]
    for curve in sheet.curves:
        words += [curve.key, curve.at]
        numbers += [*curve.x, *curve.y]
        if len(curve.x) != len(curve.y):
            raise FileError(f"{path} is no data sheet: the curve {curve.key} is torn.")
    if not all(isinstance(word, str) for word in words) or not all(
        number is None or isinstance(number, int | float) for number in numbers
    ):
        raise FileError(f"{path} is no data sheet: words and numbers are not where they belong.")


def _cell(one: Figure | None) -> tuple[str, str, Sequence[str]]:
    """Return a figure's value, its uncertainty, and what else is to be said of it."""
    if one is None:
        return "–", "", ()
    at_least = "≥ " if one.note.startswith("Not reached") else ""
    sure = f"± {one.uncertainty:.2g}" if one.uncertainty is not None else ""
    said = [one.note] if one.note and not at_least else []
    return at_least + figure(one.value, 2) + (" *" if one.limited_by_generator else ""), sure, said
