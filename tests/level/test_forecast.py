"""A forecast says of a proposed move what the plan said of it, and moves with the gain to the decibel."""

from dataclasses import replace

import pytest

from small_card import speech, write_take
from takewell.level import plan_roll
from takewell.level.forecast import Forecast
from takewell.roll import loose, measured_take


@pytest.fixture(scope="module")
def heard(tmp_path_factory):
    folder = tmp_path_factory.mktemp("forecast")
    write_take(folder / "1.wav", [speech(16, seed=1), speech(16, seed=2, voice="tobin", speech_dbfs=-50)])
    roll = loose([folder])
    with Forecast(roll, measured_take(roll, roll.takes[0])) as forecast:
        yield roll, forecast


def test_it_agrees_with_the_plan(heard):
    roll, forecast = heard
    plans = plan_roll(roll)
    assert any(plan.moves for plan in plans)
    for plan in plans:
        for move, prediction in zip(plan.moves, plan.predictions, strict=True):
            found = forecast.of(move)
            assert found.speech_lufs == pytest.approx(prediction.speech_lufs, abs=0.05)
            assert found.floor_dbfs_a == pytest.approx(prediction.floor_dbfs_a, abs=1e-9)
            assert found.true_peak_dbtp == pytest.approx(prediction.true_peak_dbtp, abs=1e-9)


def test_every_figure_moves_with_the_gain(heard):
    roll, forecast = heard
    move = next(move for plan in plan_roll(roll) for move in plan.moves)
    here, there = forecast.of_all([move, replace(move, gain_db=move.gain_db - 6.5)])
    for name in ("speech_lufs", "floor_dbfs_a", "true_peak_dbtp"):
        assert getattr(there, name) == pytest.approx(getattr(here, name) - 6.5)
    assert forecast.of(replace(move, track=7)).speech_lufs is None
