"""What the screens over a TOML file share: the text they carry, what is wrong in it and where, and saving it."""

import hashlib
import re
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from takewell.errors import FileError, SettingError
from takewell.files import write_text
from takewell.kit.edit import with_values
from takewell.kit.form import FormTable, changed
from takewell.kit.lines import Place, key_lines, place_on
from takewell.page.places import Places

MOST_TEXT_BYTES = 100_000
"""A text that goes back and forth in a form; larger ones are for a text editor."""

_LINE = re.compile(r", line (\d+): ")
_writing = threading.Lock()


@dataclass(frozen=True)
class Carried:
    """The text a form was drawn from, the text as it is now, and the state of the file it came from."""

    base: str
    text: str
    state: str


def new_text_file(places: Places, folder: str, name: str, text: str) -> Path:
    """Write a TOML file under a new name in a folder that is there; return its path.

    Raises
    ------
    FileError, SettingError
        If the folder is not there, or something of that name is.
    """
    place = places.allowed(str(Path(folder) / f"{Path(name.strip()).name.removesuffix('.toml')}.toml"))
    if not place.parent.is_dir():
        raise FileError(f"{place.parent} is not there; create that folder first, or choose another.")
    if place.exists():
        raise SettingError(f"{place} is there already; open it, or give another name.")
    write_text(place, text, replace=False)
    return place


def carried(filled: Mapping[str, str]) -> Carried:
    """Return what a form carried; browsers send lines with CR LF (HTML Living Standard, form submission)."""
    base, text = (filled.get(name, "").replace("\r\n", "\n") for name in ("base", "text"))
    return Carried(base, text, filled.get("state", ""))


def merged(now: Carried, form: Callable[[str], Sequence[FormTable]], filled: Mapping[str, str]) -> str:
    """Return the text with what was changed in the fields; where the text as opened made no form, only the text counts.

    Raises
    ------
    SettingError
        If the text is no TOML, or the places of the fields are not there any more.
    """
    try:
        changes = changed(form(now.base), filled)
    except SettingError:
        return now.text
    if not changes:
        return now.text
    form(now.text)  # says on which line it is no TOML
    return with_values(now.text, changes)


def file_state(text: str) -> str:
    """Return what tells one state of a file from another."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def save(path: Path, now: Carried) -> None:
    """Write a text, whole or not at all, unless the file was changed elsewhere since it was opened.

    Raises
    ------
    SettingError
        If it was.
    DestinationError
        If the place cannot be written to.
    """
    with _writing:
        there = path.read_text(encoding="utf-8", errors="replace") if path.is_file() else ""
        if file_state(there) != now.state:
            raise SettingError(
                f"{path} was changed elsewhere meanwhile, so nothing was written; copy your text below, and open it again."
            )
        write_text(path, now.text)


def said_of(wrong: str, path: Path, text: str) -> tuple[str, Place | None, int | None]:
    """Return an error about a text without the file's name, the place in the text it speaks of, and the line."""
    sentence = wrong.removeprefix(f"{path}, ")
    sentence = sentence[:1].upper() + sentence[1:]
    found = _LINE.search(wrong) if wrong.startswith(f"{path}, line ") else None
    if found is None:
        return sentence, None, None
    return sentence, place_on(key_lines(text), int(found[1])), int(found[1])


def suggested(tables: Iterable[FormTable]) -> list[tuple[str, ...]]:
    """Return the different lists of names that the fields of a form suggest."""
    found: dict[tuple[str, ...], None] = {}
    for table in tables:
        found |= {field.suggestions: None for field in table.fields if field.suggestions}
        for inner in table.inner.values():
            found |= dict.fromkeys(suggested(inner))
    return list(found)
