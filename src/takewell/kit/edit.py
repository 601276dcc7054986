"""How is a TOML text changed at a few places, with everything else, comments and spacing too, left as a person wrote it?

Conventions: places are those of `kit.lines`. A value of None takes the key out. Text in, text out; what comes out is
checked by whoever reads it (`plan.parse_day`, `kit.parse_profile`).
"""

import copy
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, InlineTable, Table

from takewell.errors import SettingError
from takewell.kit.fields import parse_document
from takewell.kit.lines import Place


def with_values(text: str, changes: Mapping[Place, Any]) -> str:
    """Return a TOML text with values set, or taken out where they are None.

    Parameters
    ----------
    text : str
    changes : mapping of place to value
        Values as Python's TOML reader gives them.

    Raises
    ------
    SettingError
        If the text is no TOML, or a place is not there.

    Examples
    --------
    >>> with_values("gain_db = 46  # for the boom\\npad_db = 10\\n", {("gain_db",): 40, ("pad_db",): None})
    'gain_db = 40  # for the boom\\n'
    """
    document = _parsed(text)
    for place, value in changes.items():
        holder = _at(document, place[:-1])
        key = place[-1]
        if not isinstance(holder, Table | InlineTable | tomlkit.TOMLDocument) or not isinstance(key, str):
            raise _missing(place)
        if value is not None:
            holder[key] = value
        elif key in holder:
            del holder[key]
    return tomlkit.dumps(document)


def with_another(text: str, place: Place, changes: Mapping[str, Any]) -> str:
    """Return a TOML text with one more entry behind an array of tables' last, made like that one but for `changes`.

    Raises
    ------
    SettingError
        As `with_values`; also if the array holds nothing that could be copied.
    """
    document = _parsed(text)
    entries = _at(document, place)
    if not isinstance(entries, AoT | Array) or not len(entries):
        raise _missing(place)
    entry = copy.deepcopy(entries[-1])
    for key, value in changes.items():
        entry[key] = value
    entries.append(entry)
    return tomlkit.dumps(document)


def without(text: str, place: Place) -> str:
    """Return a TOML text without one entry of an array of tables.

    Raises
    ------
    SettingError
        As `with_values`.
    """
    document = _parsed(text)
    entries, index = _at(document, place[:-1]), place[-1]
    if not isinstance(entries, AoT | Array) or not isinstance(index, int) or not 0 <= index < len(entries):
        raise _missing(place)
    del entries[index]
    if not len(entries):
        del _at(document, place[:-2])[place[-2]]
    return tomlkit.dumps(document)


def _parsed(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, RecursionError) as error:
        parse_document(text, Path("this text"))  # says it better, with the line
        raise SettingError(f"This text is no TOML: {error}.") from error


def _at(document: Any, place: Place) -> Any:
    found = document
    for key in place:
        try:
            found = found[key]
        except (KeyError, IndexError, TypeError, TOMLKitError):
            raise _missing(place) from None
    return found


def _missing(place: Place) -> SettingError:
    words = ".".join(str(part + 1) if isinstance(part, int) else part for part in place)
    return SettingError(f"There is no {words} in this text any more; open it again.")
