"""docs/measuring.md explains every number that a measurement holds, and quotes what the code gives."""

from dataclasses import fields
from pathlib import Path

import pytest
from scipy.signal import sosfilt

from accuracy.signals import white_noise
from takewell.engine import Passage, Programme, TrackMeasurement
from takewell.measure.bs468 import ccir_rms_dbfs, quasi_peak_dbfs
from takewell.measure.weighting import weighting_sos
from takewell.units import rms_dbfs

MANUAL = (Path(__file__).parents[2] / "docs" / "measuring.md").read_text(encoding="utf-8")
NAMED_ELSEWHERE = {"channel", "name", "start_s", "end_s"}


@pytest.mark.parametrize("values", [TrackMeasurement, Programme, Passage], ids=lambda values: values.__name__)
def test_every_field_is_explained(values):
    missing = {field.name for field in fields(values)} - NAMED_ELSEWHERE
    assert {name for name in missing if f"`{name}`" not in MANUAL} == set()


# "white noise at 48 kHz reads 13.6 dB more by quasi-peak and 3.6 dB more by CCIR-RMS than A-weighted"
def test_the_weightings_differ_for_white_noise_as_the_manual_says():
    noise = white_noise(0.1, 10, 48_000, seed=1)
    a_weighted = rms_dbfs((sosfilt(weighting_sos("A", 48_000), noise) ** 2).mean())
    assert quasi_peak_dbfs(noise[:, None], 48_000)[0] - a_weighted == pytest.approx(13.6, abs=0.1)
    assert ccir_rms_dbfs(noise[:, None], 48_000)[0] - a_weighted == pytest.approx(3.6, abs=0.05)
