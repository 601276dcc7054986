"""The drawings: every value lands where its scale says, and hostile words stay words."""

import re

import numpy as np
import pytest
from lxml import etree

from takewell.draw import PAGE, PAPER, Bracket, Mark, columns, thumbnail, track_drawing
from takewell.draw.track import clock, scale_range, signed, time_step_s

SVG = "{http://www.w3.org/2000/svg}"


def steady(steps=1000, duration_s=100.0, count=500):
    return columns(duration_s, np.full(steps, -70.0), np.full(steps, -30.0), np.full(steps, -15.0), count)


def elements(svg, tag):
    return list(etree.fromstring(svg.encode()).iter(SVG + tag))


def texts(svg):
    return [element.text for element in elements(svg, "text")]


def test_no_peak_is_lost_however_few_the_columns():
    peak = np.full(7201, -40.0)
    peak[4321] = 12.5
    shown = columns(720.1, np.full(7201, -70.0), np.full(7201, -50.0), peak, 97)
    assert shown.peak_dbfs.max() == 12.5
    place = shown.time_s[shown.peak_dbfs.argmax()]
    assert place == pytest.approx(432.15, abs=720.1 / 97)


def test_the_lowest_floor_of_a_column_is_kept():
    floor = np.full(1000, -60.0)
    floor[500] = -90.0
    assert columns(100, floor, floor + 20, floor + 30, 100).floor_dbfs.min() == -90.0


def test_a_column_of_pauses_and_speech_shows_the_speech():
    level = np.where(np.arange(1000) % 5 == 0, -30.0, -70.0)  # one step in five is speech
    assert columns(100, level, level, level, 20).level_dbfs == pytest.approx(np.full(20, -30.0))


@pytest.mark.parametrize("steps", [0, 1, 2, 3])
def test_a_track_of_hardly_any_steps_can_be_drawn(steps):
    shown = columns(steps / 10, np.full(steps, -70.0), np.full(steps, -30.0), np.full(steps, -15.0), 500)
    assert elements(track_drawing(shown, title="short", palette=PAPER, target_dbfs=-20), "line")
    assert elements(thumbnail(shown, title="short", palette=PAPER), "line")


def test_silence_is_drawn_at_the_foot_not_as_an_error():
    silent = np.full(100, -np.inf)
    svg = track_drawing(columns(10, silent, silent, silent, 50), title="silent", palette=PAPER)
    assert "nan" not in svg
    assert "inf" not in svg


def test_full_scale_and_target_lie_where_the_scale_says():
    svg = track_drawing(steady(), title="t", palette=PAPER, height=200, target_dbfs=-20.0)
    by_y = {float(e.get("y1")): e for e in elements(svg, "line")}
    labels = {e.text: float(e.get("y")) - 4 for e in elements(svg, "text")}
    dotted = next(y for y, e in by_y.items() if e.get("stroke-dasharray"))
    assert dotted == pytest.approx(labels["−20"], abs=0.1)
    assert labels["full scale"] == pytest.approx(labels["0"], abs=0.1)


def test_a_mark_stands_over_its_place_in_time():
    svg = track_drawing(steady(), title="t", palette=PAPER, width=1110, marks=[Mark(50, 60, "flat")])
    box = elements(svg, "rect")[0]
    left, right = 46, 1110 - 92
    assert float(box.get("x")) == pytest.approx(left + 0.5 * (right - left), abs=0.1)
    assert float(box.get("width")) == pytest.approx(0.1 * (right - left), abs=0.1)


def test_every_move_is_a_bracket_and_shows_its_gain():
    moves = [Bracket(0, 30, 7.0), Bracket(30, 60, -29.0), Bracket(60, 100, 0.0)]
    svg = track_drawing(steady(), title="t", palette=PAPER, moves=moves)
    assert {"+7.0 dB", "−29.0 dB", "0.0 dB"} <= set(texts(svg))


def test_words_that_find_no_room_are_counted_not_dropped():
    marks = [Mark(10 + k / 100, 10 + k / 100, "a rather long sentence about a place") for k in range(10)]
    svg = track_drawing(steady(), title="t", palette=PAPER, marks=marks)
    assert len(elements(svg, "rect")) == 10
    assert "+ 7 more" in texts(svg)


def test_damage_is_told_by_words_and_outline_not_by_colour_alone():
    svg = track_drawing(steady(), title="t", palette=PAPER, marks=[Mark(1, 2, "flat at −8.1 dBFS")])
    assert elements(svg, "rect")[0].get("stroke-dasharray")
    assert "flat at −8.1 dBFS" in texts(svg)


@pytest.mark.parametrize("draw", [track_drawing, thumbnail])
def test_words_from_files_cannot_become_markup(draw):
    hostile = '"><script>alert(1)</script>&'
    svg = draw(steady(), title=hostile, palette=PAGE, marks=[Mark(1, 2, hostile)])
    assert not elements(svg, "script")
    assert etree.fromstring(svg.encode()).get("aria-label") == hostile


def test_the_scale_holds_everything_in_whole_twenties():
    shown = columns(1, np.array([-107.0]), np.array([-30.0]), np.array([31.0]), 1)
    assert scale_range(shown, -20) == (40.0, -120.0)


@pytest.mark.parametrize(("value", "digits", "text"), [(-7.04, 1, "−7.0"), (3, 0, "+3"), (-0.01, 1, "0.0")])
def test_figures_carry_a_true_minus_or_a_plus(value, digits, text):
    assert signed(value, digits) == text


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00"), (61, "1:01"), (3599.6, "1:00:00"), (7325, "2:02:05")]
)
def test_clock_times(seconds, text):
    assert clock(seconds) == text


@pytest.mark.parametrize("duration_s", [0.5, 9, 61, 3600, 40_000, 400_000])
def test_time_labels_never_crowd(duration_s):
    assert duration_s / time_step_s(duration_s, 13) <= 13


def test_drawing_a_long_take_stays_small():
    steps = 72_000  # two hours
    rng = np.random.default_rng(1)
    level = rng.normal(-30, 4, steps)
    svg = track_drawing(columns(7200, level - 40, level, level + 12, 972), title="t", palette=PAPER)
    assert len(svg) < 60_000
    assert re.match(r"<svg ", svg)
