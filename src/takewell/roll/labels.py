"""What does a person say of the tracks, in a roll's ``takewell/tracks.csv``?

Conventions: a line speaks of one track of one take, or of that track in every take (take ``*``; the line of
a single take goes before it). An empty cell changes nothing. Several lines of one track may give the input
gain, each from its `gain_from_s` on (seconds into the take; empty: from the start).
"""

from collections.abc import Iterable
from pathlib import Path
from typing import get_args

from takewell.roll.sheet import TEXT_FOLDER, Row, number_cell, read_sheet, shield_text, write_sheet
from takewell.roll.values import Role, TrackLabel

COLUMNS = ("take", "track", "name", "role", "group", "gain_from_s", "gain_db")
EVERY_TAKE = "*"
ROLES: tuple[Role, ...] = get_args(Role)


def labels_path(folder: Path) -> Path:
    """Return where a roll's track labels lie."""
    return folder / TEXT_FOLDER / "tracks.csv"


def read_labels(folder: Path) -> tuple[TrackLabel, ...]:
    """Return the track labels of a roll in the order of the file; none when there is no file.

    Raises
    ------
    SettingError
        If a line cannot be understood; the sentence names file and line.
    """
    return tuple(_label(row) for row in read_sheet(labels_path(folder), COLUMNS, ("take", "track")))


def write_labels(folder: Path, labels: Iterable[TrackLabel]) -> None:
    """Write a roll's track labels.

    Raises
    ------
    DestinationError
        If the file cannot be written.
    """
    rows = (
        (
            shield_text(label.take),
            str(label.track),
            shield_text(label.name),
            label.role or "",
            shield_text(label.group),
            number_cell(label.gain_from_s),
            number_cell(label.gain_db),
        )
        for label in labels
    )
    write_sheet(labels_path(folder), COLUMNS, rows)


def _label(row: Row) -> TrackLabel:
    role = row.text("role").strip().lower()
    if role and role not in ROLES:
        raise row.wrong("role", f"is none of {', '.join(ROLES)}")
    gain_from_s, gain_db = row.number("gain_from_s", least=0), row.number("gain_db")
    if gain_from_s is not None and gain_db is None:
        raise row.wrong("gain_db", "is empty, but gain_from_s is not; give the gain in dB")
    return TrackLabel(
        take=row.required("take"),
        track=row.count("track"),
        name=row.text("name"),
        role=role or None,
        group=row.text("group"),
        gain_from_s=gain_from_s,
        gain_db=gain_db,
    )
