"""A small real card on disk, and the command line run in this process."""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from small_card import speech, write_take
from takewell.cli.main import run


@dataclass(frozen=True)
class Answer:
    """What a command said and how it ended."""

    code: int
    out: str
    err: str

    @property
    def lines(self):
        """Standard output as JSON Lines."""
        return [json.loads(line) for line in self.out.splitlines()]


@pytest.fixture
def takewell(capfd):
    """Run a command with these arguments and return its Answer."""

    def command(*arguments):
        capfd.readouterr()
        code = run([str(argument) for argument in arguments])
        said = capfd.readouterr()
        return Answer(code, said.out, said.err)

    return command


@pytest.fixture(scope="session")
def card(tmp_path_factory) -> Path:
    """Two takes: one good; one with a lavalier far too low and a boom held at a rail in 24 bits."""
    folder = tmp_path_factory.mktemp("card")
    one = [speech(30, seed=1), speech(30, seed=2, voice="tobin")]
    write_take(folder / "DAY1" / "7T1.wav", one)
    loud = np.clip(speech(30, seed=3) * 30, -1, 1)
    write_take(
        folder / "DAY1" / "7T2.wav",
        [loud, speech(30, seed=4, voice="tobin", speech_dbfs=-60, floor_dbfs=-104)],
        encoding="int24",
        take="2",
        start_s=36_100,
    )
    (folder / "notes.txt").write_text("second take loud\n")
    return folder


@pytest.fixture(scope="session")
def checked_in(card, tmp_path_factory) -> Path:
    """The roll that check-in made of the card."""
    roll = tmp_path_factory.mktemp("disk") / "roll"
    assert run(["checkin", str(card), "--to", str(roll)]) == 0
    return roll


@pytest.fixture
def roll(checked_in, tmp_path) -> Path:
    """A copy of the roll that a test may change."""
    return Path(shutil.copytree(checked_in, tmp_path / "roll"))
