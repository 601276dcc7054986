"""The process that carries one piece of work out: runs the command lines, writes down how far they are.

``python -m takewell.page.worker FOLDER NUMBER LOCK``; LOCK is the open lock file it inherits and keeps to its end.
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import FrameType

from takewell.page.jobs import ROOM, STOPPED
from takewell.roll import Logbook, Step

SAY_EVERY_S = 0.3
MOST_SAID = 40_000
"""Characters of what the commands printed that are kept."""

ENDED_BY_HAND, REFUSED = 130, 2
PROGRESS = "TAKEWELL_PROGRESS"


class Worker:
    """One run of one piece of work."""

    def __init__(self, folder: Path, number: int, lock: int) -> None:
        self._folder = folder
        self._number = number
        self._lock = lock
        self._child: subprocess.Popen[str] | None = None
        self._stopped = False
        self._printed: list[str] = []
        self._last = ""
        self._told_at = 0.0
        self._at = ""

    def run(self) -> None:
        """Run all commands, or up to the first that could not be carried out."""
        signal.signal(signal.SIGINT, self._stop)
        signal.signal(signal.SIGTERM, self._stop)
        with Logbook(self._folder) as logbook:
            step = next(step for step in logbook.steps() if step.id == self._number)
            code = self._all(logbook, step)
            text = "".join(self._printed)[-MOST_SAID:]
            logbook.keep(ROOM, {f"said-{self._number}": text, f"at-{self._number}": None})
            failed = self._stopped or code >= REFUSED or code < 0
            logbook.end_step(self._number, self._sentence(code), failed=failed)

    def _all(self, logbook: Logbook, step: Step) -> int:
        code = 0
        commands = step.detail["commands"]
        for place, command in enumerate(commands):
            if self._stopped:
                return ENDED_BY_HAND
            code = self._one(logbook, command, place, len(commands))
            if code >= REFUSED or code < 0:
                break
        return code

    def _one(self, logbook: Logbook, command: list[str], place: int, of: int) -> int:
        self._child = subprocess.Popen(
            [sys.executable, "-m", "takewell", *command],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            pass_fds=(self._lock,),
            env=os.environ | {PROGRESS: "lines", "NO_COLOR": "1", "COLUMNS": "100"},
        )
        assert self._child.stdout is not None
        for line in self._child.stdout:
            told = _progress(line)
            if told is None:
                self._printed.append(line)
                self._last = line.strip() or self._last
            elif time.monotonic() - self._told_at > SAY_EVERY_S:
                share, word = told
                logbook.progress_step(self._number, place + share, of)
                if word != self._at:
                    logbook.keep(ROOM, {f"at-{self._number}": word})
                    self._at = word
                self._told_at = time.monotonic()
        return self._child.wait()

    def _sentence(self, code: int) -> str:
        if self._stopped:
            return STOPPED
        last = self._last.removeprefix("takewell: ")
        if code < 0 or code > REFUSED:
            return "It ended in the middle; what was finished is kept."
        return last if code == REFUSED else last or "Done."

    def _stop(self, _signal: int, _frame: FrameType | None) -> None:
        child = self._child
        if child is not None and child.poll() is None:
            child.send_signal(signal.SIGKILL if self._stopped else signal.SIGINT)
        self._stopped = True


def _progress(line: str) -> tuple[float, str] | None:
    """Return the part that is done, from 0 to 1, and at what it is, where the line says so; None for any other line."""
    if not line.startswith('{"progress"'):
        return None
    try:
        told = json.loads(line)
        done, whole = told["progress"]
        return (min(max(float(done) / float(whole), 0.0), 1.0) if whole else 0.0), str(told.get("at", ""))[
            :200
        ]
    except (ValueError, KeyError, TypeError):
        return None


if __name__ == "__main__":
    Worker(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])).run()
