"""What did a person write about the takes, in a roll's ``takewell/notes.csv``?

Conventions: one line a take, found by the take's id; an empty cell changes nothing the files say.
"""

from collections.abc import Iterable
from pathlib import Path

from takewell.roll.sheet import TEXT_FOLDER, read_sheet, shield_text, write_sheet
from takewell.roll.values import Note

COLUMNS = ("take", "scene", "take_name", "circled", "note")


def notes_path(folder: Path) -> Path:
    """Return where a roll's notes lie."""
    return folder / TEXT_FOLDER / "notes.csv"


def read_notes(folder: Path) -> tuple[Note, ...]:
    """Return the notes of a roll in the order of the file; none when there is no file.

    Raises
    ------
    SettingError
        If a line cannot be understood, or two lines speak of one take; the sentence names file and line.
    """
    notes: dict[str, Note] = {}
    for row in read_sheet(notes_path(folder), COLUMNS, ("take",)):
        take = row.required("take")
        if take in notes:
            raise row.wrong("take", "has a line already; join the two")
        notes[take] = Note(
            take, row.text("scene"), row.text("take_name"), row.flag("circled"), row.text("note")
        )
    return tuple(notes.values())


def write_notes(folder: Path, notes: Iterable[Note]) -> None:
    """Write a roll's notes.

    Raises
    ------
    DestinationError
        If the file cannot be written.
    """
    circled = {None: "", True: "yes", False: "no"}
    rows = (
        (
            *map(shield_text, (note.take, note.scene, note.take_name)),
            circled[note.circled],
            shield_text(note.note),
        )
        for note in notes
    )
    write_sheet(notes_path(folder), COLUMNS, rows)
