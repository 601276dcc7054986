"""Fields as a person sees them: labels with units, values as text and back."""

import datetime

import pytest

from takewell.kit import KINDS, shipped_kit
from takewell.kit.fields import Accepted, accepted_fields
from takewell.kit.form import FormTable, changed, form_fields, labelled, place_of, place_word, shown, typed


@pytest.mark.parametrize(
    ("name", "label"),
    [
        ("gain_db", ("gain", "dB")),
        ("room_noise_db_a", ("room noise", "dB A")),
        ("sensitivity_mv_pa", ("sensitivity", "mV/Pa")),
        ("ein_dbu", ("EIN", "dBu")),
        ("max_spl_thd_percent", ("max SPL THD", "%")),
        ("name", ("name", "")),
    ],
)
def test_a_label_says_the_unit(name, label):
    assert labelled(name) == label


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        ("number", "−46.5", -46.5),
        ("number", "46", 46),
        ("number", "loud", "loud"),
        ("number", " ", None),
        ("flag", "true", True),
        ("flag", "maybe", "maybe"),
        ("date", "2026-03-01", datetime.date(2026, 3, 1)),
        ("date", "soon", "soon"),
        ("time", "09:30", datetime.time(9, 30)),
        ("words", "A, B,", ["A", "B"]),
        ("pairs", "[[0, 0], [90, -12.5]]", [[0, 0], [90, -12.5]]),
        ("pairs", "[[0", "[[0"),
        ("pairs", "1\ny = 2", "1\ny = 2"),
        ("text", "a = 1", "a = 1"),
    ],
)
def test_what_is_typed_becomes_a_value_or_stays_text(kind, text, value):
    found = typed(Accepted(kind), text)
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize("name", shipped_kit())
def test_every_value_shown_reads_back(name):
    profile = shipped_kit()[name]
    kind = type(profile)
    for field, accepted in accepted_fields(kind).items():
        value = getattr(profile, field)
        if value is None or value in ("", ()):
            continue
        again = typed(accepted, shown(value))
        assert again == (
            [list(v) for v in value]
            if accepted.kind == "pairs"
            else list(value)
            if accepted.kind == "words"
            else value
        )


def test_a_field_says_what_counts_where_it_is_left_out():
    found = {f.place[-1]: f for f in form_fields(KINDS["microphone"], {"phantom_v": 48}, ("x", 0))}
    assert found["phantom_v"].text == "48"
    assert (found["balanced"].text, found["balanced"].usual, found["balanced"].needed) == ("", "true", False)
    assert found["sensitivity_mv_pa"].needed
    assert found["phantom_v"].name == "x/0/phantom_v"


def test_only_what_differs_counts_as_changed():
    form = (FormTable((), "", form_fields(KINDS["load"], {"name": "Lamp", "power_w": 4}, ())),)
    assert changed(form, {"name": "Lamp", "power_w": "4", "standby_w": ""}) == {}
    assert changed(form, {"power_w": "5", "name": ""}) == {("power_w",): 5, ("name",): None}
    assert changed(form, {"kind": "battery"}) == {}


def test_a_place_as_a_word_comes_back():
    place = ("setup", 0, "track", 12, "gain_db")
    assert place_of(place_word(place)) == place
