"""How is a data sheet kept as a file: JSON, numbers unrounded, and read again?"""

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

from takewell.bench.figures import Curve, DataSheet, Figure
from takewell.errors import FileError
from takewell.files import write_text

FORMAT = "takewell data sheet 1"


def sheet_document(sheet: DataSheet) -> dict[str, Any]:
    """Return a data sheet as a JSON document; numbers that do not exist are null."""
    return {
        "format": FORMAT,
        "name": sheet.name,
        "figures": [_plain(dataclasses.asdict(figure)) for figure in sheet.figures],
        "curves": [_plain(dataclasses.asdict(curve)) for curve in sheet.curves],
        "rate": sheet.rate,
        "encoding": sheet.encoding,
        "channels": sheet.channels,
        "reference_gain_db": sheet.reference_gain_db,
        "notes": list(sheet.notes),
        "sources": list(sheet.sources),
    }


def _plain(fields: dict[str, Any]) -> dict[str, Any]:
    def one(value: Any) -> Any:
        if isinstance(value, float):
            return value if math.isfinite(value) else None
        return [one(v) for v in value] if isinstance(value, tuple | list) else value

    return {key: one(value) for key, value in fields.items()}


def write_sheet(sheet: DataSheet, path: Path) -> None:
    """Write a data sheet.

    Raises
    ------
    DestinationError
        If the place cannot be written to.
    """
    text = json.dumps(sheet_document(sheet), ensure_ascii=False, allow_nan=False, indent=1)
    write_text(path, text + "\n")


def read_sheet(path: Path) -> DataSheet:
    """Read a data sheet that `write_sheet` wrote.

    Raises
    ------
    FileError
        If the file cannot be read or is no data sheet.
    """
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        if found["format"] != FORMAT:
            raise FileError(f"{path} is a data sheet of another version ({found['format']}); measure again.")
        return DataSheet(
            found["name"],
            tuple(Figure(**figure) for figure in found["figures"]),
            tuple(_curve(curve) for curve in found["curves"]),
            tuple(found["notes"]),
            tuple(found["sources"]),
            found["rate"],
            found["encoding"],
            found["channels"],
            found["reference_gain_db"],
        )
    except FileError:
        raise
    except (OSError, UnicodeDecodeError, ValueError) as error:
        raise FileError(f"{path} cannot be read as a data sheet: {error}.") from error
    except (KeyError, TypeError, AttributeError) as error:
        raise FileError(
            f"{path} is no data sheet of takewell bench measure --into; name one of those JSON files."
        ) from error


def _curve(fields: dict[str, Any]) -> Curve:
    def numbers(values: list[float | None]) -> tuple[float, ...]:
        return tuple(math.nan if value is None else float(value) for value in values)

    return Curve(**{**fields, "x": numbers(fields["x"]), "y": numbers(fields["y"])})
