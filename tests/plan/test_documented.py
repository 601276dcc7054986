"""Everything a profile or a day may say stands in docs/planning.md."""

from pathlib import Path

import pytest

from takewell.kit import KINDS, shipped_profiles
from takewell.kit.fields import accepted_fields
from takewell.plan import day
from takewell.plan.sources import SOURCES

PAGE = (Path(__file__).parents[2] / "docs" / "planning.md").read_text(encoding="utf-8")
TABLES = [
    day.DayFields, day.FileKind, day.SetUpFields, day.TrackFields, day.SourceFields, day.MediaFields, day.CircuitFields,
    day.CountFields, day.TimingFields, day.DeviceFields,
]  # fmt: skip


@pytest.mark.parametrize("table", [*KINDS.values(), *TABLES], ids=lambda table: table.__name__)
def test_every_field_is_explained(table):
    missing = [name for name in accepted_fields(table) if f"`{name}`" not in PAGE]
    assert not missing


def test_every_kind_source_and_shipped_profile_is_named():
    for name in (*KINDS, *SOURCES, *shipped_profiles()):
        assert f"`{name}`" in PAGE, name
