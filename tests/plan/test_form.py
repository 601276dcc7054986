"""A day as a form: every field of its text can be reached, and what comes and goes leaves a day that can be read."""

import tomllib
from pathlib import Path

import pytest

from takewell.errors import FileError, SettingError
from takewell.kit.edit import with_values
from takewell.kit.form import changed
from takewell.plan import example_day, parse_day, plan_day
from takewell.plan.form import day_form, with_one_less, with_one_more

HERE = Path("/nowhere/day.toml")


def places(tables):
    for table in tables:
        yield from (field.place for field in table.fields)
        for inner in table.inner.values():
            yield from places(inner)


def leaves(value, place=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*place, key))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for k, inner in enumerate(value):
            yield from leaves(inner, (*place, k))
    else:
        yield place


def test_every_value_of_the_example_has_its_field():
    assert set(leaves(tomllib.loads(example_day()))) <= set(places(day_form(example_day(), HERE)))


def test_a_changed_gain_moves_the_level_in_the_file_by_as_much():
    # Arithmetic: more gain ahead of the file is as much more level in it, where nothing limits.
    text = example_day()
    form = day_form(text, HERE)
    louder = with_values(text, changed(form, {"setup/0/track/0/gain_db": "40"}))
    before, after = (plan_day(parse_day(t, HERE)).set_ups[0].tracks[0].levels for t in (text, louder))
    assert after.quietest_speech.passed[-1].rms_db - before.quietest_speech.passed[
        -1
    ].rms_db == pytest.approx(-6)


def test_a_plan_made_from_an_earlier_one_is_the_same_plan():
    text = example_day()
    louder = with_values(text, {("setup", 1, "track", 0, "gain_db"): 31, ("setup", 2, "room_noise_db_a"): 30})
    day = parse_day(louder, HERE)
    assert plan_day(day, plan_day(parse_day(text, HERE))) == plan_day(day)
    other = parse_day(with_values(text, {("risk_percent",): 5}), HERE)
    assert plan_day(other, plan_day(day)) == plan_day(other)


@pytest.mark.parametrize(
    "place",
    [
        ("setup",), ("setup", 0, "track"), ("setup", 0, "track", 0, "source"), ("file",), ("power",), ("clock",),
        ("power", 0, "load"), ("power", 0, "battery"),
    ],
)  # fmt: skip
def test_one_more_is_a_day_still_and_one_less_is_the_day_before(place):
    text = example_day()
    more = with_one_more(text, place)
    parse_day(more, HERE)
    held = tomllib.loads(text)
    for part in place:
        held = held[part]
    assert tomllib.loads(with_one_less(more, (*place, len(held)))) == tomllib.loads(text)


@pytest.mark.parametrize("key", ["power", "clock"])
def test_the_first_one_of_a_kind_comes_from_a_pattern(key):
    text = example_day()
    for _ in tomllib.loads(text)[key]:
        text = with_one_less(text, (key, 0))
    assert key not in tomllib.loads(text)
    again = with_one_more(text, (key,))
    parse_day(again, HERE)
    assert len(tomllib.loads(again)[key]) == 1


@pytest.mark.parametrize(
    "place",
    [("kettle",), ("setup", 9, "track"), ("setup", 0, "name", 0), ("name",), ("setup", "x"), ("",), (0,)],
)
def test_what_no_day_has_cannot_be_added(place):
    with pytest.raises(SettingError, match=r"A day has no \[\["):
        with_one_more(example_day(), place)


def test_nothing_is_added_to_what_is_no_toml():
    with pytest.raises(SettingError, match=r"line 1: this is no TOML"):
        with_one_more("a = = 1", ("clock",))


def test_a_form_is_drawn_of_a_text_that_is_wrong():
    wrong = example_day().replace("gain_db = 46", 'gain_db = "loud"', 1).replace("[media]", "[[media]]")
    form = day_form(wrong, HERE)
    assert any(f.text == "loud" for t in form[1].inner["track"] for f in t.fields)
    assert all(not f.text for table in form if table.place == ("media",) for f in table.fields)
    with pytest.raises(SettingError, match=r"line \d+: this is no TOML"):
        day_form("a = = 1", HERE)


def test_a_profile_is_asked_about_before_it_is_read(tmp_path):
    (tmp_path / "secret.toml").write_text("x = 1")
    text = example_day().replace('"supercardioid"', '"../secret.toml"', 1)

    def refuse(path):
        raise FileError(f"{path} lies outside.")

    with pytest.raises(FileError, match="lies outside"):
        parse_day(text, tmp_path / "day" / "day.toml", allowed=refuse)
