"""Is every field of a TOML table there, of the right kind and within what can be, and if not, on which line?

Conventions: a table is described by a frozen dataclass whose fields are made with `number`, `word`, `text`,
`flag`, `pairs` and `words` below; the description says what is accepted, and the error says it to a person:
file, line, field, what is wrong, what is accepted.
"""

import dataclasses
import datetime
import difflib
import itertools
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

from takewell.errors import FileError, SettingError
from takewell.kit.lines import Place, key_lines, line_of

LARGEST_FILE_BYTES = 1 << 20
"""A profile or a day is a page or two of text; what is larger is something else."""

_NEEDED = dataclasses.MISSING
_SPEC = "takewell"


@dataclass(frozen=True)
class Accepted:
    """What one field takes."""

    kind: str
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What is accepted, for the end of a sentence."""
        if self.kind == "number":
            if math.isinf(self.low) and math.isinf(self.high):
                return "a number"
            if math.isinf(self.high):
                return f"a number from {self.low:g} up"
            return f"a number from {self.low:g} to {self.high:g}"
        if self.kind == "pairs":
            return "pairs of numbers with the first ones rising, such as [[0, 0], [90, -12]]"
        known = ", ".join(self.choices)
        return {
            "text": "words in quotes",
            "flag": "true or false",
            "date": "a date such as 2025-02-11",
            "time": "a time such as 09:30:00",
            "word": f"one of {known}",
            "words": f"a list of words out of {known}" if known else 'a list of words, such as ["A", "B"]',
        }[self.kind]


def _made(accepted: Accepted, default: Any) -> Any:
    if default is _NEEDED:
        return field(metadata={_SPEC: accepted})
    return field(default=default, metadata={_SPEC: accepted})


def number(low: float = -math.inf, high: float = math.inf, default: Any = _NEEDED) -> Any:
    """Declare a field that takes a number from `low` to `high`."""
    return _made(Accepted("number", low, high), default)


def word(*choices: str, default: Any = _NEEDED) -> Any:
    """Declare a field that takes one of a few words."""
    return _made(Accepted("word", choices=choices), default)


def words(*choices: str, default: Any = _NEEDED) -> Any:
    """Declare a field that takes a list of words."""
    return _made(Accepted("words", choices=choices), default)


def text(default: Any = _NEEDED) -> Any:
    """Declare a field that takes any words."""
    return _made(Accepted("text"), default)


def flag(default: Any = _NEEDED) -> Any:
    """Declare a field that is true or false."""
    return _made(Accepted("flag"), default)


def date(default: Any = _NEEDED) -> Any:
    """Declare a field that takes a day of the calendar; kept as ``YYYY-MM-DD``."""
    return _made(Accepted("date"), default)


def pairs(default: Any = _NEEDED) -> Any:
    """Declare a field that takes pairs of numbers, the first of each pair rising."""
    return _made(Accepted("pairs"), default)


def accepted_fields(kind: type) -> dict[str, Accepted]:
    """Return what the fields of a described dataclass accept, by name."""
    return {f.name: f.metadata[_SPEC] for f in dataclasses.fields(kind) if _SPEC in f.metadata}


@dataclass(frozen=True)
class Document:
    """A TOML file with the lines its keys stand on."""

    path: Path
    content: Mapping[str, Any]
    lines: dict[Place, int]

    def refuse(self, place: Place, sentence: str) -> NoReturn:
        """Raise the sentence with the file and the line of `place` before it.

        Raises
        ------
        SettingError
            Always.
        """
        raise SettingError(f"{self.path}, line {line_of(self.lines, place)}: {sentence}")


def read_document(path: Path) -> Document:
    """Read a TOML file.

    Raises
    ------
    FileError
        If it is not there or is no text.
    SettingError
        If it is no TOML; the message has the line.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise FileError(
            f"{path} cannot be read: {(error.strerror or str(error)).lower()}; check the name."
        ) from error
    if len(raw) > LARGEST_FILE_BYTES:
        raise FileError(f"{path} is larger than a profile or a day can be; check the name.")
    try:
        source = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(f"{path} is no UTF-8 text; save it as UTF-8.") from error
    return parse_document(source, path)


def parse_document(source: str, path: Path) -> Document:
    """Read TOML from a text; `path` is what errors call it.

    Raises
    ------
    SettingError
        If it is no TOML.
    """
    try:
        content = tomllib.loads(source)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        reason, _, where = str(error).partition(" (at ")
        line = where.removesuffix(")").partition(",")[0].removeprefix("line ")
        at = f"line {line}" if line.isdigit() else f"line {max(1, len(source.rstrip().splitlines()))}"
        raise SettingError(
            f"{path}, {at}: this is no TOML ({reason[:1].lower()}{reason[1:]}); correct the line."
        ) from error
    return Document(path, content, key_lines(source))


def read_table(
    kind: type, document: Document, table: Mapping[str, Any], place: Place, *, also: Sequence[str] = ()
) -> dict[str, Any]:
    """Return the fields of one table, each checked, those that were left out with their usual value.

    Parameters
    ----------
    kind : type
        A dataclass whose fields were declared with the functions above.
    table : mapping
        What the TOML reader gave for this place.
    place : tuple
        Where the table stands; ``()`` for the document itself.
    also : sequence of str
        Keys that are somebody else's to read (tables inside this one).

    Raises
    ------
    SettingError
        For the first field that is unknown, missing, or not what it takes.
    """
    described = accepted_fields(kind)
    for key in table:
        if key not in described and key not in also:
            near = difflib.get_close_matches(key, [*described, *also], n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(described)}."
            document.refuse((*place, key), f"there is no field {key!r} here; {hint}")
    found: dict[str, Any] = {}
    for declared in dataclasses.fields(kind):
        name = declared.name
        if name not in described:
            continue
        if name in table:
            found[name] = check_value(described[name], document, table[name], (*place, name))
        elif declared.default is _NEEDED:
            document.refuse(
                place, f"the field {name!r} is missing{_where(place)}; it takes {described[name].words}."
            )
        else:
            found[name] = declared.default
    return found


def _where(place: Place) -> str:
    names = [part for part in place if isinstance(part, str)]
    return f" in [{'.'.join(names)}]" if names else ""


def check_value(accepted: Accepted, document: Document, value: Any, place: Place) -> Any:
    """Return one value as its field keeps it.

    Raises
    ------
    SettingError
        If it is not what the field takes.
    """
    kept = _kept(accepted, value)
    if kept is None:
        shown = repr(value) if isinstance(value, str | int | float | bool) else f"a {type(value).__name__}"
        document.refuse(place, f"{place[-1]} is {shown}; it takes {accepted.words}.")
    return kept


def _kept(accepted: Accepted, value: Any) -> Any:
    match accepted.kind:
        case "number":
            good = _is_number(value) and accepted.low <= value <= accepted.high
            return float(value) if good else None
        case "word":
            return value if value in accepted.choices else None
        case "text":
            return value if isinstance(value, str) and value.strip() else None
        case "flag":
            return value if isinstance(value, bool) else None
        case "date":
            return value.isoformat() if type(value) is datetime.date else None
        case "words":
            good = isinstance(value, list) and all(isinstance(v, str) for v in value)
            good = good and (not accepted.choices or all(v in accepted.choices for v in value))
            return tuple(value) if good else None
        case _:
            return _pairs(value)


def _pairs(value: Any) -> tuple[tuple[float, float], ...] | None:
    if not isinstance(value, list) or not value:
        return None
    if not all(isinstance(p, list) and len(p) == 2 and all(map(_is_number, p)) for p in value):
        return None
    firsts = [p[0] for p in value]
    if any(b <= a for a, b in itertools.pairwise(firsts)):
        return None
    return tuple((float(a), float(b)) for a, b in value)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
