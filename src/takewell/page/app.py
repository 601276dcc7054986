"""Which addresses does the page have, and what becomes of an error?

Errors are translated in this one place: what a person can mend is said in its own sentence, anything else as one
sentence without internals, with the cause in the terminal.
"""

import contextlib
import logging
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from takewell import __version__
from takewell.errors import DestinationError, FileError, TakewellError
from takewell.page import screens
from takewell.page.guard import Address, Guard
from takewell.page.places import Places, default_roots
from takewell.page.view import page, wants_fragment

log = logging.getLogger("takewell.page")

CONFLICT = 409

LONGEST_IMPORT_S = 120.0
LEAVE_FIRST_S = 2.0
"""The loops behind the first sound are loaded after the first sheets were asked for, not against them."""
_AT_ONCE = ("/", "/folder", "/checkin", "/demo")

_NOTHING_LEAVES: Any = {"auto_configure": False, "tracing": False, "metrics": False, "logs": False}
"""Whatever the environment asks of the framework, nothing is reported to anybody."""


def application(
    address: Address,
    roots: Iterable[Path] | None = None,
    first: Path | None = None,
    *,
    at_once: bool = True,
) -> FastAPI:
    """Return the page as an ASGI application.

    Parameters
    ----------
    address : Address
        What it is served under.
    roots : iterable of Path, optional
        The folders it may look into; home, the working folder and mounted disks unless given.
    first : Path, optional
        The roll that the start page names first.
    at_once : bool
        Whether all screens are imported before it returns; else the first screen answers while the others are.
    """
    app = FastAPI(
        title="Takewell",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        lifespan=_lifespan,
        telemetry=_NOTHING_LEAVES,
    )
    app.state.places = Places(default_roots() if roots is None else roots)
    app.state.first = first
    app.state.complete = threading.Event()
    for router in screens.AT_ONCE:
        app.include_router(router)
    if at_once:
        _complete(app)
    app.add_exception_handler(TakewellError, _sentence)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(OSError, _sentence)
    app.middleware("http")(_last_resort)
    app.middleware("http")(_when_complete)
    app.add_middleware(Guard, address=address)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    # The first day sheet should not wait for the roll to be read, nor the first sound for the loops to load.
    threading.Thread(target=_warm_up, args=(app,), daemon=True).start()
    yield


def _complete(app: FastAPI) -> None:
    """Give the page all its screens."""
    from takewell.page.shelf import Shelf

    app.state.shelf = Shelf(app.state.places)
    for router in screens.others():
        app.include_router(router)
    app.state.complete.set()


async def _when_complete(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
    """Let a request wait for its screen, but for those that are there at once."""
    path, complete = request.url.path, request.app.state.complete
    if not complete.is_set() and path not in _AT_ONCE and not path.startswith("/ink/"):
        await run_in_threadpool(complete.wait, LONGEST_IMPORT_S)
    return await call_next(request)


def _warm_up(app: FastAPI) -> None:
    if not app.state.complete.is_set():
        _complete(app)
    if app.state.first is not None:
        with contextlib.suppress(TakewellError, OSError):  # whoever asks for it will be told
            for _ in range(
                2
            ):  # reading a roll for the first time writes its logbook, so it counts as changed
                app.state.shelf.roll(app.state.first).rows  # noqa: B018

    time.sleep(LEAVE_FIRST_S)
    import numpy as np

    from takewell.shape import Limiter

    limiter = Limiter(48_000, 1, -6.0, linked=True)
    limiter.add(np.full((48_000, 1), 0.9) * np.sign(np.sin(np.arange(48_000) / 7))[:, None])
    limiter.finish()


async def _last_resort(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
    try:
        return await call_next(request)
    except Exception:
        log.exception("%s %s", request.method, request.url.path)
        return _problem(request, "Something went wrong here; the terminal says what.", 500)


def _sentence(request: Request, error: Exception) -> Response:
    if isinstance(error, OSError) and not isinstance(error, TakewellError):
        name = error.filename if isinstance(error.filename, str) else "A file"
        return _problem(request, f"{name} cannot be used: {error.strerror or 'unknown reason'}.", 400)
    status = 404 if isinstance(error, FileError) else CONFLICT if isinstance(error, DestinationError) else 400
    return _problem(request, str(error), status)


def _not_understood(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    where = {str(problem["loc"][-1]) for problem in error.errors() if problem.get("loc")}
    return _problem(request, f"This was not understood: {', '.join(sorted(where)) or 'the request'}.", 422)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    sentences = {404: "There is no such page.", 405: "That cannot be done here."}
    answer = _problem(request, sentences.get(error.status_code, str(error.detail)), error.status_code)
    for name, value in (error.headers or {}).items():
        answer.headers[name] = value
    return answer


def _problem(request: Request, sentence: str, status: int) -> Response:
    name = "problem_part.html.j2" if wants_fragment(request) else "problem.html.j2"
    return page(name, {"sentence": sentence, "crumbs": None}, status)
