"""Readings of two independent implementations, taken once and kept as a table, against ours on the same signals.

libebur128 1.2.6 follows ITU-R BS.1770-5 at 48 kHz to the letter, so four decimals must agree; ffmpeg 5.1.9 prints one.
"""

import numpy as np
import pytest

from accuracy.level_rows import MOVED, PATTERNS, speech_level_the_slow_way
from accuracy.loudness_rows import programme_case, range_case
from accuracy.readings import measured
from accuracy.signals import steps
from accuracy.tables import table
from accuracy.true_peak_rows import true_peak_case

RATE = 48_000
READINGS = {next(iter(row.values())): row for row in table("loudness_reference_readings.csv")}
TRUE_PEAKS = {int(row["case"]): row for row in table("ebu_tech3341_truepeak_method_readings.csv")}
COLUMNS = {
    "integrated_lufs": "libebur128_1.2.6_I_LUFS",
    "loudness_range_lu": "LRA_LU",
    "momentary_max_lufs": "max_M_LUFS (10 ms readings)",
    "short_term_max_lufs": "max_S_LUFS (10 ms readings)",
}
FFMPEG_COLUMNS = {"integrated_lufs": "ffmpeg_ebur128_I", "loudness_range_lu": "ffmpeg_LRA"}

CASES = [("3341", case) for case in (1, 2, 3, 4, 5, 6, 9, 12)] + [("3342", case) for case in (1, 2, 3, 4)]


def ours(document, case):
    return programme_case(case, RATE) if document == "3341" else range_case(case, RATE)


# The table has four decimals; readings every 10 ms may start up to 5 ms apart, worth 0.001 LU on steady tones.
@pytest.mark.parametrize(("document", "case"), CASES)
@pytest.mark.parametrize("field", COLUMNS)
def test_libebur128_reads_the_same(document, case, field):
    reading = getattr(ours(document, case), field)
    assert reading == pytest.approx(READINGS[f"{document}-{case}"][COLUMNS[field]], abs=0.0015)


@pytest.mark.parametrize(("document", "case"), [pair for pair in CASES if pair != ("3341", 6)])
@pytest.mark.parametrize("field", FFMPEG_COLUMNS)
def test_ffmpeg_reads_the_same_to_its_one_decimal(document, case, field):
    reading = getattr(ours(document, case), field)
    assert reading == pytest.approx(READINGS[f"{document}-{case}"][FFMPEG_COLUMNS[field]], abs=0.0505)


# A Kaiser polyphase resampler at 16 points a sample: both read the wave, within half of the 0.04 dB that sixteen
# points may lose at a quarter of the rate.
@pytest.mark.parametrize("case", [15, 16, 17, 18, 19])
def test_a_dense_resampler_reads_the_same_peak(case):
    reading = true_peak_case(case, RATE)
    assert reading == pytest.approx(TRUE_PEAKS[case]["kaiser_resample_poly_x16_dBTP"], abs=0.02)


# ITU-T P.56 over whole arrays, written apart from the meter's compiled loop.
@pytest.mark.parametrize("rate", [8_000, 44_100])
@pytest.mark.parametrize("signal", sorted(PATTERNS.keys() - {MOVED}))
def test_the_meter_counts_activity_as_the_slow_way_does(signal, rate):
    channel = steps(PATTERNS[signal], rate)
    track = measured(channel[:, None], rate).tracks[0]
    level_dbfs, activity = speech_level_the_slow_way(channel, rate)
    assert track.speech_level_dbfs == (None if level_dbfs is None else pytest.approx(level_dbfs, abs=1e-6))
    assert track.speech_activity == (None if activity is None else pytest.approx(activity, abs=1e-6))


def test_the_table_matched_something():
    assert {f"{document}-{case}" for document, case in CASES} <= READINGS.keys()
    assert np.isfinite([row["itu_annex2_fir_dBTP"] for row in TRUE_PEAKS.values()]).all()
