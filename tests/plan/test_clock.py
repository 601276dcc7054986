"""Clocks against published drift tables, and rates that set traps, exactly."""

from dataclasses import replace

import pytest

from takewell.kit import Clock
from takewell.plan.clock import apart_ppm, clock_plan, clock_problems, pair
from takewell.plan.day import Device
from takewell.timecode import TimecodeRate

STILL = Device(name="still", clock=Clock(name="ideal", ppm=0.0), jammed=True)


def device(ppm, error_ppm=None, *, jammed=True, name="d"):
    return Device(name=name, clock=Clock(name="c", ppm=ppm, error_ppm=error_ppm), jammed=jammed)


@pytest.mark.parametrize("rate", ["24", "25", "29.97"])
def test_ppm_become_frames_and_milliseconds_as_in_the_table(table, rate):
    for row in table("plan/clock_drift.csv"):
        ppm = float(row["ppm"])
        found = pair(device(ppm), STILL, TimecodeRate.parse(rate), 24.0, 24.0, 1.0)
        assert found.drift_ms == pytest.approx(float(row["ms_per_24h"]), rel=1e-6)
        assert found.drift_frames == pytest.approx(float(row[f"frames_per_24h@{rate}"]), abs=6e-5)
        assert found.jam_within_h == pytest.approx(float(row[f"hours_to_1_frame@{rate}"]), abs=6e-4)


def test_two_clocks_may_drift_either_way():
    # The worst case adds; two measured clocks differ by what was measured.
    assert apart_ppm(device(0.2).clock, device(1.5).clock) == (pytest.approx(1.7), False)
    assert apart_ppm(device(0.2, -0.1).clock, device(1.5, 0.9).clock) == (pytest.approx(1.0), True)
    assert apart_ppm(device(0.2, -0.1).clock, device(1.5).clock) == (pytest.approx(1.6), False)


def test_clocks_that_agree_never_need_a_jam():
    found = pair(device(1.0, 0.5), device(1.0, 0.5), TimecodeRate.parse("25"), 4.0, 10.0, 0.5)
    assert found.drift_frames == 0.0
    assert found.jam_within_h == float("inf")
    assert found.holds


def test_what_is_not_jammed_drifts_all_day():
    rate = TimecodeRate.parse("25")
    assert pair(device(1.0), STILL, rate, 4.0, 10.0, 0.5).hours == 4.0
    assert pair(device(1.0, jammed=False), STILL, rate, 4.0, 10.0, 0.5).hours == 10.0


def test_a_pair_that_runs_too_far_is_said_with_what_to_do(day):
    planned = day(
        (
            'device = "timecode box on the camera"\nprofile = "tcxo-clock"',
            'device = "camera"\nprofile = "camera-clock"',
        )
    )
    plan = clock_plan(planned)
    (sentence,) = clock_problems(plan, planned.timing.within_frames)
    # 10.2 ppm at 25 a second over 4 h is 3.67 frames; half a frame is reached after 0.54 h.
    assert "recorder and camera may run 3.67 frames apart in 4 h" in sentence
    assert "at least every 0.5 h" in sentence


def test_unlocked_sample_clocks_drift_over_long_takes(day):
    planned = day(('profile = "tcxo-clock"', 'profile = "camera-clock"'))
    take = clock_plan(planned).takes[0]
    # 10 ppm of 60 min: 36 ms, 1728 samples at 48 kHz.
    assert (take.take_min, take.drift_ms, take.drift_samples) == (
        60.0,
        pytest.approx(36.0),
        pytest.approx(1728.0),
    )


def test_every_pair_is_named_once(day):
    planned = day()
    three = replace(planned, devices=tuple(device(1.0, name=n) for n in "abc"))
    assert [(p.first, p.second) for p in clock_plan(three).pairs] == [("a", "b"), ("a", "c"), ("b", "c")]


@pytest.mark.parametrize(
    ("replacements", "words"),
    [
        # 23.976: an hour of timecode is 3603.6 s, 172 972 800 samples at 48 kHz (3 600 * 2002 * 24), not 172 800 000.
        ([('rate = "25"', 'rate = "23.976"')], ["172,972,800", "172,800,000", "3.6 s early"]),
        # 29.97 DF: 01:00:00;00 is frame 107 892, the same number NDF is frame 108 000: 108 apart.
        ([('rate = "25"', 'rate = "29.97DF"')], ["107,892", "108,000", "108 frames apart"]),
        ([('rate = "25"', 'rate = "25"\npicture_rate = "24"')], ["sound counts 25, picture 24", "150.00 s"]),
        # 29.97 against 30 for an hour: 3.6 s (3600 / 1001 to the hundredth).
        ([('rate = "25"', 'rate = "30"\npicture_rate = "29.97"')], ["sound counts 30, picture 29.97", "3.60 s"]),
        ([("sample_rate_hz = 48000", "sample_rate_hz = 48048"), ('rate = "25"', 'rate = "25"\nstamped_rate_hz = 48000')],
         ["recorded at 48048 Hz and stamped 48000 Hz", "0.10% slow", "3.60 s"]),
        ([("sample_rate_hz = 48000", "sample_rate_hz = 48048")], ["48048 Hz is a pulled rate", "0.1 % off"]),
    ],
)  # fmt: skip
def test_rates_that_set_traps_are_named_with_their_numbers(day, replacements, words):
    traps = " ".join(clock_plan(day(*replacements)).traps)
    for piece in words:
        assert piece in traps


def test_plain_rates_set_no_trap(day):
    assert clock_plan(day()).traps == ()


def test_a_clock_outside_its_temperatures_is_said(day):
    planned = day(('profile = "tcxo-clock"', 'profile = "camera-clock"'))
    warning = clock_plan(planned).warnings[0]
    assert "stated for 0 to 40 °C" in warning
    assert "at -6 °C" in warning


def test_a_radio_link_beside_a_wire_is_said_to_come_later(day):
    # 2.9 ms at 25 frames a second: 0.0725 frames. In the hall there is a wired pair beside it too.
    (warning,) = clock_plan(day()).warnings
    assert warning.startswith("Lav Mira, Lav Anselm: the radio link brings it 2.9 ms (0.07 frames) later")
