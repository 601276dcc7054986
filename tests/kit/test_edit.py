"""A TOML text changed at a few places: what was changed is, and nothing else."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.errors import SettingError
from takewell.kit.edit import with_another, with_values, without

DAY = """# A day, and why it is as it is.
name = "Pass"     # working title

[[setup]]
name = "hut"
source = [
  { kind = "normal", distance_m = 0.9 },  # stands by the stove
  { kind = "shout", distance_m = 2 },
]

[[setup]]
name = "ridge"
"""


def test_a_value_changes_and_comments_and_spacing_stay():
    changed = with_values(DAY, {("setup", 0, "source", 1, "distance_m"): 2.5, ("name",): "Hut"})
    assert changed == DAY.replace("distance_m = 2 }", "distance_m = 2.5 }").replace('"Pass"', '"Hut"')


def test_a_key_is_taken_out_and_a_missing_one_comes_in():
    changed = with_values(DAY, {("setup", 1, "name"): None, ("setup", 0, "room_noise_db_a"): 26})
    assert tomllib.loads(changed)["setup"][1] == {}
    assert tomllib.loads(changed)["setup"][0]["room_noise_db_a"] == 26
    assert with_values(DAY, {("nothing",): None}) == DAY


def test_an_entry_is_copied_behind_the_last_and_taken_away_again():
    more = with_another(DAY, ("setup", 0, "source"), {"kind": "relaxed"})
    assert [s["kind"] for s in tomllib.loads(more)["setup"][0]["source"]] == ["normal", "shout", "relaxed"]
    assert "# stands by the stove" in more
    assert tomllib.loads(without(more, ("setup", 0, "source", 2))) == tomllib.loads(DAY)
    assert [s["name"] for s in tomllib.loads(without(DAY, ("setup", 0)))["setup"]] == ["ridge"]


def test_the_last_entry_takes_its_array_with_it():
    assert "source" not in without(without(DAY, ("setup", 0, "source", 0)), ("setup", 0, "source", 0))


@pytest.mark.parametrize(
    "place", [("setup", 7, "name"), ("name", "x"), ("setup", "name"), ("nowhere", 0, "x")]
)
def test_a_place_that_is_not_there_is_refused(place):
    with pytest.raises(SettingError, match="open it again"):
        with_values(DAY, {place: 1})


@pytest.mark.parametrize("place", [("setup", 7), ("name",), ("setup", 0, "source", 9), ("nothing", 0)])
def test_an_entry_that_is_not_there_cannot_be_taken_away(place):
    with pytest.raises(SettingError, match="open it again"):
        without(DAY, place)


def test_what_is_no_toml_is_refused_with_its_line():
    with pytest.raises(SettingError, match="line 2: this is no TOML"):
        with_values("a = 1\nb = = 2\n", {("a",): 2})


@given(st.text(max_size=40), st.floats(allow_nan=False, allow_infinity=False), st.booleans())
def test_any_value_comes_back_as_it_was_set(words, number, flag):
    held = tomllib.loads(
        with_values(DAY, {("note",): words, ("setup", 1, "x"): number, ("setup", 1, "y"): flag})
    )
    assert (held["note"], held["setup"][1]["x"], held["setup"][1]["y"]) == (words, number, flag)
