"""How does long work run so that it outlives a reload and a restart, and can be stopped?

A piece of work is one or more command lines, run by a process of its own (`worker`), with a row in the roll's logbook
that says what, how far and how it ended. Whoever works on a roll holds a lock on ``takewell/page-work.lock``; the
lock goes with the process, so a row that says "running" while nobody holds the lock was interrupted, and is said so.

Conventions: one piece of work a roll at a time; folders are whole paths.
"""

import contextlib
import fcntl
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from takewell.errors import DestinationError, SettingError
from takewell.files import destination_error, make_folder
from takewell.roll import Logbook, Step
from takewell.roll.sheet import TEXT_FOLDER

LOCK = "page-work.lock"
ROOM = "page"
INTERRUPTED = (
    "Interrupted: the computer or the program stopped. What was finished is kept; start it again to go on."
)
STOPPED = "Stopped by hand; nothing was left half-written."

LETTING_GO_S = 5.0
LOOK_AGAIN_S = 0.05

Command = Sequence[str]


def start(folder: Path, name: str, commands: Sequence[Command], about: dict[str, str] | None = None) -> int:
    """Begin a piece of work on a roll's folder and return the number of its row.

    Parameters
    ----------
    folder : Path
        The roll's folder; it is made where it is missing.
    name : str
        What it is, for a person.
    commands : sequence of command
        Arguments of ``takewell``, run one after the other.
    about : dict, optional
        What the page wants to find again, such as the package's folder.

    Raises
    ------
    SettingError
        If other work on the roll is running.
    DestinationError
        If nothing can be kept there.
    """
    own = make_folder(make_folder(folder) / TEXT_FOLDER)
    try:
        lock = os.open(own / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except OSError as error:
        raise destination_error(own / LOCK, error) from error
    try:
        _take(lock, folder)
        with Logbook(folder) as logbook:
            _say_interrupted(logbook, running=None)
            number = logbook.begin_step(name, {"commands": [list(c) for c in commands], **(about or {})})
        if not number:
            raise DestinationError(
                f"{folder} cannot be written, so no work on it can be kept; choose another place."
            )
        process = subprocess.Popen(
            [sys.executable, "-m", "takewell.page.worker", str(folder), str(number), str(lock)],
            pass_fds=(lock,),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        os.ftruncate(lock, 0)
        os.pwrite(lock, json.dumps({"step": number, "pid": process.pid}).encode(), 0)
        threading.Thread(target=process.wait, daemon=True).start()
        return number
    finally:
        os.close(lock)


def jobs_of(folder: Path) -> tuple[Step, ...]:
    """Return the work of a roll, newest first; what was interrupted is said to have failed."""
    with Logbook(folder) as logbook:
        running = [step for step in logbook.steps() if step.state == "running"]
        if running:
            with _nobody(folder) as nobody:
                _say_interrupted(logbook, running=None if nobody else _holder(folder).get("step"))
        return tuple(reversed(logbook.steps()))


def step_of(folder: Path, number: int) -> Step:
    """Return one row.

    Raises
    ------
    SettingError
        If there is none of that number.
    """
    for step in jobs_of(folder):
        if step.id == number:
            return step
    raise SettingError("That piece of work is not in the roll's logbook.")


def said(folder: Path, number: int) -> str:
    """Return what a piece of work printed."""
    with Logbook(folder) as logbook:
        return str(logbook.kept(ROOM).get(f"said-{number}", ""))


def at(folder: Path, number: int) -> str:
    """Return what a running piece of work is at, in a word; empty where it has not said."""
    with Logbook(folder) as logbook:
        return str(logbook.kept(ROOM).get(f"at-{number}", ""))


def stop(folder: Path, number: int) -> None:
    """Ask a running piece of work to stop; nothing is left half-written. Asked twice, it is ended."""
    holder = _holder(folder)
    with _nobody(folder) as nobody:
        if nobody or holder.get("step") != number:
            return
    # The wish is written down first: the process may be so young that the signal ends it before it can say why.
    with Logbook(folder) as logbook:
        logbook.keep(ROOM, {f"stop-{number}": True})
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.kill(holder["pid"], signal.SIGINT)


def _take(lock: int, folder: Path) -> None:
    """Take the lock; work that has just ended may hold it for a moment longer."""
    for _ in range(round(LETTING_GO_S / LOOK_AGAIN_S)):
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            if any(step.state == "running" for step in jobs_of(folder)):
                break
            time.sleep(LOOK_AGAIN_S)
        else:
            return
    raise SettingError("Other work on this roll is running; wait until it is done, or stop it.")


def _say_interrupted(logbook: Logbook, *, running: int | None) -> None:
    stopped = logbook.kept(ROOM)
    for step in logbook.steps():
        if step.state == "running" and step.id != running:
            logbook.end_step(step.id, STOPPED if f"stop-{step.id}" in stopped else INTERRUPTED, failed=True)


@contextlib.contextmanager
def _nobody(folder: Path) -> Iterator[bool]:
    """Yield whether nobody works on a roll; while the block runs, nobody can begin."""
    try:
        lock = os.open(folder / TEXT_FOLDER / LOCK, os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        yield True
        return
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield True
    except BlockingIOError:
        yield False
    finally:
        os.close(lock)


def _holder(folder: Path) -> dict[str, int]:
    """Return the row and the process the lock was taken for."""
    try:
        held = json.loads((folder / TEXT_FOLDER / LOCK).read_text(encoding="utf-8"))
        return {"step": int(held["step"]), "pid": int(held["pid"])}
    except (OSError, ValueError, KeyError, TypeError):
        return {}
