"""The take sheet: each track large, what was found, what will be moved; moves, notes and names are changed here.

Every change goes to the text files that the command line reads. A form carries the state of ``moves.csv`` it was
made from: where another window or an editor changed the file meanwhile, nothing is written and the sheet is
shown as it stands now.
"""

import hashlib
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Annotated, Any, Literal, get_args

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from takewell.desk import levels_after, moment_spectrum
from takewell.desk.listening import CEILING_DBTP, LOUDEST_LUFS
from takewell.draw import PAGE, Bracket, Mark, track_drawing
from takewell.draw.bands import bands_drawing
from takewell.draw.track import LEFT, RIGHT, scale_range
from takewell.errors import SettingError, TakewellError
from takewell.handover.sheet import MEASURED_TONE_DB, SheetTake
from takewell.level import Prediction
from takewell.level.edit import (
    accepted,
    added,
    as_proposed,
    joined,
    linked_tracks,
    rejected,
    split,
    with_gain,
)
from takewell.page.screens.allowed import Key
from takewell.page.screens.at_hand import (
    OnShelf,
    Stretch,
    TheRoll,
    TheStretch,
    TheTake,
    TrackNumber,
    Width,
    crumbs,
)
from takewell.page.screens.listen import heard_words
from takewell.page.screens.pairs import pairs_of
from takewell.page.shelf import TARGET_LUFS, OpenRoll, OpenTake, Shelf, sheet
from takewell.page.view import moment, page, query, text, wants_fragment
from takewell.roll import (
    Finding,
    Move,
    Note,
    Role,
    Take,
    TrackLabel,
    read_labels,
    read_moves,
    read_notes,
    write_labels,
    write_moves,
    write_notes,
)
from takewell.roll.moves import PROPOSED, moves_path

router = APIRouter(prefix="/roll/{key}")

DRAWING_WIDTH, DRAWING_HEIGHT = 1110, 170
NUDGE_DB = 0.5
LONGEST_NOTE, LONGEST_NAME = 2000, 200
LONG_TAKE_S = 3600.0
"""Seconds of all tracks together from which what moves lead to comes behind the sheet, not with it."""

Action = Literal["gain", "nudge", "split", "join", "accept", "reject", "proposed", "add"]
Shown = Annotated[Literal["before", "after"], Query(description="As recorded, or after the moves.")]

_writing = threading.Lock()
"""Text files are read, changed and written by one request at a time."""


@router.get("/take", response_class=HTMLResponse)
def take_screen(
    opened: TheRoll, take: TheTake, shelf: OnShelf, stretch: TheStretch, show: Shown = "before"
) -> HTMLResponse:
    """Show a take's sheet, all of it or a stretch."""
    return page("take.html.j2", _screen(opened, take, shelf, stretch, show))


@router.get("/track", response_class=HTMLResponse)
def track_part(
    opened: TheRoll,
    take: TheTake,
    shelf: OnShelf,
    track: TrackNumber,
    stretch: TheStretch,
    show: Shown = "before",
    width: Width = DRAWING_WIDTH,
) -> HTMLResponse:
    """Show one track of a take."""
    return HTMLResponse(_parts(opened, take, shelf, [track], stretch, show, width))


@router.get("/trace", response_class=HTMLResponse)
def trace(
    opened: TheRoll,
    take: TheTake,
    shelf: OnShelf,
    track: TrackNumber,
    stretch: TheStretch,
    show: Shown = "before",
    width: Width = DRAWING_WIDTH,
) -> HTMLResponse:
    """Return the drawing of one track alone, at the width it is seen at."""
    linked_tracks(take, track)  # refuses a track that is not there
    measured = _needed(shelf.take(opened, take))
    name = take.tracks[track - 1].name or f"track {track}"
    drawn, _ = _drawing(opened, take, measured, track, name, stretch, show, width)
    return HTMLResponse(drawn)


@router.get("/leads", response_class=HTMLResponse)
def leads(
    opened: TheRoll,
    take: TheTake,
    shelf: OnShelf,
    track: TrackNumber,
    move: Annotated[int, Query(ge=0, le=100_000, description="Which of the track's moves, from 0.")] = 0,
) -> HTMLResponse:
    """Return what one move will lead to, in figures."""
    linked_tracks(take, track)  # refuses a track that is not there
    measured = _needed(shelf.take(opened, take))
    moves = [m for m in opened.moves if (m.take, m.track) == (take.id, track)]
    if move >= len(moves):
        raise SettingError("That move is not there any more; open the take again.")
    wrong = opened.moves_sentence
    lead = Prediction(None, None, None) if wrong else shelf.forecast(opened, measured).of(moves[move], moves)
    return page("leads.html.j2", {"lead": lead})


@router.post("/moves", response_class=HTMLResponse)
def change_moves(
    request: Request,
    opened: TheRoll,
    take: TheTake,
    shelf: OnShelf,
    key: Key,
    track: TrackNumber,
    stretch: TheStretch,
    do: Annotated[Action, Form()],
    state: Annotated[str, Form(max_length=64)] = "",
    start_s: Annotated[float, Form(ge=0, le=1e7, allow_inf_nan=False)] = 0.0,
    at_s: Annotated[float, Form(ge=0, le=1e7, allow_inf_nan=False)] = 0.0,
    gain_db: Annotated[float, Form(ge=-1000, le=1000, allow_inf_nan=False)] = 0.0,
    by_db: Annotated[float, Form(ge=-1000, le=1000, allow_inf_nan=False)] = 0.0,
    show: Shown = "before",
    width: Width = DRAWING_WIDTH,
) -> Response:
    """Change a move of a track, and show the track as it then stands."""
    folder = opened.roll.folder
    changes: dict[Action, Callable[[Sequence[Move]], tuple[Move, ...]]] = {
        "gain": lambda m: with_gain(m, take, track, start_s, gain_db),
        "nudge": lambda m: with_gain(m, take, track, start_s, round(gain_db + by_db, 3)),
        "split": lambda m: split(m, take, track, at_s),
        "join": lambda m: joined(m, take, track, start_s),
        "accept": lambda m: accepted(m, take, track, start_s),
        "reject": lambda m: rejected(m, take, track, start_s),
        "proposed": lambda m: as_proposed(m, read_moves(folder, PROPOSED), take, track),
        "add": lambda m: added(m, take, track, gain_db),
    }
    concerned = sorted(linked_tracks(take, track))
    status, sentence = 200, ""
    with _writing:
        if state and state != moves_state(opened):
            status, sentence = (
                409,
                "The moves were changed elsewhere meanwhile; here they are as they stand now.",
            )
        else:
            write_moves(folder, changes[do](read_moves(folder)), keep_fixed=False)
    if not wants_fragment(request):
        return RedirectResponse(f"/roll/{key}/take?id={query(take.id)}#track-{track}", status_code=303)
    now = shelf.roll(folder)
    return HTMLResponse(
        _parts(now, take, shelf, concerned, stretch, show, width, sentence), status_code=status
    )


@router.post("/notes")
def change_notes(
    opened: TheRoll,
    take: TheTake,
    key: Key,
    scene: Annotated[str, Form(max_length=LONGEST_NAME)] = "",
    take_name: Annotated[str, Form(max_length=LONGEST_NAME)] = "",
    note: Annotated[str, Form(max_length=LONGEST_NOTE)] = "",
    circled: Annotated[bool, Form()] = False,
) -> RedirectResponse:
    """Save what a person wrote about a take."""
    folder = opened.roll.folder
    with _writing:
        notes = {line.take: line for line in read_notes(folder)}
        before = notes.get(take.id, Note(take.id))
        notes[take.id] = Note(
            take.id,
            scene=_said(scene, take.scene, before.scene),
            take_name=_said(take_name, take.take, before.take_name),
            circled=circled if circled != take.circled else before.circled,
            note=_said(note, take.note, before.note),
        )
        write_notes(folder, notes.values())
    return RedirectResponse(f"/roll/{key}/take?id={query(take.id)}&saved=notes", status_code=303)


@router.post("/names")
def change_name(
    opened: TheRoll,
    take: TheTake,
    key: Key,
    track: TrackNumber,
    name: Annotated[str, Form(max_length=LONGEST_NAME)] = "",
    role: Annotated[str, Form(max_length=20)] = "",
) -> RedirectResponse:
    """Save a track's name and role."""
    if role and role not in get_args(Role):
        raise SettingError(f"{role!r} is no role; there are {', '.join(get_args(Role))}.")
    linked_tracks(take, track)  # refuses a track that is not there
    folder = opened.roll.folder
    with _writing:
        labels = list(read_labels(folder))
        mine = [k for k, label in enumerate(labels) if (label.take, label.track) == (take.id, track)]
        if mine:
            labels[mine[0]] = replace(labels[mine[0]], name=_line(name), role=role or None)  # type: ignore[arg-type]
        else:
            labels.append(TrackLabel(take.id, track, name=_line(name), role=role or None))  # type: ignore[arg-type]
        write_labels(folder, labels)
    return RedirectResponse(
        f"/roll/{key}/take?id={query(take.id)}&saved=names#track-{track}", status_code=303
    )


@router.get("/spectrum", response_class=HTMLResponse)
def spectrum(
    opened: TheRoll,
    take: TheTake,
    shelf: OnShelf,
    track: TrackNumber,
    at_s: Annotated[float, Query(ge=0, le=1e7, allow_inf_nan=False)] = 0.0,
    width: Width = 700,
) -> HTMLResponse:
    """Show the spectrum of a moment of a track over that of its floor."""
    linked_tracks(take, track)
    measured = _needed(shelf.take(opened, take))
    found = moment_spectrum(opened.roll.folder, take, track, measured.measured.trace(track), at_s)
    name = take.tracks[track - 1].name or f"track {track}"
    words = f"Third-octave spectrum of {name}, {found.start_s:.1f} to {found.end_s:.1f} s"
    svg = bands_drawing(
        found.middle_hz, found.moment_dbfs, found.floor_dbfs, title=words, palette=PAGE, width=min(width, 900)
    )
    return page("spectrum.html.j2", {"found": found, "svg": svg, "track": track, "name": name})


def moves_state(opened: OpenRoll) -> str:
    """Return what tells one state of ``moves.csv`` from another."""
    try:
        return hashlib.sha256(moves_path(opened.roll.folder).read_bytes()).hexdigest()[:16]
    except OSError:
        return "none"


def _screen(opened: OpenRoll, take: Take, shelf: Shelf, stretch: Stretch, show: str) -> dict[str, Any]:
    measured = shelf.take(opened, take)
    row = sheet(opened, take, measured)
    numbers = [track.number for track in take.tracks]
    takes = [other.id for other in opened.roll.takes]
    here = takes.index(take.id)
    return {
        "crumbs": crumbs(opened, "take", row.heading),
        "take": take,
        "row": row,
        "before": takes[here - 1] if here else "",
        "after": takes[here + 1] if here + 1 < len(takes) else "",
        "parts": _parts(opened, take, shelf, numbers, stretch, show, DRAWING_WIDTH, later=_is_long(take))
        if measured
        else "",
        "stretch": stretch,
        "length_s": float(take.duration_s),
        "pairs": pairs_of(opened, take),
        "whole": [finding for finding in _findings(opened, take) if finding.track not in numbers],
        "show": show,
        "examined": opened.examination is not None,
        "roles": get_args(Role),
        "longest": {"note": LONGEST_NOTE, "name": LONGEST_NAME},
        "moves_sentence": opened.moves_sentence,
        "loudest": LOUDEST_LUFS,
        "ceiling": CEILING_DBTP,
    }


def _parts(
    opened: OpenRoll,
    take: Take,
    shelf: Shelf,
    numbers: Sequence[int],
    stretch: Stretch,
    show: str,
    width: int,
    sentence: str = "",
    *,
    later: bool = False,
) -> str:
    for number in numbers:
        linked_tracks(take, number)
    measured = _needed(shelf.take(opened, take))
    row = sheet(opened, take, measured)
    state = moves_state(opened)
    return "".join(
        text(
            "track.html.j2",
            _track(opened, row, take, measured, shelf, number, stretch, show, width, later=later)
            | {"state": state, "sentence": sentence, "take": take, "show": show, "roles": get_args(Role)},
        )
        for number in numbers
    )


def _track(
    opened: OpenRoll,
    row: SheetTake,
    take: Take,
    measured: OpenTake,
    shelf: Shelf,
    number: int,
    stretch: Stretch,
    show: str,
    width: int,
    *,
    later: bool,
) -> dict[str, Any]:
    track = row.tracks[number - 1]
    moves = [m for m in opened.moves if m.take == take.id and m.track == number]
    findings = [f for f in _findings(opened, take) if f.track == number]
    name = f"{track.name}, {row.heading}"
    drawing, wrong = _drawing(opened, take, measured, number, name, stretch, show, width)
    proposed = [m for m in opened.proposed if m.take == take.id and m.track == number]
    return {
        "track": track,
        "number": number,
        "drawing": drawing,
        "left": LEFT,
        "right": RIGHT,
        "width": width,
        "length_s": measured.levels[number].duration_s,
        "stretch": stretch,
        "findings": findings,
        "moves": [(move, None) for move in moves]
        if later
        else list(zip(moves, _foretold(shelf, opened, measured, moves, wrong), strict=True)),
        "linked": sorted(linked_tracks(take, number) - {number}),
        "names": {t.number: t.name for t in row.tracks},
        "changed": _figures(moves) != _figures(proposed),
        "has_proposed": bool(proposed),
        "wrong": wrong,
        "nudge": NUDGE_DB,
        "heard": heard_words(opened, measured, number, moves, wrong),
    }


def _drawing(
    opened: OpenRoll,
    take: Take,
    measured: OpenTake,
    number: int,
    name: str,
    stretch: Stretch,
    show: str,
    width: int,
) -> tuple[str, str]:
    """Return the drawing of a track's stretch, and what is wrong with its moves."""
    moves = [m for m in opened.moves if m.take == take.id and m.track == number]
    levels = measured.levels[number]
    after, wrong = levels, opened.moves_sentence
    try:
        after = levels_after(levels, moves)
    except TakewellError as error:
        wrong = str(error)
    shown = after if show == "after" else levels
    count = max(width - LEFT - RIGHT, 50)
    target = TARGET_LUFS + MEASURED_TONE_DB
    columns = shown.columns(count, *stretch.ends)
    part = "" if stretch.whole else f", {moment(stretch.start_s)} to {moment(stretch.end_s)}"
    svg = track_drawing(
        columns,
        title=f"Level against time of {name}{part}, {'after its moves' if show == 'after' else 'as recorded'}",
        palette=PAGE,
        width=width,
        height=DRAWING_HEIGHT,
        target_dbfs=target,
        moves=[Bracket(m.start_s, m.end_s, m.gain_db) for m in moves],
        marks=[
            Mark(f.start_s, f.end_s, _words(f), damage=f.severity == "major")
            for f in _findings(opened, take)
            if f.track == number
        ],
        scale_db=None if stretch.whole else scale_range(shown.columns(count), target),
    )
    return svg, wrong


def _foretold(
    shelf: Shelf, opened: OpenRoll, measured: OpenTake, moves: Sequence[Move], wrong: str
) -> tuple[Prediction, ...]:
    if not moves:
        return ()
    if wrong:
        return tuple(Prediction(None, None, None) for _ in moves)
    return shelf.forecast(opened, measured).of_all(moves)


def _is_long(take: Take) -> bool:
    return float(take.duration_s) * len(take.tracks) > LONG_TAKE_S


def _findings(opened: OpenRoll, take: Take) -> list[Finding]:
    return opened.findings_of.get(take.id, [])


def _figures(moves: Sequence[Move]) -> list[tuple[float, float, float]]:
    return sorted((m.start_s, m.end_s, m.gain_db) for m in moves)


def _words(finding: Finding) -> str:
    return finding.sentence or finding.kind.replace("_", " ")


def _needed(measured: OpenTake | None) -> OpenTake:
    if measured is None:
        raise SettingError("This take was not measured yet; examine the day first.")
    return measured


def _said(typed: str, known: str, before: str) -> str:
    """Return what the text file shall say: nothing where the person left what the file itself says."""
    typed = _line(typed)
    return before if typed == known else typed


def _line(typed: str) -> str:
    return " ".join(typed.replace("\0", "").split())
