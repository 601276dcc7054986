"""Lines through lags whose truth is known on paper."""

import numpy as np
import pytest

from takewell.sync.clock_line import SPEED_OF_SOUND_M_S, Window, clock_line


def windows(lags: np.ndarray, times: np.ndarray, height: float = 20.0) -> list[Window]:
    return [Window(float(t), ((float(lag), height),)) for t, lag in zip(times, lags, strict=True)]


# c = 331.3 m/s * sqrt(1 + t / 273.15) in dry air, the textbook formula; 20 degrees.
@pytest.mark.outside
def test_the_speed_of_sound_is_the_textbooks() -> None:
    assert pytest.approx(331.3 * np.sqrt(1 + 20 / 273.15), abs=0.05) == SPEED_OF_SOUND_M_S
    assert pytest.approx(2.9, abs=0.02) == 1000 / SPEED_OF_SOUND_M_S


@pytest.mark.parametrize("ppm", [-200.0, -0.3, 0.0, 12.5, 150.0])
def test_a_clean_line_gives_offset_and_drift_back(ppm: float) -> None:
    times = np.linspace(5, 3595, 150)
    noise = np.random.default_rng(1).normal(0, 1e-5, len(times))
    line = clock_line(windows(2.5 + times * (1 / (1 + ppm * 1e-6) - 1) + noise, times))
    assert line is not None
    assert line.offset_s == pytest.approx(2.5, abs=1e-5)
    assert line.drift_ppm == pytest.approx(ppm, abs=0.005)
    assert line.steps == ()


def test_windows_that_heard_something_else_change_nothing() -> None:
    rng = np.random.default_rng(2)
    times = np.linspace(0, 600, 100)
    lags = 0.3 + 40e-6 * times + rng.normal(0, 1e-5, 100)
    wrong = rng.random(100) < 0.5
    lags[wrong] = 0.3 + rng.uniform(-0.05, 0.05, wrong.sum())
    line = clock_line(windows(lags, times))
    assert line is not None
    assert line.slope == pytest.approx(40e-6, abs=2e-7)
    assert line.agreeing == pytest.approx(50, abs=12)


# 1 m / 343.2 m/s over 3600 s = 0.81 ppm: on paper.
def test_the_interval_of_an_hour_holds_a_metres_walk() -> None:
    times = np.linspace(0, 3600, 120)
    walked = 0.99 / SPEED_OF_SOUND_M_S * times / 3600
    line = clock_line(windows(walked, times))
    assert line is not None
    assert line.drift_ppm == pytest.approx(-0.801, abs=0.001)
    assert line.drift_uncertainty_ppm == pytest.approx(0.81, abs=0.01)
    assert abs(line.drift_ppm) < line.drift_uncertainty_ppm


def test_nobody_walks_where_it_is_said_so() -> None:
    times = np.linspace(0, 3600, 120)
    noise = np.random.default_rng(3).normal(0, 2e-5, 120)
    line = clock_line(windows(10e-6 * times + noise, times), walked_m=0.0)
    assert line is not None
    assert line.drift_uncertainty_ppm < 0.02


@pytest.mark.parametrize("lost_s", [0.010, -0.0213, 0.04])
def test_lost_samples_are_a_step_in_place_and_size(lost_s: float) -> None:
    times = np.linspace(0, 1200, 120)
    noise = np.random.default_rng(4).normal(0, 1e-5, 120)
    line = clock_line(windows(1.0 + 30e-6 * times + lost_s * (times > 777) + noise, times))
    assert line is not None
    (step,) = line.steps
    assert step.shift_s == pytest.approx(lost_s, abs=2e-5)
    assert abs(step.recording_s - 777) <= step.within_s + 1e-9
    assert step.lost_by == ("recording" if lost_s > 0 else "clip")
    assert line.slope == pytest.approx(30e-6, abs=1e-6)
    assert line.lag(1200.0) == pytest.approx(1.0 + 0.036 + lost_s, abs=5e-5)


def test_talkers_who_take_turns_are_no_lost_samples() -> None:
    times = np.linspace(0, 600, 120)
    nearer = 0.006 * ((times // 60) % 2)
    line = clock_line(windows(1.0 + nearer, times))
    assert line is not None
    assert line.steps == ()


def test_too_little_time_tells_no_speed() -> None:
    line = clock_line(windows(np.array([0.1, 0.1001]), np.array([1.0, 2.0])))
    assert line is not None
    assert line.slope == 0.0
    assert line.slope_uncertainty == float("inf")
    assert line.lag(1.5) == pytest.approx(0.10005, abs=6e-5)


def test_no_peaks_make_no_line() -> None:
    assert clock_line([]) is None
    assert clock_line([Window(1.0, ())]) is None


def test_three_talkers_at_three_distances_are_no_lost_samples() -> None:
    times = np.linspace(0, 300, 100)
    nearer = np.select([times < 60, times < 200], [0.0, -0.008], 0.005)
    line = clock_line(windows(1.0 + nearer, times))
    assert line is not None
    assert line.steps == ()
