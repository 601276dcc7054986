"""Do the lines a person wrote speak of this roll, and is there a place to keep them?

A line for a take or track that is not there, one that begins after its take has ended, and two that overlap can only be
slips, so they are refused. A line that runs on past the end of its take counts up to the end, and is told.

Conventions: as in ``moves.csv``.
"""

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from takewell import files
from takewell.errors import DestinationError, SettingError
from takewell.level.sentences import clock
from takewell.roll import Move, Roll, read_moves
from takewell.roll.moves import MOVES, PROPOSED, moves_path

ROUNDED_S = 1e-6
"""Times in the file have nine decimals; what lies closer than this is at the same place."""

TAKEN_OUT = "taken out by hand"


def check_lines(roll: Roll, lines: Iterable[Move], texts: Path) -> None:
    """Refuse lines that do not speak of the roll.

    Raises
    ------
    SettingError
        With the first such line and what to do about it.
    """
    path = moves_path(texts)
    takes = {take.id: take for take in roll.takes}
    rows: dict[tuple[str, int], list[Move]] = {}
    for line in lines:
        if line.take not in takes:
            known = ", ".join(list(takes)[:20]) or "none"
            raise SettingError(
                f"{path}: {_named(line)} is for a take that {roll.folder} does not have; its takes are {known}. "
                "Correct the line or take it out."
            )
        take = takes[line.take]
        if line.track not in {track.number for track in take.tracks}:
            raise SettingError(
                f"{path}: {_named(line)} is for a track that the take does not have; its tracks are 1 to "
                f"{len(take.tracks)}. Correct the line or take it out."
            )
        if line.start_s >= take.duration_s:
            raise SettingError(
                f"{path}: {_named(line)} begins after the take has ended, at {clock(float(take.duration_s))}. "
                "Correct the line or take it out."
            )
        rows.setdefault((line.take, line.track), []).append(line)
    for row in rows.values():
        for a, b in pairwise(sorted(row, key=lambda m: m.start_s)):
            if b.start_s < a.end_s - ROUNDED_S:
                raise SettingError(
                    f"{path}: {_named(a)} and the one from {clock(b.start_s)} to {clock(b.end_s)} overlap; "
                    "change one of them."
                )


def past_the_end(roll: Roll, moves: Sequence[Move]) -> tuple[str, ...]:
    """Return a sentence for each line that runs on past the end of its take."""
    ends = {take.id: float(take.duration_s) for take in roll.takes}
    return tuple(
        f"{_named(move)} runs on past the take's end, at {clock(ends[move.take])}; it counts up to there."
        for move in moves
        if move.take in ends and move.end_s > ends[move.take] + ROUNDED_S
    )


def persons_in(roll: Roll, texts: Path) -> list[Move]:
    """Return the lines of a folder's ``moves.csv`` that are a person's; what was taken out for takes that are gone is not.

    Raises
    ------
    SettingError
        If a line cannot be understood.
    """
    known = {take.id for take in roll.takes}
    found = persons_lines(read_moves(texts), read_moves(texts, PROPOSED))
    return [line for line in found if line.take in known or line.reason != TAKEN_OUT]


def persons_lines(stands: Iterable[Move], proposed: Iterable[Move]) -> list[Move]:
    """Return the lines a person fixed, changed, added or took out, as fixed lines.

    Parameters
    ----------
    stands : iterable of Move
        What ``moves.csv`` holds now.
    proposed : iterable of Move
        What was proposed last.
    """
    stands, proposed = list(stands), list(proposed)
    offered = {_figures(move) for move in proposed}
    found = [
        move if move.fixed else replace(move, fixed=True, reason=f"changed by hand ({move.reason})")
        for move in stands
        if move.fixed or _figures(move) not in offered
    ]
    standing = {_figures(move) for move in stands}
    for move in proposed:
        if _figures(move) not in standing and not any(_meet(move, other) for other in stands):
            found.append(replace(move, gain_db=0.0, fixed=True, reason=TAKEN_OUT))
    return found


def must_hold(texts: Path) -> None:
    """Refuse a place where the moves cannot be kept, before an hour was spent on them.

    Raises
    ------
    DestinationError
        If the folder for the text files cannot be made or written to.
    """
    path = moves_path(texts)
    try:
        files.make_folder(path.parent)
    except DestinationError as error:
        raise DestinationError(f"{error} {_ELSEWHERE}") from error
    if not os.access(path.parent, os.W_OK):
        raise DestinationError(
            f"{path.parent} cannot be written to, so {MOVES} has no place there. {_ELSEWHERE}"
        )


_ELSEWHERE = "Give a folder for it that can be written to: --moves FOLDER."


def _named(move: Move) -> str:
    return f"the line of take {move.take!r}, track {move.track}, from {clock(move.start_s)} to {clock(move.end_s)}"


def _figures(move: Move) -> tuple[str, int, float, float, float, float, float]:
    return (
        move.take, move.track, move.start_s, move.end_s, move.gain_db, move.fade_in_s, move.fade_out_s
    )  # fmt: skip


def _meet(a: Move, b: Move) -> bool:
    """Return whether two moves of one track share more than half of the shorter one."""
    shared = min(a.end_s, b.end_s) - max(a.start_s, b.start_s)
    return (a.take, a.track) == (b.take, b.track) and shared > 0.5 * min(
        a.end_s - a.start_s, b.end_s - b.start_s
    )
