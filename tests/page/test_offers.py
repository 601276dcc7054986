"""Every job that the page offers is a command line the program understands, and every command can be reached from the page."""

import importlib
from pathlib import Path

import click
import pytest

from takewell.cli.main import COMMANDS
from takewell.errors import FileError, SettingError
from takewell.page.offers import OF_A_BENCH, OF_A_ROLL, ROLL, Blank, Offer, command_line, offer

ROLL_FOLDER = Path("/disk/roll")
SCREENS = {"checkin", "demo", "bench", "handover", "page"}
"""Commands with a screen of their own (the last is the page itself)."""


def parsed(words: list[str]) -> click.Context:
    """Parse a command line as the program does, without running it."""
    command: click.Command = importlib.import_module(f"takewell.cli.{words[0]}").command
    name, *rest = words
    while isinstance(command, click.Group):
        name, *rest = rest
        command = command.commands[name]
    return command.make_context(name, rest)


@pytest.mark.parametrize("job", OF_A_ROLL + OF_A_BENCH, ids=lambda job: job.word)
def test_a_job_is_a_command_line_that_is_understood(job, tmp_path):
    (tmp_path / "x").write_bytes(b"")
    filled = {
        blank.name: {
            "place": str(tmp_path / "x"),
            "places": str(tmp_path / "x"),
            "number": "1",
            "tick": "yes",
        }.get(blank.takes, blank.usual or "7-1")
        for blank in job.blanks
    }
    words = command_line(job, ROLL_FOLDER, filled, Path)
    context = parsed(words)
    for blank in job.blanks:
        assert any(filled[blank.name] in str(value) or value is True for value in context.params.values()), (
            blank
        )
    if ROLL in job.command:
        assert any(str(ROLL_FOLDER) in str(value) for value in context.params.values())


def test_every_command_can_be_reached_from_the_page():
    assert {job.command[0] for job in OF_A_ROLL} | SCREENS == set(COMMANDS)


def test_jobs_are_told_apart_by_one_word():
    assert len({job.word for job in OF_A_ROLL}) == len(OF_A_ROLL)
    with pytest.raises(SettingError, match="no job 'format'"):
        offer("format")


@pytest.mark.parametrize(
    ("blank", "text", "match"),
    [
        (Blank("a", "--a", "Kind", "choice", choices=("x",)), "y", "none of x"),
        (Blank("a", "--a", "Gain", "number"), "loud", "no number"),
        (Blank("a", "--a", "Name", "words", needed=True), " ", "fill it in"),
        (Blank("a", "--a", "Name", "words"), "x\0y", "cannot stand"),
        (Blank("a", "", "Name", "words"), "--render", "cannot stand"),
        (Blank("a", "", "File", "place"), "/a\n/b", "too many"),
    ],
)
def test_what_a_blank_does_not_take_is_refused(blank, text, match):
    with pytest.raises(SettingError, match=match):
        command_line(Offer(("x",), "X", "", (blank,)), ROLL_FOLDER, {"a": text}, Path)


def test_a_place_that_is_not_allowed_is_refused_before_anything_runs():
    def nowhere(_path: str) -> Path:
        raise FileError("outside")

    with pytest.raises(FileError, match="outside"):
        command_line(offer("measure"), ROLL_FOLDER, {"files": "/etc/x.wav"}, nowhere)


def test_what_is_typed_cannot_become_an_option():
    words = command_line(offer("mix"), ROLL_FOLDER, {"take": "--to=/etc"}, Path)
    assert words[-1] == "--take=--to=/etc" or "--take=--to=/etc" in words
