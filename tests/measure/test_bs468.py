"""BS.468 weighting and the quasi-peak detector against the tables of ITU-R BS.468-4, CCIR-RMS against AES17-2015."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfreqz

from accuracy.signals import burst_train, sine, tone_burst
from accuracy.tables import table
from takewell.errors import SignalError
from takewell.measure.bs468 import bs468_db, bs468_sos, ccir_rms_dbfs, quasi_peak_dbfs

CURVE = table("bs468_weighting_table.csv")
RATES = [32_000, 44_100, 48_000, 96_000, 192_000]

# At 6.3 kHz the recommendation prints a tolerance of 0, which nothing satisfies; the table's own rounding is 0.05 dB.
ROUNDING_DB = 0.05


def reading(channel, rate):
    return float(quasi_peak_dbfs(channel[:, None], rate)[0])


def per_cent_of_steady(channel, rate):
    return 100 * 10 ** ((reading(channel, rate) - reading(sine(5000, 0, 3, rate), rate)) / 20)


def test_the_formula_gives_the_table():
    for row in CURVE:
        assert bs468_db(np.array([row["hz"]]))[0] == pytest.approx(row["response_dB"], abs=0.0505)


@settings(max_examples=20, deadline=None)
@given(rate=st.integers(32_000, 384_000))
def test_every_row_of_the_curve_is_kept_by_a_stable_filter_at_every_rate(rate):
    assert all(np.abs(np.roots(row[3:])).max() < 1 for row in bs468_sos(rate))
    rows = [row for row in CURVE if row["hz"] < rate / 2]
    ours = 20 * np.log10(np.abs(sosfreqz(bs468_sos(rate), [row["hz"] for row in rows], fs=rate)[1]))
    for row, value in zip(rows, ours, strict=True):
        # The fit stays within an eighth of the tolerance to the formula, the formula within the table's rounding.
        limit = 0.125 * max(row["tolerance_dB_pm"], 0.2) + ROUNDING_DB
        assert value == pytest.approx(row["response_dB"], abs=limit)


@pytest.mark.parametrize("rate", RATES)
def test_dc_is_blocked(rate):
    assert np.prod(bs468_sos(rate)[:, :3].sum(axis=1)) == pytest.approx(0, abs=1e-12)


# The project's aim is a fifth of what the recommendation allows (the limits themselves are checked below).
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    "row", table("bs468_quasi_peak_single_bursts.csv"), ids=lambda row: f"{row['burst_ms']} ms"
)
def test_single_bursts_read_as_the_table_says(row, rate):
    ours = per_cent_of_steady(tone_burst(5000, row["burst_ms"] / 1000, rate), rate)
    assert row["lower_pct"] < ours < row["upper_pct"]
    side = row["upper_pct"] if ours > row["reference_pct"] else row["lower_pct"]
    assert abs(ours - row["reference_pct"]) <= 0.2 * abs(side - row["reference_pct"])


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    "row", table("bs468_quasi_peak_burst_trains.csv"), ids=lambda row: f"{row['bursts_per_s']}/s"
)
def test_burst_trains_read_as_the_table_says(row, rate):
    ours = per_cent_of_steady(burst_train(5000, 0.005, row["bursts_per_s"], 3, rate), rate)
    assert row["lower_pct"] < ours < row["upper_pct"]
    side = row["upper_pct"] if ours > row["reference_pct"] else row["lower_pct"]
    assert abs(ours - row["reference_pct"]) <= 0.2 * abs(side - row["reference_pct"])


# BS.468-4, overload: readings of 0.6 ms bursts follow the input within 1 dB over 20 dB.
def test_short_bursts_follow_their_level_over_20_db():
    burst = tone_burst(5000, 0.0006, 48_000)
    readings = [reading(burst * 10 ** (-step / 20), 48_000) + step for step in range(0, 21, 4)]
    assert np.ptp(readings) < 1e-6


# BS.468-4: turning asymmetrical pulses over changes the reading by at most 0.5 dB.
def test_turning_pulses_over_changes_nothing():
    pulses = np.zeros(96_000)
    pulses[np.arange(0, 96_000, 480)[:, None] + np.arange(48)] = 0.5
    assert reading(pulses, 48_000) == pytest.approx(reading(-pulses, 48_000), abs=1e-9)


# BS.468-4: the reading overshoots a 1 kHz tone that is switched on by no more than 0.3 dB.
@pytest.mark.parametrize("rate", RATES)
def test_a_tone_switched_on_does_not_overshoot(rate):
    assert reading(np.concatenate([np.zeros(rate), sine(1000, 0, 3, rate)]), rate) <= 0.3


# Calibration: a steady 1 kHz sine reads its RMS (0.775 V there, full scale here).
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("level_dbfs", [0.0, -40.0, 60.0])
def test_a_steady_tone_at_1_khz_reads_its_level(rate, level_dbfs):
    assert reading(sine(1000, level_dbfs, 3, rate), rate) == pytest.approx(level_dbfs, abs=0.01)


# The detector looks between the samples: near a quarter of the rate the phase must not matter (0.1 dB chosen).
def test_the_phase_of_a_high_tone_does_not_matter():
    readings = [reading(sine(12_000, 0, 3, 48_000, phase), 48_000) for phase in (0, 20, 45)]
    assert np.ptp(readings) < 0.1


# AES17-2015, 5.2.7: 0 dB at 2 kHz; a tone of -20 dBFS at 1 kHz reads -25.63 dBFS CCIR-RMS.
@pytest.mark.parametrize("rate", RATES)
def test_ccir_rms_reads_tones_as_aes17_says(rate):
    tones = np.stack([sine(1000, -20, 2, rate), sine(2000, -20, 2, rate)], axis=1)
    assert ccir_rms_dbfs(tones, rate) == pytest.approx([-25.63, -20.0], abs=0.03)


def test_silence_reads_minus_infinity():
    silence = np.zeros((48_000, 2))
    assert np.all(np.isneginf(quasi_peak_dbfs(silence, 48_000)))
    assert np.all(np.isneginf(ccir_rms_dbfs(silence, 48_000)))


@pytest.mark.parametrize("measure", [quasi_peak_dbfs, ccir_rms_dbfs])
def test_a_nan_is_refused_and_placed(measure):
    samples = np.zeros((48_000, 2))
    samples[70, 1] = np.nan
    with pytest.raises(SignalError, match=r"channel 2 .* sample 70"):
        measure(samples, 48_000)


@pytest.mark.parametrize("measure", [quasi_peak_dbfs, ccir_rms_dbfs])
def test_a_rate_that_misses_the_band_is_refused(measure):
    with pytest.raises(SignalError, match="16000 Hz is too low"):
        measure(np.zeros((100, 1)), 16_000)
