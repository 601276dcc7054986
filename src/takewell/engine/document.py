"""How is a measurement written as the JSON document of ``takewell measure --json``?"""

from dataclasses import asdict
from typing import Any

from takewell.engine.results import FileMeasurement


def to_json(measured: FileMeasurement) -> dict[str, Any]:
    """Return the measurement as plain dicts, lists, numbers, strings and None; traces are left out."""
    document = {
        "file": measured.file,
        "format": asdict(measured.format),
        "tracks": [asdict(track) for track in measured.tracks],
        "programme": None if measured.programme is None else asdict(measured.programme),
        "notes": list(measured.notes),
    }
    for track in document["tracks"]:
        track["quality"] = dict(track["quality"])
    return document
