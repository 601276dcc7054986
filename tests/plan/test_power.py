"""Batteries over a day, by arithmetic on paper, and what airlines commonly allow."""

from dataclasses import replace

import pytest

from takewell.kit import Battery, Load
from takewell.plan.day import Circuit, Drawn
from takewell.plan.power import circuit_plan, clock_time, energy_wh, flight_notes, phantom_w, power_problems

BATTERY = Battery(name="b", chemistry="li-ion", energy_wh=50.0, voltage_v=14.4, usable_percent=100.0)


def circuit(watts, *batteries, spread_percent=0.0, hours=None, standby_w=None):
    load = Load(name="l", power_w=watts, standby_w=standby_w)
    return Circuit(
        name="c", recorder=False, loads=(Drawn(load=load, count=1, hours=hours),), batteries=batteries, spread_percent=spread_percent
    )  # fmt: skip


@pytest.fixture
def ten_hours(day):
    """One set-up from 9 to 19, at 20 degrees."""
    planned = day()
    whole = replace(planned.set_ups[0], start_h=9.0, end_h=19.0, temperature_c=20.0)
    return replace(planned, set_ups=(whole,))


def test_batteries_are_drained_in_their_order(ten_hours):
    # 10 W from 50, 20 and 40 Wh: swaps after 5 and 7 h, 1 h left at the end.
    batteries = (BATTERY, replace(BATTERY, energy_wh=20.0, name="small"), replace(BATTERY, energy_wh=40.0))
    plan = circuit_plan(circuit(10.0, *batteries), ten_hours)
    assert [(clock_time(s.at_h), s.number) for s in plan.swaps] == [("14:00", 2), ("16:00", 3)]
    assert plan.swaps[0].battery == "small"
    assert plan.empty_at_h is None
    assert plan.needed_wh == pytest.approx(100.0)
    assert plan.supply_wh == pytest.approx(110.0)
    assert plan.hours_left == pytest.approx(1.0)
    assert power_problems(plan, ten_hours.recorder) == ()


def test_the_hour_in_which_the_last_is_empty_is_said(ten_hours):
    plan = circuit_plan(circuit(10.0, BATTERY), ten_hours)
    assert clock_time(plan.empty_at_h) == "14:00"
    assert plan.hours_left == pytest.approx(-5.0)
    assert "empty at 14:00, 5.0 h before the end" in power_problems(plan, ten_hours.recorder)[0]


def test_between_set_ups_devices_stand_by(day):
    planned = day()
    # Set-ups of 1, 1.75 and 2 h, 1.75 h between them: 10 W at work, 2 W in between.
    plan = circuit_plan(circuit(10.0, BATTERY, standby_w=2.0), planned)
    assert plan.needed_wh == pytest.approx(10 * 4.75 + 2 * 1.75)


def test_cold_takes_its_share_and_the_batterys_own_heat_gives_some_back():
    cold = replace(BATTERY, cold=((-20.0, 60.0), (20.0, 100.0)), usable_percent=90.0, health_percent=80.0)
    assert energy_wh(cold, 20.0) == pytest.approx(50 * 0.9 * 0.8)
    assert energy_wh(cold, 0.0) == pytest.approx(50 * 0.9 * 0.8 * 0.8)
    assert energy_wh(cold, -40.0) == pytest.approx(50 * 0.9 * 0.8 * 0.6)
    assert energy_wh(replace(cold, self_heating_k=10.0), -10.0) == energy_wh(cold, 0.0)


def test_a_battery_may_be_drained_through_warm_and_cold(ten_hours):
    warm, cold = (
        replace(ten_hours.set_ups[0], start_h=s, end_h=s + 5.0, temperature_c=t)
        for s, t in [(9.0, 20.0), (14.0, 0.0)]
    )
    planned = replace(ten_hours, set_ups=(warm, cold))
    battery = replace(BATTERY, energy_wh=100.0, cold=((0.0, 50.0), (20.0, 100.0)))
    # Half of it goes in five warm hours; the other half lasts 2.5 h at half its energy.
    plan = circuit_plan(circuit(10.0, battery), planned)
    assert clock_time(plan.empty_at_h) == "16:30"
    # Drawn half warm, half cold: 100 Wh / (0.5 + 0.5 * 2).
    assert plan.supply_wh == pytest.approx(100 / 1.5)


def test_confidence_is_that_of_a_normal_distribution(ten_hours):
    # 110 Wh with a spread of 10 % (11 Wh) against 100 Wh: 10 / 11 standard deviations, 81.8 % (table of the normal).
    plan = circuit_plan(circuit(10.0, replace(BATTERY, energy_wh=110.0), spread_percent=10.0), ten_hours)
    assert plan.holds_percent == pytest.approx(81.83, abs=0.01)
    assert plan.hours_left_low == pytest.approx((110 * (1 - 0.16449) - 100) / 10, abs=1e-3)
    assert "only 82 % confidence" in power_problems(plan, ten_hours.recorder)[0]


def test_phantom_supplies_draw_what_the_microphones_take_over_the_efficiency(day):
    kitchen = day().set_ups[0]
    # One boom of 4.4 mA at 48 V on two tracks (the copy has no microphone of its own); the lavalier hangs on its transmitter.
    assert phantom_w(kitchen, 60.0) == pytest.approx(48 * 0.0044 / 0.6)


def test_hours_of_use_spread_a_load_over_the_day(ten_hours):
    assert circuit_plan(circuit(10.0, BATTERY, hours=2.0), ten_hours).needed_wh == pytest.approx(20.0)


# Limits for passengers as airlines commonly publish them from the ICAO/IATA provisions.
@pytest.mark.parametrize(
    ("changes", "count", "words", "stops"),
    [
        ({"energy_wh": 100.0}, 5, "without asking", False),
        ({"energy_wh": 100.5}, 2, "airline's approval and at most 2 spares", False),
        ({"energy_wh": 150.0}, 3, "airline's approval", True),
        ({"energy_wh": 160.5}, 1, "not allowed on passenger flights", True),
        ({"chemistry": "li-metal", "lithium_g": 2.0}, 1, "without asking", False),
        ({"chemistry": "li-metal", "lithium_g": 2.1}, 1, "above the 2 g", True),
        ({"chemistry": "li-metal"}, 1, "not stated", True),
    ],
)
def test_what_may_fly_is_said(changes, count, words, stops):
    (found,) = flight_notes([replace(BATTERY, **changes)] * count)
    assert words in found[0]
    assert found[1] is stops


def test_other_chemistries_fly_without_a_word():
    assert flight_notes([replace(BATTERY, chemistry="nimh")]) == ()


@pytest.mark.parametrize(
    ("hours", "text"), [(0.0, "00:00"), (9.5, "09:30"), (23.999, "00:00 +1"), (25.5, "01:30 +1")]
)
def test_hours_become_times_of_day(hours, text):
    assert clock_time(hours) == text


def test_a_battery_below_what_the_recorder_asks_for_is_said(ten_hours):
    weak = replace(BATTERY, voltage_v=7.2, energy_wh=500.0, name="weak")
    on_recorder = replace(circuit(0.0, weak), recorder=True, loads=())
    (sentence,) = power_problems(circuit_plan(on_recorder, ten_hours), ten_hours.recorder)
    assert "weak gives 7.2 V and the recorder asks for 10" in sentence
    # What hangs on other supplies is not the recorder's business.
    assert power_problems(circuit_plan(circuit(1.0, weak), ten_hours), ten_hours.recorder) == ()
