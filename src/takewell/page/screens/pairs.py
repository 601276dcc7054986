"""Pairs compared: two tracks with one source, such as a float ISO and its safety copy, with the gain between them.

What the examination found stands in words; any other two tracks of the take can be held against each other as well.
"""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from takewell.desk.pairs import gain_between
from takewell.draw import PAGE, Mark
from takewell.draw.pair import GainLane, pair_drawing
from takewell.draw.track import LEFT, RIGHT, signed
from takewell.errors import SettingError
from takewell.level.edit import linked_tracks
from takewell.page.screens.at_hand import OnShelf, TheRoll, TheStretch, TheTake, TrackNumber, Width
from takewell.page.shelf import OpenRoll
from takewell.page.view import page
from takewell.roll import Take
from takewell.roll.values import Pair

router = APIRouter(prefix="/roll/{key}")

STATES = {"limited": "held by a limiter", "clipped": "at a rail", "damaged": "damaged"}
DRAWING_WIDTH = 1110
OtherNumber = Annotated[int, Query(alias="other", ge=1, le=1000, description="The track it is held against.")]


def pairs_of(opened: OpenRoll, take: Take) -> list[dict[str, Any]]:
    """Return the pairs the examination found in a take, with names and words."""
    found = opened.examination.pairs if opened.examination else ()
    return [_words(pair, take) for pair in found if pair.take == take.id and pair.other_take == take.id]


@router.get("/pair", response_class=HTMLResponse)
def pair(
    opened: TheRoll,
    take: TheTake,
    shelf: OnShelf,
    stretch: TheStretch,
    track: TrackNumber,
    other: OtherNumber,
    width: Width = DRAWING_WIDTH,
) -> HTMLResponse:
    """Draw two tracks of a take on one sheet, with the gain between them."""
    for number in (track, other):
        linked_tracks(take, number)  # refuses a track that is not there
    if track == other:
        raise SettingError("A track lies at no gain to itself; choose another one.")
    measured = shelf.take(opened, take)
    if measured is None:
        raise SettingError("This take was not measured yet; examine the day first.")
    first, copy = measured.levels[track], measured.levels[other]
    names = [f"{number} {take.tracks[number - 1].name or 'track'}" for number in (track, other)]
    count = max(width - LEFT - RIGHT, 50)
    between = gain_between(first, copy, count, *stretch.ends)
    known = next(
        (
            p
            for p in (opened.examination.pairs if opened.examination else ())
            if (p.take, p.other_take, p.track, p.other_track) == (take.id, take.id, track, other)
        ),
        None,
    )
    svg = pair_drawing(
        first.columns(count, *stretch.ends),
        copy.columns(count, *stretch.ends),
        GainLane(between.time_s, between.low_db, between.middle_db, between.high_db),
        names=(names[0], names[1]),
        title=f"{names[0]} and {names[1]} on one sheet, and the gain between them",
        palette=PAGE,
        width=width,
        marks=_marks(known, names[0], names[1]) if known else (),
    )
    return page("pair_drawing.html.j2", {"svg": svg, "names": names})


def _words(found: Pair, take: Take) -> dict[str, Any]:
    names = {track.number: track.name or f"track {track.number}" for track in take.tracks}
    first, copy = names[found.track], names[found.other_track]
    return {
        "track": found.track,
        "other": found.other_track,
        "names": (first, copy),
        "gain": signed(found.gain_db, 2),
        "sense": "reversed" if found.correlation < 0 else "",
        "delay_ms": found.delay_s * 1000 if abs(found.delay_s) > 1e-6 else None,
        "passages": [
            {
                "start_s": p.start_s,
                "end_s": p.end_s,
                "gain": signed(p.gain_db, 2),
                "state": STATES.get(p.state, ""),
                "by": signed(p.changed_by_db, 1) if abs(p.changed_by_db) >= 0.05 else "",
                "serves": {1: first, 2: copy}.get(p.serves, "either"),
                "because": p.because,
            }
            for p in found.passages
        ],
    }


def _marks(found: Pair, first: str, copy: str) -> list[Mark]:
    whose = {1: copy, 2: first}
    return [
        Mark(p.start_s, p.end_s, f"{whose.get(p.serves, 'both')} {STATES[p.state]}")
        for p in found.passages
        if p.state in STATES
    ]
