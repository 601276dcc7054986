"""A, C and Z against IEC 61672-1:2013, Table 3 and Annex E, and the laws every filter must keep."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfreqz

from accuracy.tables import table
from takewell.errors import SignalError
from takewell.measure.weighting import weighting_db, weighting_sos

TABLE = table("iec61672_weighting_table.csv")
RATES = [48_000, 88_200, 96_000, 176_400, 192_000, 384_000]
LOW_RATES = [8_000, 11_025, 16_000, 22_050, 32_000, 44_100]


def response_db(sos, frequency_hz, rate):
    with np.errstate(divide="ignore"):
        return 20 * np.log10(np.abs(sosfreqz(sos, np.atleast_1d(frequency_hz), fs=rate)[1]))


# The table is rounded to a tenth of a decibel.
@pytest.mark.parametrize("kind", ["A", "C", "Z"])
def test_the_formula_gives_the_table(kind):
    for row in TABLE:
        ours = weighting_db(kind, np.array([row["exact_hz"]]))[0]
        assert ours == pytest.approx(row[f"{kind}_dB"], abs=0.0505)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("kind", ["A", "C", "Z"])
def test_every_row_of_the_table_lies_within_class_1(kind, rate):
    sos = weighting_sos(kind, rate)
    for row in TABLE:
        off = response_db(sos, row["exact_hz"], rate)[0] - row[f"{kind}_dB"]
        assert row["class1_lower_dB"] <= off <= row["class1_upper_dB"]


def share_of_class_1(kind, rate):
    """Return the largest part of the class 1 limits that the filter takes, to the formula, below half the rate.

    The lower limit is minus infinity at some rows: there the upper one is taken both ways.
    """
    rows = [row for row in TABLE if row["exact_hz"] < rate / 2]
    at = np.array([row["exact_hz"] for row in rows])
    limit = np.array([min(row["class1_upper_dB"], -row["class1_lower_dB"]) for row in rows])
    return np.max(np.abs(response_db(weighting_sos(kind, rate), at, rate) - weighting_db(kind, at)) / limit)


@pytest.mark.parametrize("rate", LOW_RATES + RATES)
@pytest.mark.parametrize("kind", ["A", "C"])
def test_a_tenth_of_class_1_is_enough(kind, rate):
    assert share_of_class_1(kind, rate) <= 0.1


@settings(max_examples=40, deadline=None)
@given(rate=st.integers(8_000, 384_000), kind=st.sampled_from(["A", "C"]))
def test_a_tenth_is_enough_at_any_rate(kind, rate):
    assert share_of_class_1(kind, rate) <= 0.1


@settings(max_examples=40, deadline=None)
@given(rate=st.integers(4_000, 768_000), kind=st.sampled_from(["A", "C", "Z"]))
def test_filters_are_stable_of_minimum_phase_and_zero_decibels_at_1_khz(kind, rate):
    sos = weighting_sos(kind, rate)
    for row in sos:
        assert np.all(np.abs(np.roots(row[3:])) < 1)
        assert np.all(np.abs(np.roots(row[:3])) <= 1 + 1e-9)
    assert response_db(sos, 1000.0, rate)[0] == pytest.approx(0, abs=1e-9)


def test_few_sections_suffice():
    assert [len(weighting_sos(kind, 48_000)) for kind in "ACZ"] == [3, 2, 1]


def test_a_filter_handed_out_is_the_callers_own():
    weighting_sos("A", 48_000)[:] = 0
    assert weighting_sos("A", 48_000).any()


def test_a_rate_below_the_reference_is_refused():
    with pytest.raises(SignalError, match=r"2000 Hz is too low .* 4000 Hz or more"):
        weighting_sos("A", 2000)


def test_an_unknown_curve_is_refused():
    with pytest.raises(SignalError, match="'B'; A, C and Z are known"):
        weighting_sos("B", 48_000)
