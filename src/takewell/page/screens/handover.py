"""Handing over: choose what the editor gets, see what will be written and what is in the way, run it, open the report."""

from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Form, Query
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse

from takewell.errors import FileError, SettingError, TakewellError
from takewell.handover import LOUDNESS_SPECS, Options, check_options
from takewell.handover.plan import Delivery, plan_package
from takewell.mix.mixdown import mixed_takes
from takewell.page import jobs
from takewell.page.screens.allowed import Key
from takewell.page.screens.at_hand import OnShelf, TheRoll, crumbs
from takewell.page.shelf import OpenRoll, Shelf
from takewell.page.view import page
from takewell.wave import read_info

router = APIRouter(prefix="/roll/{key}")

MOST_SHOWN = 400
SpecField = Literal["editorial", "finished"]
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox allow-same-origin; frame-ancestors 'none'"
"""The report is one page of ours with its style inside and no script."""


@router.get("/handover", response_class=HTMLResponse)
def form(
    opened: TheRoll,
    shelf: OnShelf,
    spec: SpecField = "editorial",
    loudness: Annotated[str, Query(max_length=40)] = "r128",
    layout: Literal["mono", "stereo"] = "mono",
    split: bool = False,
    conform: bool = False,
    names: Annotated[str, Query(max_length=200)] = "{original}",
    to: Annotated[str, Query(max_length=4096)] = "",
) -> HTMLResponse:
    """Show what a package would hold."""
    options = Options(spec=spec, loudness=loudness, split=split, conform=conform, names=names)
    to = to or _free_place(opened.roll.folder)
    problem, deliveries = "", tuple[Delivery, ...]()
    try:
        place = _place(shelf, to)
        check_options(opened.roll, place, options)
        deliveries = _planned(opened, options)
    except TakewellError as error:
        problem = str(error)
    values = {
        "crumbs": crumbs(opened, "handover"),
        "options": options,
        "layout": layout,
        "to": to,
        "specs": LOUDNESS_SPECS.values(),
        "problem": problem,
        "folders": _by_folder(deliveries),
        "count": len(deliveries),
        "mixes": len(mixed_takes(opened.roll)),
        "most": MOST_SHOWN,
        "in_the_way": _in_the_way(opened),
        "examined": opened.examination is not None,
        "earlier": [
            s for s in jobs.jobs_of(opened.roll.folder) if s.detail.get("package") and s.state == "done"
        ],
    }
    return page("handover.html.j2", values)


@router.post("/handover")
def run(
    opened: TheRoll,
    shelf: OnShelf,
    key: Key,
    to: Annotated[str, Form(max_length=4096)],
    spec: Annotated[SpecField, Form()] = "editorial",
    loudness: Annotated[str, Form(max_length=40)] = "r128",
    layout: Annotated[Literal["mono", "stereo"], Form()] = "mono",
    split: Annotated[bool, Form()] = False,
    conform: Annotated[bool, Form()] = False,
    names: Annotated[str, Form(max_length=200)] = "{original}",
) -> RedirectResponse:
    """Begin to hand the roll over."""
    place = _place(shelf, to)
    check_options(
        opened.roll, place, Options(spec=spec, loudness=loudness, split=split, conform=conform, names=names)
    )
    if not place.parent.is_dir():
        raise FileError(f"{place.parent} is not there; create that folder first, or choose another.")
    command = ["handover", str(opened.roll.folder), "--to", str(place), "--spec", spec]
    command += [f"--loudness={loudness}", f"--names={names}", f"--layout={layout}"]
    command += ["--mono"] * split + ["--conform"] * conform
    about = {"package": str(place)}
    number = jobs.start(opened.roll.folder, f"Hand over as {spec}", [command], about)
    return RedirectResponse(f"/roll/{key}/jobs?step={number}", status_code=303)


@router.get("/report", response_class=FileResponse)
def report(
    opened: TheRoll,
    shelf: OnShelf,
    step: Annotated[int, Query(ge=1, le=2**53)],
    form: Literal["html", "pdf"] = "html",
) -> FileResponse:
    """Open the sound report of a package."""
    package = jobs.step_of(opened.roll.folder, step).detail.get("package")
    if not package:
        raise SettingError("That piece of work wrote no package.")
    path = shelf.places.allowed(Path(package) / "report" / f"sound-report.{form}")
    if not path.is_file():
        raise FileError(f"{path} is not there any more.")
    kind = {"html": "text/html", "pdf": "application/pdf"}[form]
    headers = {"content-security-policy": REPORT_POLICY} if form == "html" else {}
    return FileResponse(
        path, media_type=kind, headers=headers, content_disposition_type="inline", filename=path.name
    )


def _place(shelf: Shelf, to: str) -> Path:
    return shelf.places.allowed(to)


def _free_place(folder: Path) -> str:
    count = 1
    while (place := folder.with_name(f"{folder.name}-package{'' if count == 1 else f'-{count}'}")).exists():
        count += 1
    return str(place)


def _planned(opened: OpenRoll, options: Options) -> tuple[Delivery, ...]:
    roll = opened.roll
    infos = {media.path: read_info(roll.folder / media.path) for take in roll.takes for media in take.files}
    # What is rendered on the way does not exist yet; the screen says in words what it will be.
    return plan_package(roll.takes, infos, options, mixes={}, levelled={}, excerpts=())


def _by_folder(deliveries: tuple[Delivery, ...]) -> list[tuple[str, list[Delivery]]]:
    folders: dict[str, list[Delivery]] = {}
    for delivery in deliveries:
        folders.setdefault(delivery.target.split("/")[0], []).append(delivery)
    return list(folders.items())


def _in_the_way(opened: OpenRoll) -> list[dict[str, Any]]:
    """Return what needs a person before or after handing over: unreadable files, lost and damaged tracks."""
    found = [
        {"take": "", "track": "", "word": "lost", "why": sentence} for sentence in opened.roll.unreadable
    ]
    if opened.examination is None:
        return found
    names = {(take.id, track.number): track.name for take in opened.roll.takes for track in take.tracks}
    for word in ("lost", "mend"):
        found += [
            {"take": v.take, "track": names.get((v.take, v.track), ""), "word": word, "why": v.reason}
            for v in opened.examination.verdicts
            if v.verdict == word
        ]
    return found
