"""Gain envelopes: what a row of moves makes of every single sample."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.errors import SettingError
from takewell.shape import GainEnvelope, GainSpan

RATE = 48_000


@dataclass(frozen=True)
class Line:
    start_s: float
    end_s: float
    gain_db: float
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0


def gain_db(envelope: GainEnvelope, position: int) -> float:
    return float(20 * np.log10(envelope.factors(position, 1)[0]))


def naive(envelope: GainEnvelope, position: int) -> float:
    """The module's formula, sample by sample."""
    pieces = list(zip(envelope.starts, envelope.from_db, envelope.to_db, strict=True))
    at = max([k for k, piece in enumerate(pieces) if piece[0] <= position], default=0)
    start, g0, g1 = pieces[at]
    end = pieces[at + 1][0] if at + 1 < len(pieces) else envelope.length_samples
    if g0 == g1:
        return 10 ** (g0 / 20)
    u = (position - start + 0.5) / (end - start)
    if envelope.shape == "raised_cosine":
        u = (1 - math.cos(math.pi * u)) / 2
    return 10 ** ((g0 + (g1 - g0) * u) / 20)


def test_one_move_over_the_whole_track_is_one_factor() -> None:
    envelope = GainEnvelope.from_moves([Line(0, 2, -6.0)], RATE, 2 * RATE)
    assert np.all(envelope.factors(0, 2 * RATE) == 10 ** (-6 / 20))


def test_no_gain_leaves_a_factor_of_exactly_one() -> None:
    assert np.all(GainEnvelope.from_moves([], RATE, RATE).factors(0, RATE) == 1.0)
    assert GainEnvelope.from_moves([Line(0, 1, 0.0)], RATE, RATE).is_unity


def test_without_fades_the_gain_steps_on_the_sample() -> None:
    envelope = GainEnvelope.from_spans([GainSpan(0, 100, 3.0), GainSpan(100, 200, -3.0)], 200)
    factors = envelope.factors(0, 200)
    assert np.all(factors[:100] == 10 ** (3 / 20))
    assert np.all(factors[100:] == 10 ** (-3 / 20))


def test_a_join_runs_from_the_fade_out_to_the_fade_in_and_is_half_way_at_its_middle() -> None:
    envelope = GainEnvelope.from_spans(
        [GainSpan(0, 1000, 0.0, fade_out=100), GainSpan(1000, 2000, 20.0, fade_in=300)], 2000
    )
    assert gain_db(envelope, 899) == 0.0
    assert 0.0 < gain_db(envelope, 900) < 0.01
    # The middle of samples 900 to 1299 lies between 1099 and 1100.
    assert gain_db(envelope, 1099) + gain_db(envelope, 1100) == pytest.approx(20.0)
    assert gain_db(envelope, 1300) == pytest.approx(20.0)


def test_a_db_linear_join_rises_by_equal_steps() -> None:
    envelope = GainEnvelope.from_spans(
        [GainSpan(0, 500, -10.0, fade_out=200), GainSpan(500, 900, 30.0, fade_in=200)],
        900,
        shape="db_linear",
    )
    join = 20 * np.log10(envelope.factors(300, 400))
    assert np.diff(join) == pytest.approx(40 / 400)


def test_a_move_that_stands_alone_comes_from_and_goes_back_to_no_gain_inside_its_span() -> None:
    envelope = GainEnvelope.from_spans([GainSpan(1000, 2000, -12.0, fade_in=100, fade_out=100)], 3000)
    decibels = 20 * np.log10(envelope.factors(0, 3000))
    assert np.all(decibels[:1000] == 0)
    assert np.all(decibels[2000:] == 0)
    assert decibels[1100:1900] == pytest.approx(-12.0)
    assert np.all(np.diff(decibels[999:1101]) <= 0)
    assert np.all(np.diff(decibels[1899:2001]) >= 0)


def test_the_ends_of_the_track_have_no_fade() -> None:
    envelope = GainEnvelope.from_spans([GainSpan(0, 500, 7.0, fade_in=100, fade_out=100)], 500)
    assert np.all(envelope.factors(0, 500) == 10 ** (7 / 20))


def test_fades_longer_than_their_span_share_it() -> None:
    envelope = GainEnvelope.from_spans(
        [GainSpan(0, 100, 0.0), GainSpan(100, 150, 10.0, fade_in=300, fade_out=100), GainSpan(150, 300, 0.0)],
        300,
    )
    decibels = 20 * np.log10(envelope.factors(0, 300))
    assert decibels.max() <= 10.0
    assert np.all(decibels[:100] == 0)
    assert np.all(decibels[150:] == 0)


def test_times_find_their_sample_at_any_rate_with_nine_decimals() -> None:
    for rate in (44_100, 48_000, 96_000, 384_000):
        for position in (1, 12_345, rate * 3600 * 5 + 7):
            line = Line(0, round(position / rate, 9), 6.0)
            envelope = GainEnvelope.from_moves([line], rate, position + 10)
            assert envelope.constant_over(0, position) == 10 ** (6 / 20)
            assert envelope.constant_over(position, 10) == 1.0


def test_moves_may_come_in_any_order_and_beyond_the_end() -> None:
    lines = [Line(1, 99, 5.0), Line(0, 1, -5.0)]
    envelope = GainEnvelope.from_moves(lines, RATE, 2 * RATE)
    assert envelope.constant_over(0, RATE) == 10 ** (-5 / 20)
    assert envelope.constant_over(RATE, RATE) == 10 ** (5 / 20)


@pytest.mark.parametrize(
    ("lines", "what"),
    [
        ([Line(0, 2, 1.0), Line(1, 3, 1.0)], "overlap"),
        ([Line(2, 1, 1.0)], "before it starts"),
        ([Line(0, 1, math.nan)], "not a number"),
        ([Line(0, 1, 4000.0)], "not a number within 400"),
        ([Line(0, math.inf, 1.0)], "the time inf"),
        ([Line(0, 1, 1.0, fade_in_s=-1)], "fades"),
    ],
)
def test_what_cannot_be_meant_is_refused(lines: list[Line], what: str) -> None:
    with pytest.raises(SettingError, match=what):
        GainEnvelope.from_moves(lines, RATE, 4 * RATE)


spans = st.lists(
    st.tuples(
        st.integers(0, 400), st.integers(1, 300), st.floats(-90, 90), st.integers(0, 200), st.integers(0, 200)
    ),
    max_size=6,
)


def laid_out(parts: list[tuple[int, int, float, int, int]]) -> list[GainSpan]:
    at, found = 0, []
    for gap, length, gain, fade_in, fade_out in parts:
        found.append(GainSpan(at + gap, at + gap + length, gain, fade_in, fade_out))
        at += gap + length
    return found


@given(spans, st.sampled_from(["raised_cosine", "db_linear"]), st.lists(st.integers(1, 500), max_size=8))
def test_any_split_gives_the_same_factors_and_they_are_the_formula(parts, shape, cuts) -> None:  # type: ignore[no-untyped-def]
    length = sum(gap + long for gap, long, *_ in parts) + 50
    envelope = GainEnvelope.from_spans(laid_out(parts), length, shape=shape)
    whole = envelope.factors(0, length)
    pieces, at = [], 0
    for cut in [*cuts, length]:
        count = min(cut, length - at)
        pieces.append(envelope.factors(at, count))
        at += count
    assert np.array_equal(np.concatenate(pieces), whole)
    assert np.array_equal(envelope.factors_at(np.arange(length)), whole)
    assert whole == pytest.approx([naive(envelope, n) for n in range(length)], rel=1e-13)


@given(spans, st.integers(0, 500))
def test_a_continuation_file_sees_the_same_gains(parts, start) -> None:  # type: ignore[no-untyped-def]
    length = sum(gap + long for gap, long, *_ in parts) + 600
    envelope = GainEnvelope.from_spans(laid_out(parts), length)
    seen = envelope.shifted(start, length - start)
    assert np.array_equal(seen.factors(0, 100), envelope.factors(start, 100))


@given(spans)
def test_no_gain_overshoots_the_gains_it_travels_between(parts) -> None:  # type: ignore[no-untyped-def]
    length = sum(gap + long for gap, long, *_ in parts) + 1
    gains = [0.0, *(gain for _, _, gain, _, _ in parts)]
    decibels = 20 * np.log10(GainEnvelope.from_spans(laid_out(parts), length).factors(0, length))
    assert decibels.min() >= min(gains) - 1e-9
    assert decibels.max() <= max(gains) + 1e-9
