"""Johnson noise and phantom power against published figures."""

import csv
import math
from pathlib import Path

import pytest

from takewell.kit.johnson import DBU_ABOVE_DBV, a_weighted_bandwidth_hz, johnson_noise_dbu, johnson_noise_v
from takewell.kit.phantom import SYSTEMS, phantom_system, voltage_at_microphone

DATA = Path(__file__).parents[1] / "data" / "plan"


def table(name):
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


JOHNSON = table("johnson_noise.csv")
PHANTOM = table("phantom_power_iec61938.csv")


@pytest.mark.parametrize("row", JOHNSON, ids=lambda r: f"{r['ohm']} ohm {r['celsius']} C {r['bandwidth']}")
def test_the_noise_of_a_resistor_is_nyquists(row):
    bandwidth_hz = 20_000 if row["bandwidth"] == "20 kHz" else 19_980
    volts = johnson_noise_v(float(row["ohm"]), float(row["celsius"]), bandwidth_hz)
    assert volts * 1e9 == pytest.approx(float(row["V_rms_nV"]), abs=6e-4)  # printed to a thousandth or so
    assert 20 * math.log10(volts) == pytest.approx(float(row["dBV"]), abs=6e-4)
    if row["bandwidth"] != "20 kHz":
        level = johnson_noise_dbu(float(row["ohm"]), float(row["celsius"]))
        assert level == pytest.approx(float(row["dBu_(0.7746V)"]), abs=6e-4)


def test_150_ohm_make_minus_130_92_dbu():
    # 20 Hz to 20 kHz at 20 degrees Celsius: the floor that no preamplifier gets under (Nyquist 1928, k of SI 2019).
    assert johnson_noise_dbu(150, 20) == pytest.approx(-130.92, abs=0.005)
    assert johnson_noise_dbu(150, 20, weighting="A") == pytest.approx(-132.97, abs=0.005)


def test_the_a_curve_passes_as_much_white_noise_as_12467_hz():
    # IEC 61672-1:2013 annex E, integrated from 20 Hz to 20 kHz.
    assert a_weighted_bandwidth_hz() == pytest.approx(12_467, abs=1)


def test_0_dbu_is_the_root_of_0_6_volt():
    assert pytest.approx(-20 * math.log10(0.774597), abs=1e-5) == DBU_ABOVE_DBV
    assert pytest.approx(2.2185, abs=5e-5) == DBU_ABOVE_DBV


def test_no_resistance_makes_no_noise():
    assert johnson_noise_dbu(0, 20) == -math.inf


@pytest.mark.parametrize("row", PHANTOM, ids=lambda r: r["system"])
def test_the_phantom_systems_are_those_of_iec_61938(row):
    system = phantom_system(float(row["nominal_V"]))
    assert system.tolerance_v == float(row["tol_V"])
    assert system.resistor_ohm == float(row["feed_resistor_ohm_each_leg"])
    assert system.max_current_ma == float(row["max_supply_current_mA"])
    assert voltage_at_microphone(system, system.max_current_ma) == pytest.approx(
        float(row["V_at_mic_at_max_current"])
    )


def test_a_supply_outside_the_tolerances_is_no_phantom_system():
    assert phantom_system(47.9) is SYSTEMS[0]
    assert phantom_system(43.9) is None
    assert phantom_system(9.0) is None
