"""Work on a roll: what runs, how far it is, what came of it."""

import asyncio
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from takewell.errors import FileError
from takewell.page import work
from takewell.page.places import roll_key
from takewell.page.screens.at_hand import Key, OnShelf
from takewell.page.view import page, text, wants_fragment
from takewell.roll import Step, is_roll

router = APIRouter(prefix="/roll/{key}")

LOOK_EVERY_S = 0.4
StepNumber = Annotated[int, Query(alias="step", ge=1, le=2**53)]


@router.get("/work", response_class=HTMLResponse)
def show(shelf: OnShelf, key: Key, step: Annotated[int, Query(ge=0, le=2**53)] = 0) -> HTMLResponse:
    """Show one piece of work, or all of them."""
    folder = _folder(shelf, key)
    steps = work.work_on(folder)
    chosen = work.step_of(folder, step) if step else None
    base = f"/roll/{roll_key(folder)}/"
    return page(
        "work.html.j2",
        {
            "crumbs": {"base": base, "roll": folder.name, "here": "work", "take": ""},
            "chosen": chosen and _values(folder, chosen),
            "steps": [_values(folder, one) for one in steps],
        },
    )


@router.get("/work/events")
async def events(shelf: OnShelf, key: Key, step: StepNumber, request: Request) -> Response:
    """Tell how far a piece of work is, as server-sent events (HTML Living Standard, 9.2), until it ends."""
    folder = _folder(shelf, key)
    await run_in_threadpool(work.step_of, folder, step)

    async def told() -> AsyncIterator[str]:
        yield "retry: 1000\n\n"
        before = ""
        while not await request.is_disconnected():
            now = await run_in_threadpool(work.step_of, folder, step)
            values = await run_in_threadpool(_values, folder, now)
            card = text("work_card.html.j2", {"step": values, "base": f"/roll/{roll_key(folder)}/"})
            if card != before:
                lines = "".join(f"data: {line}\n" for line in card.splitlines())
                yield f"event: {'card' if now.state == 'running' else 'end'}\n{lines}\n"
                before = card
            if now.state != "running":
                return
            await asyncio.sleep(LOOK_EVERY_S)

    return StreamingResponse(told(), media_type="text/event-stream")


@router.post("/work/stop")
def stop(request: Request, shelf: OnShelf, key: Key, step: Annotated[int, Form(ge=1, le=2**53)]) -> Response:
    """Stop a piece of work."""
    folder = _folder(shelf, key)
    work.stop(folder, work.step_of(folder, step).id)
    if wants_fragment(request):
        return Response(status_code=204)
    return RedirectResponse(f"/roll/{key}/work?step={step}", status_code=303)


def _folder(shelf: Any, key: str) -> Path:
    folder: Path = shelf.places.roll_folder(key)
    if not is_roll(folder):
        raise FileError(f"{folder} is no roll; check the name, or whether the disk is connected.")
    return folder


def _values(folder: Path, step: Step) -> dict[str, Any]:
    end = step.ended_s or time.time()
    return {
        "id": step.id,
        "name": step.name,
        "state": step.state,
        "sentence": step.sentence,
        "begun": time.strftime("%Y-%m-%d %H:%M", time.localtime(step.begun_s)),
        "took": _took(end - step.begun_s) if step.ended_s else "",
        "percent": round(100 * step.done / step.whole) if step.whole else None,
        "commands": [" ".join(["takewell", *map(_quoted, c)]) for c in step.detail.get("commands", [])],
        "package": step.detail.get("package", ""),
        "said": work.said(folder, step.id) if step.state != "running" else "",
    }


def _took(seconds: float) -> str:
    whole = max(round(seconds), 0)
    return f"{whole} s" if whole < 90 else f"{whole // 60} min {whole % 60:02d} s"


def _quoted(part: str) -> str:
    import shlex

    return shlex.quote(part)
