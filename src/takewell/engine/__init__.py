"""One pass over a file: blocks in, numbers and traces out."""

from typing import TYPE_CHECKING

from takewell.engine.results import Clip, FileFormat, FileMeasurement, Passage, Programme, TrackMeasurement

if TYPE_CHECKING:
    from takewell.engine.compiled import ready
    from takewell.engine.document import to_json
    from takewell.engine.file_measurement import measure_file, measure_files, measurement, track_names
    from takewell.engine.meter import Meter, MeterResult

__all__ = [
    "Clip",
    "FileFormat",
    "FileMeasurement",
    "Meter",
    "MeterResult",
    "Passage",
    "Programme",
    "TrackMeasurement",
    "measure_file",
    "measure_files",
    "measurement",
    "ready",
    "to_json",
    "track_names",
]

_WHERE = {
    "Meter": "meter",
    "MeterResult": "meter",
    "measure_file": "file_measurement",
    "measure_files": "file_measurement",
    "measurement": "file_measurement",
    "ready": "compiled",
    "to_json": "document",
    "track_names": "file_measurement",
}


def __getattr__(name: str) -> object:
    """Import what needs the compiled loops only when it is asked for."""
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"takewell.engine.{_WHERE[name]}"), name)
