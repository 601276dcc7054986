"""The K filter against the tables of ITU-R BS.1770-5, and its response at every other rate against theirs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfreqz

from accuracy.tables import document
from takewell.errors import SignalError
from takewell.measure.k_weighting import k_weighting_sos

TABLES = document("bs1770_k_weighting_48k.json")
PRINTED = np.array([TABLES[part]["b"] + TABLES[part]["a"] for part in ("stage1_shelf", "stage2_highpass")])


def response_db(sos, at, rate):
    return 20 * np.log10(np.abs(sosfreqz(sos, at, fs=rate)[1]))


def departure_db(rate):
    """Return the largest difference to the printed filter, 20 Hz to 20 kHz or half the rate."""
    at = np.geomspace(20, min(20_000, 0.499 * rate), 400)
    return np.abs(response_db(k_weighting_sos(rate), at, rate) - response_db(PRINTED, at, 48_000)).max()


# ITU-R BS.1770-5, Annex 1, Tables 1 and 2.
def test_48_khz_is_the_printed_filter():
    assert np.array_equal(k_weighting_sos(48_000), PRINTED)


# Annex 1 asks for "the same frequency response" at other rates; EBU Tech 3341 allows a meter 0.1 LU in all, and a
# thousandth of that is asked here.
@settings(max_examples=60, deadline=None)
@given(rate=st.integers(32_000, 768_000))
def test_other_rates_have_the_same_response(rate):
    assert departure_db(rate) < 1e-4


# Below, half the rate cuts the shelf; a fifth of that 0.1 LU at 8 kHz.
@pytest.mark.parametrize(
    ("rate", "limit_db"), [(8_000, 0.02), (11_025, 0.01), (16_000, 0.002), (22_050, 0.001)]
)
def test_low_rates_come_near(rate, limit_db):
    assert departure_db(rate) < limit_db


@settings(max_examples=60, deadline=None)
@given(rate=st.integers(4_000, 768_000))
def test_filters_are_stable_and_the_high_pass_keeps_its_numerator(rate):
    shelf, high_pass = k_weighting_sos(rate)
    assert high_pass[:3] == pytest.approx([1, -2, 1], abs=1e-12)
    assert max(np.abs(np.roots(shelf[3:])).max(), np.abs(np.roots(high_pass[3:])).max()) < 1


def test_a_rate_without_room_for_the_shelf_is_refused():
    with pytest.raises(SignalError, match="3999 Hz is too low"):
        k_weighting_sos(3999)
