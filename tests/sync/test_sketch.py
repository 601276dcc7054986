"""Sketches: what they hold, whatever the blocks and rates."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sync.conftest import RATE, Heard
from takewell.sync.search import STRETCH_ROWS, Stretch, Strip
from takewell.sync.sketch import BANDS, ROWS_PER_SECOND, _Rows, sketch


def test_two_hours_would_take_six_megabytes() -> None:
    rows = sketch(Heard(np.zeros(10 * RATE)))
    assert rows.moves.nbytes / 10 * 7200 == pytest.approx(5.76e6)
    assert rows.silent


@settings(max_examples=15)
@given(st.lists(st.integers(1, 20_000), min_size=1, max_size=12))
def test_any_blocks_give_the_same_rows(sizes: list[int]) -> None:
    sound = np.random.default_rng(5).standard_normal(sum(sizes)).astype(np.float32)
    whole, parts = _Rows(RATE, len(sound)), _Rows(RATE, len(sound))
    whole.add(sound)
    at = 0
    for size in sizes:
        parts.add(sound[at : at + size])
        at += size
    np.testing.assert_array_equal(whole.finish().moves, parts.finish().moves)


@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000, 96_000])
def test_a_click_stands_in_its_row(rate: int) -> None:
    sound = np.zeros(3 * rate, np.float32)
    sound[round(1.51 * rate)] = 1.0
    assert int(np.argmax(sketch(Heard(sound, rate)).level_db)) == 75


def test_a_steady_tone_does_not_move() -> None:
    tone = np.sin(2 * np.pi * 1000 * np.arange(4 * RATE) / RATE)
    moves = sketch(Heard(tone)).moves
    # Away from the ends, where it sets in.
    assert np.abs(moves[60:-60].astype(int)).max() <= 1


def test_a_stretch_is_found_where_it_was_cut_out(scene: np.ndarray) -> None:
    other = np.random.default_rng(6).standard_normal(20 * RATE) * 0.05
    strip = Strip([sketch(Heard(other)), sketch(Heard(scene))])
    cut = sketch(Heard(scene[40 * RATE : 52 * RATE]))
    (places,) = strip.places([cut], [Stretch(0, 0, len(cut.moves))])
    assert (places[0].recording, places[0].offset_rows) == (1, -40 * ROWS_PER_SECOND)
    assert places[0].likeness > 0.9
    assert places[0].standing_out > 2 * places[1].standing_out


def test_a_stretch_lies_across_no_two_recordings() -> None:
    strip = Strip([sketch(Heard(np.zeros(RATE))), sketch(Heard(np.zeros(RATE)))])
    assert strip.starts[1] - strip.stops[0] == STRETCH_ROWS
    assert strip.rows.shape == (3 * STRETCH_ROWS + 2 * ROWS_PER_SECOND, BANDS)
