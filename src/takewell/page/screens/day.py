"""The day sheet: takes as rows in the order of the day, with their verdicts; strips come when they are looked at."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from takewell.draw import PAGE
from takewell.handover.sheet import SheetTake, day_lede, day_title
from takewell.page import jobs
from takewell.page.screens.at_hand import OnShelf, TheRoll, TheTake, crumbs
from takewell.page.shelf import OpenRoll, sheet
from takewell.page.view import page
from takewell.roll import Logbook

router = APIRouter(prefix="/roll/{key}")

STRIP_HEIGHT = 34
Wanted = Literal["", "good", "level", "mend", "lost", "circled"]


@router.get("/", response_class=HTMLResponse)
def day(
    opened: TheRoll,
    q: Annotated[str, Query(max_length=200)] = "",
    verdict: Annotated[Wanted, Query()] = "",
) -> HTMLResponse:
    """Show the day sheet."""
    roll = opened.roll
    rows = opened.rows
    shown = [(take, row) for take, row in rows if _meant(row, q, verdict)]
    verdicts = opened.examination.verdicts if opened.examination else ()
    title, subtitle = day_title(roll)
    values = {
        "crumbs": crumbs(opened, "day"),
        "title": title,
        "subtitle": subtitle,
        "lede": day_lede(roll.takes, verdicts, opened.copies_sentence),
        "rows": shown,
        "all": len(rows),
        "q": q,
        "verdict": verdict,
        "strip_height": STRIP_HEIGHT + 4,
        "stale": _stale(opened),
        "moves_sentence": opened.moves_sentence,
        "has_moves": bool(opened.moves or opened.proposed),
        "warnings": (*roll.unreadable, *roll.warnings),
        "running": [step for step in jobs.jobs_of(roll.folder) if step.state == "running"],
    }
    return page("day.html.j2", values)


@router.get("/strips", response_class=HTMLResponse)
def strips(opened: TheRoll, take: TheTake, shelf: OnShelf) -> HTMLResponse:
    """Return one small trace a track."""

    def drawn() -> list[tuple[str, str]] | None:
        measured = shelf.take(opened, take)
        row = sheet(opened, take, measured)
        return [
            (t.name, t.picture.draw_strip(PAGE, height=STRIP_HEIGHT) if t.picture else "") for t in row.tracks
        ]

    known = shelf.measured(opened, take)
    return page("strips.html.j2", {"strips": shelf.strips(opened, take, drawn) if known else None})


def _meant(row: SheetTake, q: str, verdict: Wanted) -> bool:
    if verdict == "circled" and not row.circled:
        return False
    if verdict not in ("", "circled") and row.verdict != verdict:
        return False
    words = " ".join((row.start, row.scene, row.name, row.why, row.note, *(t.name for t in row.tracks)))
    return all(part in words.casefold() for part in q.casefold().split())


def _stale(opened: OpenRoll) -> str:
    """Return what has to be done before the sheet can be trusted; empty where nothing has."""
    if opened.examination is not None or not opened.roll.takes:
        return ""
    with Logbook(opened.roll.folder) as logbook:
        measured = all(logbook.measured(file.path) for take in opened.roll.takes for file in take.files)
    if measured:
        return "Not examined since it was checked in or since its track names changed."
    return "Not measured and examined yet; until then there are no traces and no verdicts."
