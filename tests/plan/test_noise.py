"""Noise referred to the microphone, against published figures and paper."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import sosfilt

from takewell.kit.johnson import DBU_ABOVE_DBV, johnson_noise_dbu
from takewell.measure.weighting import weighting_sos
from takewell.plan.noise import (
    floor_at_microphone,
    power_difference_db,
    power_sum_db,
    quantisation_noise_dbfs_a,
    stage_noise_at_microphone,
    weighted_to_a_db,
    white_rms,
)
from takewell.plan.stages import (
    PASCAL_DB_SPL,
    full_chain,
    max_input_dbu,
    preamplifier_noise_dbu_a,
    sensitivity_dbv,
)
from takewell.units import rms_dbfs


def test_sensitivities_convert_as_published(table, microphone):
    for row in table("plan/mic_sensitivity_levels.csv"):
        dbv = sensitivity_dbv(replace(microphone, sensitivity_mv_pa=float(row["mV_per_Pa"])))
        assert dbv == pytest.approx(float(row["dBV_per_Pa"]), abs=6e-4)
        assert dbv + DBU_ABOVE_DBV == pytest.approx(float(row["dBu_per_Pa"]), abs=6e-4)


def test_rounding_makes_the_noise_that_is_published(table):
    # TPDF dither at 48 kHz, A-weighted: computed from q²/4 and the curve of IEC 61672-1; table printed to 0.001 dB.
    for row in table("measure/quantisation_ideal_values.csv"):
        found = quantisation_noise_dbfs_a(int(row["bits"]), 48_000)
        assert found == pytest.approx(float(row["TPDF_A-weighted_dBFS"]), abs=0.005)
        # Without dither a third of the power: 4.77 dB less.
        plain = quantisation_noise_dbfs_a(int(row["bits"]), 48_000, dither=False)
        assert found - plain == pytest.approx(10 * math.log10(3))


def test_weightings_of_white_noise_differ_as_published(table):
    row = next(r for r in table("measure/quantisation_ideal_values.csv") if r["bits"] == "24")
    ccir_to_a = float(row["TPDF_A-weighted_dBFS"]) - float(row["TPDF_CCIR-RMS_dBFS"])
    # The table's noise reaches to 24 kHz, where both curves have fallen by more than 10 and 20 dB.
    assert weighted_to_a_db("CCIR-RMS") == pytest.approx(ccir_to_a, abs=0.15)
    # Johnson noise of 150 ohm at 20 degrees: -130.92 dBu plain, -132.97 dBu A-weighted.
    assert weighted_to_a_db("none") == pytest.approx(-132.97 + 130.92, abs=0.01)
    assert weighted_to_a_db("A") == 0.0


def test_white_noise_for_samples_reads_the_level_it_was_asked_for():
    rng = np.random.default_rng(7)
    rate, count = 48_000, 480_000
    noise = rng.standard_normal(count) * white_rms(-60.0, rate)
    reading = float(rms_dbfs(np.mean(sosfilt(weighting_sos("A", rate), noise) ** 2)))
    # The mean square of n independent samples scatters by sqrt(2 / n); A passes about half of them: three sigma.
    assert reading == pytest.approx(-60.0, abs=3 * 10 * math.log10(1 + math.sqrt(2 / (count / 2))) + 0.02)


def test_powers_add_and_part():
    assert power_sum_db([20.0, 20.0]) == pytest.approx(23.0103)
    assert power_sum_db([]) == -math.inf
    assert power_difference_db(power_sum_db([20.0, 12.0]), 12.0) == pytest.approx(20.0)
    assert power_difference_db(10.0, 10.0) == -math.inf


def test_the_preamplifiers_own_share_is_its_ein_less_the_resistor(recorder_input):
    # Own and resistor's noise together are the EIN: -128 dBu plain is -130.05 dBu A, the resistor makes -132.97.
    own = preamplifier_noise_dbu_a(recorder_input)
    assert power_sum_db([own, johnson_noise_dbu(150, 20, weighting="A")]) == pytest.approx(-130.05, abs=0.01)


def test_an_a_weighted_ein_needs_no_conversion(recorder_input):
    device = replace(recorder_input, ein_dbu=-130.0, ein_weighting="A")
    own = preamplifier_noise_dbu_a(device)
    assert power_sum_db([own, johnson_noise_dbu(150, 20, weighting="A")]) == pytest.approx(-130.0)


def test_each_noise_is_seen_from_the_microphone_as_on_paper(microphone, recorder_input):
    chain = full_chain(microphone, recorder_input, 40.0, 48_000, room_noise_db_a=25.0)
    found = {stage.part: level for stage, level in stage_noise_at_microphone(chain)}
    assert found["sound"] == 25.0
    assert found["microphone"] == pytest.approx(14.0)
    # -110 dBFS A in a converter with 0 dBFS at +20 dBu is -90 dBu A there, -130 at the input, and with
    # -37.78 dBu for 1 Pa that is 93.979 - 130 + 37.78 = 1.76 dB SPL A.
    assert found["converter"] == pytest.approx(PASCAL_DB_SPL - 130 + 37.7815, abs=1e-3)
    own = preamplifier_noise_dbu_a(recorder_input)
    assert found["preamplifier"] == pytest.approx(PASCAL_DB_SPL + own + 37.7815, abs=1e-3)
    assert found["file"] == pytest.approx(PASCAL_DB_SPL - 144.207 + 20 - 40 + 37.7815, abs=0.01)
    total = 10 * math.log10(sum(10 ** (level / 10) for level in found.values()))
    assert floor_at_microphone(chain) == pytest.approx(total)


def test_self_noise_stands_at_the_microphones_output_as_the_standard_defines_it(microphone, recorder_input):
    # 14 dB A with 10 mV/Pa: -40 - 94 + 14 = -120 dBV A; the trade's 94 is 0.021 dB more than 1 Pa.
    chain = full_chain(microphone, recorder_input, 0.0, 48_000)
    assert chain[1].noise_db_a == pytest.approx(-120.0, abs=0.022)


def test_a_microphone_without_self_noise_has_that_of_its_resistance(microphone, recorder_input):
    coil = replace(microphone, self_noise_db_a=None, source_impedance_ohm=150.0, transducer="dynamic")
    chain = full_chain(coil, recorder_input, 40.0, 48_000)
    # -132.97 dBu A at 150 ohm (Nyquist) is -135.19 dBV A.
    assert chain[1].noise_db_a == pytest.approx(-132.97 - 2.2185, abs=0.01)


def test_ten_db_deferred_are_ten_db_more_converter_noise_in_the_quiet(microphone, recorder_input):
    # Common practice, no source.
    def converter(device):
        chain = full_chain(microphone, device, 40.0, 48_000)
        return next(level for stage, level in stage_noise_at_microphone(chain) if stage.part == "converter")

    deferred = replace(recorder_input, limiter="deferred", limiter_range_db=10.0, limiter_attack_ms=0.0)
    assert converter(deferred) - converter(recorder_input) == pytest.approx(10.0)


def test_loud_sound_brings_in_the_coarser_converter(microphone, recorder_input):
    device = replace(
        recorder_input, converters=2.0, second_offset_db=30.0, handover_dbfs=-34.0, converter_range_db_a=100.0
    )
    chain = full_chain(microphone, device, 30.0, 48_000)
    quiet = {s.part: v for s, v in stage_noise_at_microphone(chain)}["converter"]
    loud = {s.part: v for s, v in stage_noise_at_microphone(chain, peak_db=110.0)}["converter"]
    assert loud - quiet == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("gain_db", "dbu"), [(-5.0, 20.0), (0.0, 20.0), (10.0, 10.0), (20.0, 0.0), (30.0, -10.0)]
)
def test_maximum_input_goes_in_straight_lines_between_stated_gains(recorder_input, gain_db, dbu):
    device = replace(recorder_input, max_input=((0.0, 20.0), (20.0, 0.0)))
    assert max_input_dbu(device, gain_db) == pytest.approx(dbu)
