"""What the logbook keeps comes back equal, whatever fields the values have."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.engine.results import FileMeasurement
from takewell.roll import Finding, Verdict
from takewell.roll.stored import (
    finding_from_cells,
    info_from_json,
    info_to_json,
    lean_info,
    measurement_from_json,
    measurement_to_json,
    text_from_cell,
    text_to_cell,
    value_to_cells,
    verdict_from_cells,
)
from takewell.wave import AudioInfo

LEFT_OUT = {"chunks": (), "xml": b"", "traces": ()}
"""Fields that are kept elsewhere or not needed, and what stands for them."""

texts = st.text(max_size=12)


def filled(kind: Any, *, none: bool) -> st.SearchStrategy[Any]:
    """A strategy for any annotation of our values; with `none`, optional fields are absent."""
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        return st.fixed_dictionaries(
            {
                f.name: st.just(LEFT_OUT[f.name]) if f.name in LEFT_OUT else filled(hints[f.name], none=none)
                for f in fields(kind)
            }
        ).map(lambda values: kind(**values))  # type: ignore[operator]
    origin, given_types = get_origin(kind), get_args(kind)
    if origin in (UnionType, Union):
        return (
            st.none() if none else st.one_of([filled(k, none=none) for k in given_types if k is not NoneType])
        )
    if origin is Literal:
        return st.sampled_from(given_types)
    if origin is tuple and given_types[-1] is Ellipsis:
        return st.lists(filled(given_types[0], none=none), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*(filled(k, none=none) for k in given_types))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return st.dictionaries(
            filled(given_types[0], none=none), filled(given_types[1], none=none), max_size=2
        )
    simple: dict[Any, st.SearchStrategy[Any]] = {
        str: texts, int: st.integers(-(2**53), 2**53), float: st.floats(allow_nan=False), bool: st.booleans(),
        bytes: st.binary(max_size=8), Path: st.just(Path("/roll/a.wav")),
    }  # fmt: skip
    return simple[kind]


either = st.booleans()


@given(either.flatmap(lambda none: filled(AudioInfo, none=none)))
def test_headers_come_back_equal(info: AudioInfo) -> None:
    assert lean_info(info) == info
    assert info_from_json(info_to_json(info), info.path) == info


@given(either.flatmap(lambda none: filled(FileMeasurement, none=none)))
def test_measurements_come_back_equal(measurement: FileMeasurement) -> None:
    assert measurement_from_json(measurement_to_json(measurement), ()) == measurement


@given(either.flatmap(lambda none: filled(Finding, none=none)))
def test_findings_come_back_equal(finding: Finding) -> None:
    assert finding_from_cells(value_to_cells(finding)) == finding


@given(filled(Verdict, none=False))
def test_verdicts_come_back_equal(verdict: Verdict) -> None:
    assert verdict_from_cells(value_to_cells(verdict)) == verdict


@given(st.binary(max_size=20))
def test_names_that_are_no_text_come_back(raw: bytes) -> None:
    name = raw.decode("utf-8", "surrogateescape")
    assert text_from_cell(text_to_cell(name)) == name


def test_what_another_version_wrote_is_refused() -> None:
    with pytest.raises((ValueError, TypeError, KeyError)):
        info_from_json('{"container": "WAVE"}', Path("a"))
    with pytest.raises((ValueError, TypeError, KeyError)):
        measurement_from_json("{}", ())


def test_a_lean_header_drops_the_document(header: Any) -> None:
    info = header("a.wav", take="1").info
    heavy = replace(info, ixml=replace(info.ixml, xml=b"<BWFXML/>"))
    assert lean_info(heavy) == info
