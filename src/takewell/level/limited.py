"""Where did the limiter take something off, and how much, in a table beside the moves?

``takewell/limited.csv``: one line a stretch of the copies rendered last, in seconds of the copy named. It can be
rendered again at any time; nothing reads it.

Conventions: as in ``moves.csv``.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from takewell.level.levelled_copy import LevelledCopy
from takewell.roll.sheet import TEXT_FOLDER, number_cell, shield_text, write_sheet

LIMITED = "limited.csv"
COLUMNS = ("take", "track", "start_s", "end_s", "most_db", "what", "copy")


@dataclass(frozen=True)
class Limited:
    """What the limiter did to one copy, all its tracks together."""

    places: int
    seconds: float
    most_db: float


def limited(copy: LevelledCopy) -> Limited:
    """Return how often, how long and how far the limiter acted on a copy."""
    done = [action for action in copy.actions if action.what == "limited"]
    samples = sum(action.end_samples - action.start_samples for action in done)
    return Limited(len(done), samples / copy.rate, max((action.reduction_db for action in done), default=0.0))


def write_limited(texts: Path, copies: Iterable[LevelledCopy]) -> Path:
    """Write what was done to some copies beside the moves of a folder, and return the file.

    Raises
    ------
    DestinationError
        If it cannot be written.
    """
    rows = [
        (
            shield_text(copy.take),
            str(track.track),
            number_cell(action.start_samples / copy.rate),
            number_cell(action.end_samples / copy.rate),
            f"{action.reduction_db:.3f}",
            action.what,
            shield_text(str(copy.target)),
        )
        for copy in copies
        for track in copy.tracks
        for action in track.actions
    ]
    path = texts / TEXT_FOLDER / LIMITED
    write_sheet(path, COLUMNS, rows)
    return path
