"""How is a measurement written as the JSON document of ``takewell measure --json``?"""

from dataclasses import asdict
from typing import Any

from takewell.engine.results import FileMeasurement


def to_json(measured: FileMeasurement) -> dict[str, Any]:
    """Return the measurement as plain dicts, lists, numbers, strings and None; traces are left out."""
    tracks = [
        asdict(track)
        | {
            "passages": [asdict(passage) for passage in track.passages],
            "clips": [asdict(clip) for clip in track.clips],
            "quality": {
                name: f"{words} {track.limits[name]}" if name in track.limits else words
                for name, words in track.quality.items()
            },
        }
        for track in measured.tracks
    ]
    for track in tracks:
        del track["limits"]  # said behind how the figure was found
    return {
        "file": measured.file,
        "format": asdict(measured.format),
        "tracks": tracks,
        "programme": None if measured.programme is None else asdict(measured.programme),
        "notes": list(measured.notes),
    }
