"""Which gain moves stand in a roll's ``takewell/moves.csv``?

Conventions: one line a move; times are seconds from the take's first sample and gains are decibels, both with
nine decimals, so a position at 384 kHz comes back to its sample. A line with `fixed` is a person's decision
and outlives whatever is proposed later.
"""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from takewell.roll.sheet import (
    TEXT_FOLDER,
    Row,
    number_cell,
    read_sheet,
    shield_text,
    write_sheet,
)
from takewell.roll.values import Move

COLUMNS = ("take", "track", "start_s", "end_s", "gain_db", "fade_in_s", "fade_out_s", "fixed", "reason")


MOVES = "moves.csv"
"""The file a person edits."""

PROPOSED = "moves-proposed.csv"
"""What was proposed last, kept beside it so that a person's changes can be told apart."""


def moves_path(folder: Path, name: str = MOVES) -> Path:
    """Return where a roll's moves lie."""
    return folder / TEXT_FOLDER / name


def read_moves(folder: Path, name: str = MOVES) -> tuple[Move, ...]:
    """Return the moves of a roll in the order of the file; none when there is no file.

    Raises
    ------
    SettingError
        If a line cannot be understood; the sentence names file and line.
    """
    rows = read_sheet(moves_path(folder, name), COLUMNS, ("take", "track", "start_s", "end_s", "gain_db"))
    return tuple(_move(row) for row in rows)


def write_moves(
    folder: Path, moves: Iterable[Move], *, keep_fixed: bool = True, name: str = MOVES
) -> tuple[Move, ...]:
    """Write a roll's moves, keeping the lines a person has fixed, and return what now stands in the file.

    Parameters
    ----------
    folder : Path
        The roll's folder.
    moves : iterable of Move
        All moves the file shall hold.
    keep_fixed : bool
        Whether lines that are fixed in the file stay as they are; a given move that is not fixed then gives
        way to them and keeps only the stretches outside.
    name : str
        The file inside ``takewell/``.

    Raises
    ------
    SettingError
        If the file that is there cannot be read; it is left alone.
    DestinationError
        If the file cannot be written.
    """
    given = tuple(moves)
    kept = [move for move in read_moves(folder, name) if move.fixed] if keep_fixed else []
    mine = [move for move in given if move.fixed and move not in kept]
    free = [part for move in given if not move.fixed for part in _outside(move, kept)]
    order = {
        take: place for place, take in enumerate(dict.fromkeys(move.take for move in given + tuple(kept)))
    }
    result = tuple(sorted(kept + mine + free, key=lambda m: (order[m.take], m.track, m.start_s)))
    write_moves_to(moves_path(folder, name), result)
    return result


def write_moves_to(path: Path, moves: Iterable[Move]) -> None:
    """Write moves as they are given into a file of any place.

    Raises
    ------
    DestinationError
        If the file cannot be written.
    """
    write_sheet(path, COLUMNS, map(_cells, moves))


def _outside(move: Move, fixed: Iterable[Move]) -> list[Move]:
    """Return what is left of a move beside the fixed ones of its track."""
    parts = [move]
    for wall in fixed:
        if (wall.take, wall.track) != (move.take, move.track):
            continue
        cut = []
        for part in parts:
            before = replace(part, end_s=min(part.end_s, wall.start_s))
            after = replace(part, start_s=max(part.start_s, wall.end_s))
            cut += [piece for piece in (before, after) if piece.start_s < piece.end_s]
        parts = cut
    return parts


def _move(row: Row) -> Move:
    start_s = row.needed_number("start_s", least=0)
    end_s = row.needed_number("end_s", least=0)
    if end_s <= start_s:
        raise row.wrong("end_s", f"is not after start_s {start_s:g}")
    return Move(
        take=row.required("take"),
        track=row.count("track"),
        start_s=start_s,
        end_s=end_s,
        gain_db=row.needed_number("gain_db"),
        fade_in_s=row.number("fade_in_s", least=0) or 0.0,
        fade_out_s=row.number("fade_out_s", least=0) or 0.0,
        fixed=bool(row.flag("fixed")),
        reason=row.text("reason"),
    )


def _cells(move: Move) -> tuple[str, ...]:
    return (
        shield_text(move.take),
        str(move.track),
        *map(number_cell, (move.start_s, move.end_s, move.gain_db, move.fade_in_s, move.fade_out_s)),
        "yes" if move.fixed else "no",
        shield_text(move.reason),
    )
