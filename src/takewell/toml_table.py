"""One table of a TOML file that several rooms may share."""

import tomllib
from pathlib import Path
from typing import Any

from takewell.errors import SettingError


def toml_table(path: Path, name: str) -> dict[str, Any]:
    """Return the table ``[name]`` of a TOML file; other tables are left to others.

    Raises
    ------
    SettingError
        If the file cannot be read, is no TOML, or has no such table.
    """
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingError(f"{path} cannot be read: {error.strerror or error}; check the name.") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingError(f"{path} cannot be read as TOML: {error}.") from error
    table = document.get(name)
    if not isinstance(table, dict):
        raise SettingError(f"{path} has no table [{name}]; write [{name}] and the settings below it.")
    return table
