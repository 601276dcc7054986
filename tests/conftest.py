"""Helpers shared by the tests of every room."""

import fcntl
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

# No test is timed: how long an example takes says nothing on a busy machine.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

CACHE = Path(__file__).parents[1] / ".cache"


@pytest.fixture
def program() -> Callable[[str], str]:
    """Return the path of an outside program, or skip with a reason that says which is missing."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            pytest.skip(f"needs the program {name}, which is not installed here")
        return path

    return find


@pytest.fixture(scope="session")
def reference_mhl() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Return a function that runs the reference implementation of ASC MHL and returns what it said.

    It pins an older Click than ours, so it lives in an environment of its own, made once.
    """
    home = CACHE / "ascmhl-venv"
    program = home / "bin" / "ascmhl"
    CACHE.mkdir(exist_ok=True)
    with (CACHE / "ascmhl-venv.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # several test workers need it at once
        if not program.exists():
            steps = (
                [sys.executable, "-m", "venv", "--clear", str(home)],
                [str(home / "bin" / "python"), "-m", "pip", "install", "-q", "ascmhl==1.2"],
            )
            for step in steps:
                done = subprocess.run(step, capture_output=True, text=True, check=False)
                if done.returncode:
                    said = (done.stderr or done.stdout).strip().splitlines() or ["no reason given"]
                    pytest.skip(f"the reference implementation ascmhl 1.2 cannot be set up here: {said[-1]}")

    def run(command: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run([program, command, *arguments], capture_output=True, text=True, check=False)

    return run
