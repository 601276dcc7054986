"""Every row of the check sheet holds, and the committed page is what the code gives."""

from fractions import Fraction

import pytest

from accuracy.check import Check, share_left, within
from accuracy.page import PAGE, page, reading
from accuracy.rows import ROWS


@pytest.fixture
def libraries():
    """Return the comparison with other libraries."""
    pytest.importorskip("pyebur128", reason="needs pyebur128, which is not made for this Python")
    pytest.importorskip("pyloudnorm", reason="needs pyloudnorm")
    from accuracy import libraries

    return libraries


@pytest.mark.parametrize("index", range(len(ROWS)), ids=[check.name for check in ROWS])
def test_the_row_is_within_its_tolerance(index):
    check = ROWS[index]
    value = reading(index)
    if check.expected is None:
        assert value is None
    else:
        assert value is not None
        assert check.expected - check.low <= value <= check.expected + check.high


@pytest.mark.usefixtures("libraries")
def test_the_page_is_fresh():
    assert PAGE.read_text(encoding="utf-8") == page(), (
        "run `cd tests && python -m accuracy` and commit the page"
    )


def test_no_row_stands_twice():
    names = [check.name for check in ROWS]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize(
    ("value", "share"), [(10.0, 1.0), (10.1, 0.5), (9.9, 0.75), (10.3, -0.5), (None, float("-inf"))]
)
def test_the_margin_is_the_share_of_the_tolerance_left(value, share):
    check = Check("chapter", "case", "source", 10.0, 0.4, 0.2, "dB", lambda: value)
    assert share_left(check, value) == pytest.approx(share)


def test_a_value_where_there_must_be_none_fails():
    check = Check("chapter", "case", "source", None, **within(plus_minus=0), unit="", ours=lambda: 1.0)
    assert share_left(check, 1.0) < 0
    assert share_left(check, None) is None


# What the section on libraries says in words, held as numbers.
@pytest.mark.outside
def test_ours_reads_high_tones_where_others_lose(libraries):
    found = libraries.true_peaks(Fraction(2, 5), 44_100)
    assert max(abs(value) for value in found["ours"]) < 0.02
    # -20 lg cos(pi 0.4 / 4)
    assert found["libebur128"][0] == pytest.approx(-0.436, abs=0.02)


@pytest.mark.outside
def test_others_ripple_at_a_quarter_of_the_rate(libraries):
    found = libraries.true_peaks(Fraction(1, 4), 44_100)
    assert max(abs(value) for value in found["ours"]) < 0.02
    assert found["ITU taps"][1] > 0.2
    assert found["libebur128"][0] < -0.15


@pytest.mark.outside
def test_a_short_steady_tone_has_no_range(libraries):
    found = libraries.ranges([(-23, 4)])
    assert found["ours"] == pytest.approx(0, abs=0.01)
    assert found["libebur128"] == pytest.approx(0, abs=0.01)
    assert found["pyloudnorm"] > 1


# 20 lg 0.9950443, the factor by which pyloudnorm scales the high-pass: 0.0432 dB.
@pytest.mark.outside
def test_pyloudnorm_lies_by_its_high_pass_below(libraries):
    found = libraries.integrated(48_000)
    assert found["ours"] == pytest.approx(found["libebur128"], abs=1e-4)
    assert found["ours"] - found["pyloudnorm"] == pytest.approx(0.0432, abs=0.003)


@pytest.mark.outside
def test_the_same_tone_reads_the_same_at_every_rate(libraries):
    at_48, at_192 = libraries.integrated(48_000), libraries.integrated(192_000)
    assert at_192["ours"] == pytest.approx(at_48["ours"], abs=1e-3)
    assert at_192["libebur128"] < at_48["libebur128"] - 0.02
