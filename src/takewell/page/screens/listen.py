"""Listening: any track as recorded or after its moves, and any mix, from any point, brought to a safe level first.

The sound is made while it is sent. Byte ranges follow RFC 9110, section 14: one range is honoured, more than one
is answered with the whole.
"""

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, Header
from fastapi.responses import Response
from starlette.responses import StreamingResponse

from takewell.desk import Listening, listen_to_file, listen_to_track
from takewell.errors import FileError, SettingError, TakewellError
from takewell.level.edit import linked_tracks
from takewell.mix.mixdown import mix_path
from takewell.page.screens.at_hand import OnShelf, TheRoll, TheTake, TrackNumber
from takewell.page.shelf import OpenRoll, OpenTake, Shelf
from takewell.page.view import figure
from takewell.roll import Move, Take
from takewell.roll.moves import moves_path

router = APIRouter(prefix="/roll/{key}")

What = Literal["raw", "levelled", "mix"]
_RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})")


@router.get("/listen", response_class=StreamingResponse)
def listen(
    opened: TheRoll,
    take: TheTake,
    shelf: OnShelf,
    what: What,
    track: TrackNumber = 1,
    range: Annotated[str, Header(max_length=200)] = "",
) -> Response:
    """Return a WAVE file of what is to be heard, or a range of it."""
    heard = _heard(opened, take, shelf, what, track)
    size = heard.size_bytes
    span = _span(range, size)
    if span is None:
        return Response(
            status_code=416, headers={"content-range": f"bytes */{size}", "accept-ranges": "bytes"}
        )
    start, stop = span
    headers = {"accept-ranges": "bytes", "content-length": str(stop - start)}
    partial = bool(_RANGE.fullmatch(range.strip()))
    if partial:
        headers["content-range"] = f"bytes {start}-{stop - 1}/{size}"
    return StreamingResponse(
        _whole(heard.read(start, stop)), 206 if partial else 200, headers, media_type="audio/wav"
    )


def heard_words(
    opened: OpenRoll, measured: OpenTake, number: int, moves: Sequence[Move], wrong: str
) -> dict[str, str]:
    """Return, for each thing of a track that can be heard, what is done to it first."""
    folder, take = opened.roll.folder, measured.take
    trace = measured.measured.trace(number)
    words = {
        "raw": _words(listen_to_track(folder, take, number, trace)),
        "levelled": "",
        "mix": "",
        "refused": "",
    }
    if moves and not wrong:
        words["levelled"] = _words(listen_to_track(folder, take, number, trace, moves))
    path = mix_path(opened.roll, take)
    if path.is_file():
        try:
            words["mix"] = _words(listen_to_file(path)) + _age(opened, path)
        except TakewellError as error:
            words["refused"] = str(error)
    return words


def _heard(opened: OpenRoll, take: Take, shelf: Shelf, what: What, track: int) -> Listening:
    if what == "mix":
        path = mix_path(opened.roll, take)
        if not path.is_file():
            raise FileError(f"Take {take.id} was not mixed yet; mix it first.")
        shelf.places.allowed(path)
        return listen_to_file(path)
    linked_tracks(take, track)  # refuses a track that is not there
    measured = shelf.take(opened, take)
    if measured is None:
        raise SettingError(
            "This take was not measured yet, so nothing is known of its level; examine the day first."
        )
    moves = [m for m in opened.moves if (m.take, m.track) == (take.id, track)] if what == "levelled" else []
    return listen_to_track(opened.roll.folder, take, track, measured.measured.trace(track), moves)


def _words(heard: Listening) -> str:
    return f"{figure(abs(heard.gain_db))} dB {'lower' if heard.gain_db < 0 else 'higher'} than it is"


def _age(opened: OpenRoll, mix: Path) -> str:
    moves = moves_path(opened.roll.folder)
    if moves.is_file() and moves.stat().st_mtime > mix.stat().st_mtime:
        return "; mixed before the moves were last changed"
    return ""


def _span(header: str, size: int) -> tuple[int, int] | None:
    """Return (start, stop) of the bytes asked for; None where there are none such."""
    found = _RANGE.fullmatch(header.strip())
    if found is None or (not found[1] and not found[2]):
        return 0, size
    if not found[1]:
        last = min(int(found[2]), size)
        return (size - last, size) if last else None
    start = int(found[1])
    stop = min(int(found[2]) + 1, size) if found[2] else size
    return (start, stop) if start < stop else None


def _whole(parts: Iterator[bytes]) -> Iterator[bytes]:
    """Yield the parts; where a file fails under our hands the answer ends early, which the browser notices."""
    try:
        yield from parts
    except TakewellError:
        return
