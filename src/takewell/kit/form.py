"""Which fields does a table of a day or a profile have, what does each take, and what stands there now?

Conventions: everything a person sees or types is text; `typed` makes a value of it, and leaves as text what it cannot
read, so that whoever checks the document names it with its line.
"""

import datetime
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields
from pathlib import Path
from typing import Any

from takewell.kit.fields import Accepted, accepted_fields, parse_document
from takewell.kit.lines import Place
from takewell.kit.values import KINDS

_UNITS = {
    "db_spl": "dB SPL", "db_a": "dB A", "dbfs": "dBFS", "dbu_ccir_rms": "dBu CCIR-RMS", "dbu_a": "dBu A", "dbu": "dBu", "dbv": "dBV", "db": "dB",
    "mv_pa": "mV/Pa", "mb_s": "MB/s", "percent": "%", "ohm": "Ω", "ppm": "ppm", "hz": "Hz", "wh": "Wh", "ma": "mA",
    "deg": "°", "gb": "GB", "ms": "ms", "min": "min", "m3": "m³", "m": "m", "s": "s", "h": "h", "c": "°C", "k": "K",
    "w": "W", "v": "V", "g": "g",
}  # fmt: skip
"""Ends of names, longest first, and the units they stand for."""

_SPELLED = {"ein": "EIN", "thd": "THD", "spl": "SPL", "ccir": "CCIR", "rms": "RMS", "n": "N"}


@dataclass(frozen=True)
class FormField:
    """One field: where it stands, its label with the unit, what it takes, and what stands there (empty: left out)."""

    place: Place
    label: str
    unit: str
    accepted: Accepted
    needed: bool
    usual: str
    """What counts where it is left out; empty where nothing does."""
    text: str
    suggestions: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The place as one word."""
        return place_word(self.place)


@dataclass(frozen=True)
class FormTable:
    """One table: its fields, the tables inside it by their array's name, and which arrays can have one more."""

    place: Place
    title: str
    fields: tuple[FormField, ...]
    inner: Mapping[str, tuple["FormTable", ...]] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The place as one word."""
        return place_word(self.place)


def place_word(place: Place) -> str:
    """Return a place as one word: its parts with slashes between.

    Examples
    --------
    >>> place_word(("setup", 0, "start"))
    'setup/0/start'
    """
    return "/".join(map(str, place))


def place_of(word: str) -> Place:
    """Return the place of a word of `place_word`.

    Examples
    --------
    >>> place_of("setup/0/start")
    ('setup', 0, 'start')
    """
    return tuple(int(part) if part.isdecimal() else part for part in word.split("/"))


def labelled(name: str) -> tuple[str, str]:
    """Return a field's name in words, and its unit.

    Examples
    --------
    >>> labelled("room_noise_db_a")
    ('room noise', 'dB A')
    """
    for end, unit in _UNITS.items():
        if name.endswith(f"_{end}"):
            return _words(name.removesuffix(f"_{end}")), unit
    return _words(name), ""


def profile_form(text: str, path: Path) -> FormTable:
    """Return the form of a profile: the fields of its kind with what stands in them.

    Parameters
    ----------
    text : str
        The profile as TOML; it need not be right, but for its kind.
    path : Path
        What errors call it.

    Raises
    ------
    SettingError
        If it is no TOML, or of no known kind.
    """
    document = parse_document(text, path)
    word = document.content.get("kind")
    if not isinstance(word, str) or word not in KINDS:
        document.refuse(
            ("kind",), f"the field 'kind' takes one of {', '.join(KINDS)}; it says what is described."
        )
    return FormTable((), word, form_fields(KINDS[word], document.content, ()))


def _words(name: str) -> str:
    return " ".join(_SPELLED.get(part, part) for part in name.split("_")).replace("THD N", "THD+N")


def form_fields(
    kind: type,
    table: Mapping[str, Any],
    place: Place,
    suggestions: Mapping[str, Sequence[str]] | None = None,
) -> tuple[FormField, ...]:
    """Return the fields of a described table with what stands in them.

    Parameters
    ----------
    kind : type
        A dataclass whose fields were declared with the functions of `kit.fields`.
    table : mapping
        The table as the TOML reader gave it.
    place : tuple
        Where it stands.
    suggestions : mapping, optional
        Names that a field of words could take.
    """
    described, found = accepted_fields(kind), []
    for declared in fields(kind):
        if declared.name not in described:
            continue
        needed = declared.default is MISSING
        usual = "" if needed or declared.default in (None, "") else shown(declared.default)
        found.append(
            form_field(
                described[declared.name],
                table,
                (*place, declared.name),
                needed=needed,
                usual=usual,
                suggestions=tuple((suggestions or {}).get(declared.name, ())),
            )
        )
    return tuple(found)


def form_field(
    accepted: Accepted,
    table: Mapping[str, Any],
    place: Place,
    *,
    needed: bool,
    usual: str = "",
    suggestions: tuple[str, ...] = (),
) -> FormField:
    """Return one field with what stands in it."""
    name = str(place[-1])
    label, unit = labelled(name)
    text = shown(table[name]) if name in table else ""
    return FormField(place, label, unit, accepted, needed, usual, text, suggestions)


def shown(value: Any) -> str:
    """Return a value as text that `typed` reads again."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, list | tuple):
        if all(isinstance(v, str) for v in value):
            return ", ".join(value)
        return json.dumps(value, default=str)
    return str(value)


def typed(accepted: Accepted, text: str) -> Any:
    """Return what somebody typed as a TOML value; None for nothing, the text itself where it cannot be read.

    Examples
    --------
    >>> typed(Accepted("number"), "46"), typed(Accepted("number"), "0.9"), typed(Accepted("number"), "loud")
    (46, 0.9, 'loud')
    """
    text = text.strip()
    if not text:
        return None
    try:
        match accepted.kind:
            case "number":
                plain = text.replace("−", "-")
                return int(plain) if plain.lstrip("+-").isdecimal() else float(plain)
            case "flag":
                return {"true": True, "false": False}.get(text, text)
            case "date":
                return datetime.date.fromisoformat(text)
            case "time":
                return datetime.time.fromisoformat(text)
            case "words":
                return [part.strip() for part in text.split(",") if part.strip()]
            case "pairs":
                return tomllib.loads(f"x = {text}")["x"] if "\n" not in text else text
    except ValueError:
        pass
    return text


def changed(form: Sequence[FormTable], filled: Mapping[str, str]) -> dict[Place, Any]:
    """Return what a person changed in a form: the value of each field whose text is another than before, by place."""
    found: dict[Place, Any] = {}
    for table in form:
        for one in table.fields:
            text = filled.get(one.name)
            if text is not None and text.strip() != one.text:
                found[one.place] = typed(one.accepted, text)
        for inner in table.inner.values():
            found |= changed(inner, filled)
    return found
