"""Jobs on a roll: what can be done, what runs, how far it is, what came of it."""

import asyncio
import shlex
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from takewell.errors import FileError
from takewell.page import jobs
from takewell.page.offers import OF_A_ROLL, command_line, offer
from takewell.page.places import Places, roll_key
from takewell.page.screens.allowed import Allowed, Filled, Key
from takewell.page.view import page, text, wants_fragment
from takewell.roll import Step, is_roll

router = APIRouter(prefix="/roll/{key}")

LOOK_EVERY_S = 0.3
JobNumber = Annotated[int, Query(alias="step", ge=1, le=2**53)]


@router.get("/jobs", response_class=HTMLResponse)
def show(places: Allowed, key: Key, step: Annotated[int, Query(ge=0, le=2**53)] = 0) -> HTMLResponse:
    """Show what can be done and what was, or one job."""
    folder = _folder(places, key)
    steps = jobs.jobs_of(folder)
    chosen = jobs.step_of(folder, step) if step else None
    base = f"/roll/{roll_key(folder)}/"
    return page(
        "jobs.html.j2",
        {
            "crumbs": {"base": base, "roll": folder.name, "here": "jobs", "take": ""},
            "chosen": chosen and _values(folder, chosen),
            "steps": [_values(folder, one) for one in steps],
            "offers": () if chosen else OF_A_ROLL,
        },
    )


@router.post("/jobs")
def begin(
    places: Allowed, key: Key, filled: Filled, what: Annotated[str, Form(max_length=40)]
) -> RedirectResponse:
    """Begin a job; the other fields of the form are its blanks."""
    folder = _folder(places, key)
    job = offer(what)
    command = command_line(job, folder, filled, places.allowed)
    take = filled.get("take", "").strip()
    number = jobs.start(folder, f"{job.name}: take {take}" if take else job.name, [command])
    return RedirectResponse(f"/roll/{key}/jobs?step={number}", status_code=303)


@router.get("/jobs/events")
async def events(places: Allowed, key: Key, step: JobNumber, request: Request) -> Response:
    """Tell how far a job is, as server-sent events (HTML Living Standard, 9.2), until it ends."""
    folder = _folder(places, key)
    await run_in_threadpool(jobs.step_of, folder, step)

    async def told() -> AsyncIterator[str]:
        yield "retry: 1000\n\n"
        before = ""
        while not await request.is_disconnected():
            now = await run_in_threadpool(jobs.step_of, folder, step)
            values = await run_in_threadpool(_values, folder, now)
            card = text("job_card.html.j2", {"step": values, "base": f"/roll/{roll_key(folder)}/"})
            if card != before:
                lines = "".join(f"data: {line}\n" for line in card.splitlines())
                yield f"event: {'card' if now.state == 'running' else 'end'}\n{lines}\n"
                before = card
            if now.state != "running":
                return
            await asyncio.sleep(LOOK_EVERY_S)

    return StreamingResponse(told(), media_type="text/event-stream")


@router.post("/jobs/stop")
def stop(request: Request, places: Allowed, key: Key, step: Annotated[int, Form(ge=1, le=2**53)]) -> Response:
    """Stop a job."""
    folder = _folder(places, key)
    jobs.stop(folder, jobs.step_of(folder, step).id)
    if wants_fragment(request):
        return Response(status_code=204)
    return RedirectResponse(f"/roll/{key}/jobs?step={step}", status_code=303)


def _folder(places: Places, key: str) -> Path:
    folder: Path = places.roll_folder(key)
    if not is_roll(folder):
        raise FileError(f"{folder} is no roll; check the name, or whether the disk is connected.")
    return folder


def _values(folder: Path, step: Step) -> dict[str, Any]:
    end = step.ended_s or time.time()
    running = step.state == "running"
    return {
        "id": step.id,
        "name": step.name,
        "state": step.state,
        "sentence": step.sentence,
        "begun": time.strftime("%Y-%m-%d %H:%M", time.localtime(step.begun_s)),
        "took": _took(end - step.begun_s) if step.ended_s else "",
        "percent": round(100 * step.done / step.whole) if step.whole else None,
        "at": jobs.at(folder, step.id) if running else "",
        "commands": [" ".join(["takewell", *map(shlex.quote, c)]) for c in step.detail.get("commands", [])],
        "package": step.detail.get("package", ""),
        "leads_to": step.detail.get("leads_to", ""),
        "said": "" if running else jobs.said(folder, step.id),
    }


def _took(seconds: float) -> str:
    whole = max(round(seconds), 0)
    return f"{whole} s" if whole < 90 else f"{whole // 60} min {whole % 60:02d} s"
