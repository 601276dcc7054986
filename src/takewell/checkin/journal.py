"""What was already finished when a check-in was stopped?

One line of JSON per finished file in ``takewell/checkin.jsonl`` of the destination, flushed to the medium before the
next is begun. It lives only as long as the check-in is incomplete, and nothing in it is believed: a file
it names is read back and held against its hash, and compared with the card, before it is passed over.
"""

import contextlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

JOURNAL = "takewell/checkin.jsonl"


@dataclass(frozen=True)
class Finished:
    """A file that was copied and verified, with what the card said of it then."""

    path: str
    size_bytes: int
    modified_ns: int
    hashes: Mapping[str, str]
    hashed: str
    """ISO 8601 time the digests were made."""


def read_journal(folder: Path) -> dict[str, Finished]:
    """Return path -> the last line about it; empty where there is no journal. A broken last line is passed over."""
    found: dict[str, Finished] = {}
    try:
        lines = (folder / JOURNAL).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return found
    for line in lines:
        with contextlib.suppress(ValueError, TypeError, AttributeError):
            entry = Finished(**json.loads(line))
            found[entry.path] = entry
    return found


class Journal:
    """Writes the journal of one destination."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / JOURNAL
        self._handle = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)

    def add(self, finished: Finished) -> None:
        """Write a line and flush it.

        Raises
        ------
        OSError
            If the disk refuses.
        """
        # A line end first, too: a line broken off by a crash must not swallow this one.
        os.write(self._handle, f"\n{json.dumps(asdict(finished))}\n".encode())
        os.fsync(self._handle)

    def close(self, *, remove: bool) -> None:
        """Close the journal, and remove it where the check-in is complete."""
        os.close(self._handle)
        if remove:
            with contextlib.suppress(OSError):
                self._path.unlink()
