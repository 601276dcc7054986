"""Published tables, read from tests/data/measure; each file says in its first lines where it comes from."""

import csv
import json
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[1] / "data" / "measure"


def table(name: str) -> list[dict[str, Any]]:
    """Return the rows of a table, numbers as floats."""
    lines = [line for line in (FOLDER / name).read_text(encoding="utf-8").splitlines() if line[:1] != "#"]
    rows = [{key: _number(value) for key, value in row.items()} for row in csv.DictReader(lines)]
    assert rows, f"{name} is empty"
    return rows


def document(name: str) -> dict[str, Any]:
    """Return a JSON document."""
    return dict(json.loads((FOLDER / name).read_text(encoding="utf-8")))


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text
