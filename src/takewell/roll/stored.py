"""How are values kept in a logbook, so that they come back equal and a person can still read them?

Conventions: JSON for what is small, one little-endian array per column for traces (float32, int32, int64, as
`takewell.measure.trace.Trace` holds them). Edges that follow the rule of `takewell.units.step_edges` are not
kept but computed again. JSON numbers are written so that they read back to the same float (RFC 8259 with
Python's shortest repr); infinities and NaN stand as ``Infinity`` and ``NaN``, which SQLite can keep but not read.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from takewell.engine.results import Clip, FileFormat, FileMeasurement, Passage, Programme, TrackMeasurement
from takewell.measure.trace import Trace
from takewell.roll.values import Finding, Pair, PairPassage, Verdict
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND, step_edges
from takewell.wave.values import AudioInfo, Bext, Ixml, IxmlTrack

TRACE_COLUMNS = tuple(field.name for field in fields(Trace) if field.name not in ("rate",))
"""Columns of a trace, in the order of the dataclass."""

_EDGES = {"edges": STEPS_PER_SECOND, "fine_edges": FINE_STEPS_PER_SECOND}
_COUNTS = ("nonfinite", "over", "zeros", "flat_run")


def lean_info(info: AudioInfo) -> AudioInfo:
    """Return a header without what takes need not know: the iXML document itself and the list of chunks."""
    ixml = None if info.ixml is None else replace(info.ixml, xml=b"")
    return replace(info, ixml=ixml, chunks=())


def info_to_json(info: AudioInfo) -> str:
    """Return the JSON text of a lean header; its path is kept apart."""
    values = {field.name: getattr(info, field.name) for field in fields(info)}
    del values["path"], values["chunks"]
    values["info"] = dict(info.info)
    if info.bext is not None:
        values["bext"] = asdict(info.bext) | {"umid": info.bext.umid.hex()}
    if info.ixml is not None:
        values["ixml"] = asdict(replace(info.ixml, xml=b""))
        del values["ixml"]["xml"]
    return json.dumps(values)


def info_from_json(text: str, path: Any) -> AudioInfo:
    """Return the header kept as `text`.

    Raises
    ------
    ValueError, TypeError, KeyError
        If the text is none that `info_to_json` of this version writes.
    """
    values: dict[str, Any] = json.loads(text)
    bext, ixml = values["bext"], values["ixml"]
    if bext is not None:
        values["bext"] = Bext(**bext | {"umid": bytes.fromhex(bext["umid"])})
    if ixml is not None:
        ixml["tracks"] = tuple(IxmlTrack(**track) for track in ixml["tracks"])
        ixml["take_type"] = tuple(ixml["take_type"])
        values["ixml"] = Ixml(**ixml)
    values["cues"] = tuple((sample, label) for sample, label in values["cues"])
    values["recoveries"] = tuple(values["recoveries"])
    return AudioInfo(path=path, **values)


def measurement_to_json(measurement: FileMeasurement) -> str:
    """Return the JSON text of a measurement without its traces."""
    values = asdict(replace(measurement, traces=()))
    del values["traces"]
    return json.dumps(values)


def measurement_from_json(text: str, traces: tuple[Trace, ...]) -> FileMeasurement:
    """Return the measurement kept as `text`, with its traces.

    Raises
    ------
    ValueError, TypeError, KeyError
        If the text is none that `measurement_to_json` of this version writes.
    """
    values: dict[str, Any] = json.loads(text)
    programme = values["programme"]
    return FileMeasurement(
        file=values["file"],
        format=FileFormat(**values["format"]),
        tracks=tuple(_track_measurement(track) for track in values["tracks"]),
        programme=None if programme is None else Programme(**programme),
        notes=tuple(values["notes"]),
        traces=traces,
    )


def _track_measurement(values: Mapping[str, Any]) -> TrackMeasurement:
    passages = tuple(Passage(**passage) for passage in values["passages"])
    clips = tuple(Clip(**clip) for clip in values["clips"])
    return TrackMeasurement(**{**values, "passages": passages, "clips": clips})


def trace_to_columns(trace: Trace) -> dict[str, bytes | None]:
    """Return the bytes of each column of a trace, None for edges that can be computed."""
    columns: dict[str, bytes | None] = {}
    for name in TRACE_COLUMNS:
        array = getattr(trace, name)
        regular = name in _EDGES and np.array_equal(
            array, step_edges(trace.length_samples, trace.rate, _EDGES[name])
        )
        columns[name] = None if regular else np.ascontiguousarray(array, dtype=_kind(name)).tobytes()
    return columns


def trace_from_columns(rate: int, length_samples: int, columns: Mapping[str, bytes | None]) -> Trace:
    """Return the trace that `trace_to_columns` took apart; its arrays are read-only."""
    arrays: dict[str, Any] = {}
    for name, data in columns.items():
        if data is None:
            arrays[name] = _regular_edges(length_samples, rate, _EDGES[name])
        else:
            arrays[name] = np.frombuffer(data, dtype=_kind(name)).astype(
                _kind(name).newbyteorder("="), copy=False
            )
    return Trace(rate=rate, **arrays)


@lru_cache(maxsize=4)
def _regular_edges(length_samples: int, rate: int, per_second: int) -> NDArray[np.int64]:
    """Return step edges, held once for all tracks of a file."""
    edges = step_edges(length_samples, rate, per_second)
    edges.setflags(write=False)
    return edges


def _kind(column: str) -> np.dtype[Any]:
    if column in _EDGES:
        return np.dtype("<i8")
    return np.dtype("<i4" if column in _COUNTS else "<f4")


def silent_trace(length_samples: int, rate: int) -> Trace:
    """Return the trace of digital silence: what stands for a stretch that no file holds."""
    edges = step_edges(length_samples, rate)
    fine_edges = step_edges(length_samples, rate, FINE_STEPS_PER_SECOND)
    silence: NDArray[np.float32] = np.zeros(len(edges) - 1, np.float32)
    none: NDArray[np.int32] = np.zeros(len(edges) - 1, np.int32)
    fine: NDArray[np.float32] = np.zeros(len(fine_edges) - 1, np.float32)
    return Trace(
        rate=rate, edges=edges, peak=silence, true_peak_bound=silence, mean=silence, rms=silence,
        k_rms=silence, a_rms=silence, nonfinite=none, over=none, zeros=np.diff(edges).astype(np.int32),
        flat_run=none, fine_edges=fine_edges, fine_rms=fine, fine_k_rms=fine, fine_bend=fine,
    )  # fmt: skip


def text_to_cell(text: str) -> str | bytes:
    """Return a text for SQLite: itself, or its bytes where a file's name is no UTF-8."""
    raw = text.encode("utf-8", "surrogateescape")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw


def text_from_cell(cell: str | bytes) -> str:
    """Return the text that `text_to_cell` was given."""
    return cell if isinstance(cell, str) else cell.decode("utf-8", "surrogateescape")


def value_to_cells(value: Finding | Verdict) -> tuple[Any, ...]:
    """Return the cells of a finding or a verdict, in the order of its fields."""
    return tuple(_cell(getattr(value, field.name)) for field in fields(value))


def _cell(value: Any) -> Any:
    if isinstance(value, Mapping):
        return json.dumps(dict(value))
    return text_to_cell(value) if isinstance(value, str) else value


def finding_from_cells(cells: Sequence[Any]) -> Finding:
    """Return the finding whose cells stand in the order of its fields."""
    values = dict(zip((field.name for field in fields(Finding)), map(_text, cells), strict=True))
    return Finding(**values | {"evidence": json.loads(values["evidence"])})


def verdict_from_cells(cells: Sequence[Any]) -> Verdict:
    """Return the verdict whose cells stand in the order of its fields."""
    return Verdict(*map(_text, cells))


def pairs_to_json(pairs: Sequence[Pair]) -> str:
    """Return the JSON text of an examination's pairs."""
    return json.dumps([asdict(pair) for pair in pairs])


def pairs_from_json(text: str) -> tuple[Pair, ...]:
    """Return the pairs that `pairs_to_json` wrote."""
    return tuple(
        Pair(**{**pair, "passages": tuple(PairPassage(**passage) for passage in pair["passages"])})
        for pair in json.loads(text)
    )


def _text(cell: Any) -> Any:
    return text_from_cell(cell) if isinstance(cell, bytes) else cell
