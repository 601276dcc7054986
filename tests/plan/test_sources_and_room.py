"""How loud things are, where, against published levels and textbook acoustics."""

import math
from dataclasses import replace

import numpy as np
import pytest

from takewell.measure.weighting import weighting_db
from takewell.plan.room import at_microphone, directivity_index_db, off_axis_db
from takewell.plan.sources import SOURCES


@pytest.mark.parametrize("effort", ["normal", "raised", "loud", "shout"])
def test_speech_is_as_loud_as_the_spectra_of_ansi_s3_5(table, effort):
    rows = table("plan/ansi_s3_5_speech_spectra.csv")
    column = "normal_band_level_dB" if effort == "normal" else f"{effort}_band"
    bands = np.array([float(row[column]) for row in rows])
    assert SOURCES[effort].level_db_spl == pytest.approx(10 * np.log10(np.sum(10 ** (bands / 10))), abs=0.05)


def test_what_iso_9921_gives_a_weighted_lies_above_it_as_the_next_spectrum_does(table):
    rows = table("plan/ansi_s3_5_speech_spectra.csv")
    a_weights = weighting_db("A", np.array([float(row["third_octave_hz"]) for row in rows]))
    iso = {row["vocal_effort"]: float(row["LAeq_at_1m_dB"]) for row in table("plan/vocal_effort_iso9921.csv")}

    def above_a(column):
        bands = np.array([float(row[column]) for row in rows])
        return 10 * np.log10(np.sum(10 ** (bands / 10)) / np.sum(10 ** ((bands + a_weights) / 10)))

    relaxed = SOURCES["relaxed"].level_db_spl - iso["relaxed"]
    assert relaxed == pytest.approx(above_a("normal_band_level_dB"), abs=0.1)
    very_loud = SOURCES["very_loud"].level_db_spl - iso["very loud"]
    assert above_a("shout_band") < very_loud < above_a("loud_band")


def test_efforts_rise_in_their_order():
    order = ["whisper", "relaxed", "normal", "raised", "loud", "very_loud", "shout"]
    levels = [SOURCES[name].level_db_spl for name in order]
    assert levels == sorted(levels)


def test_distance_takes_6_02_db_each_doubling(microphone):
    near = at_microphone(60.0, 1.0, microphone, distance_m=0.5).level_db_spl
    far = at_microphone(60.0, 1.0, microphone, distance_m=1.0).level_db_spl
    assert near - far == pytest.approx(6.0206, abs=1e-4)
    assert far == 60.0


# Random-energy efficiencies of first-order patterns are 1, 1/3, 0.268, 1/4 and 1/3 (any textbook of microphones; from
# memory), in dB 0, 4.8, 5.7, 6.0 and 4.8.
@pytest.mark.parametrize(
    ("pattern", "index_db"),
    [
        ("omni", 0.0),
        ("cardioid", 4.77),
        ("supercardioid", 5.72),
        ("hypercardioid", 6.02),
        ("figure_of_eight", 4.77),
    ],
)
def test_patterns_hear_as_little_of_a_diffuse_field_as_textbooks_say(microphone, pattern, index_db):
    assert directivity_index_db(replace(microphone, pattern=pattern)) == pytest.approx(index_db, abs=0.01)


@pytest.mark.parametrize(
    ("pattern", "angle", "db"),
    [("omni", 180, 0.0), ("cardioid", 90, -6.02), ("cardioid", -90, -6.02), ("cardioid", 180, -25.0), ("cardioid", 360, 0.0),
     ("figure_of_eight", 90, -25.0), ("figure_of_eight", 180, 0.0), ("hypercardioid", 180, -6.02)],
)  # fmt: skip
def test_patterns_lose_off_axis_what_their_formula_says(microphone, pattern, angle, db):
    assert off_axis_db(replace(microphone, pattern=pattern), angle) == pytest.approx(db, abs=0.01)


def test_a_polar_plot_goes_before_the_pattern(microphone):
    plotted = replace(microphone, off_axis=((0.0, 0.0), (90.0, -12.0), (180.0, -14.0)))
    assert off_axis_db(plotted, 45) == pytest.approx(-6.0)
    assert off_axis_db(plotted, -135) == pytest.approx(-13.0)


def test_direct_and_reverberant_sound_meet_at_the_critical_distance(microphone):
    # 0.057 sqrt(V / T) for an even source and an omni (H. Kuttruff, Room Acoustics; from memory), printed to two digits.
    volume, reverberation = 200.0, 0.8
    critical_m = 0.057 * math.sqrt(volume / reverberation)
    heard = at_microphone(
        70.0, 1.0, microphone, distance_m=critical_m, room_volume_m3=volume, reverberation_s=reverberation
    )
    assert heard.direct_to_reverberant_db == pytest.approx(0.0, abs=0.1)
    assert heard.level_db_spl == pytest.approx(heard.direct_db_spl + 3.01, abs=0.06)


def test_in_the_open_nothing_comes_back(microphone):
    assert at_microphone(70.0, 1.0, microphone, distance_m=2.0).direct_to_reverberant_db == math.inf
