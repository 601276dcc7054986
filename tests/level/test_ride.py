"""A gain rides with speech that slowly changes: only where that is worth it, and never faster than said."""

import numpy as np
import pytest

from takewell.level import LevelSettings
from takewell.level.explain import explain_track
from takewell.level.plan import TrackPlan, plan_take
from takewell.level.ride import LEAST_RIDE_LU, farthest, ridden, steepest_line
from takewell.roll import Move
from takewell.shape import GainEnvelope

RATE = 48_000


def plan(sim, samples, settings=None, fixed=(), **known) -> TrackPlan:  # type: ignore[no-untyped-def]
    (found,) = plan_take(sim.evidence(samples, **known), settings or LevelSettings(), fixed)
    return found


def drifting(sim, seconds: float, lu: float, seed: int = 1):  # type: ignore[no-untyped-def]
    """Speech whose sentences, each as it is, lie along a straight line of level."""
    spoken = sim.speak("tobin", seconds, seed=seed)
    for start, end in spoken.lines:
        along = (start + end) / 2 / spoken.seconds - 0.5
        spoken.samples[int(start * RATE) : int(end * RATE)] *= sim.amplitude(lu * along)
    return spoken * sim.amplitude(-10)


def factors_db(moves, length):  # type: ignore[no-untyped-def]
    return 20 * np.log10(GainEnvelope.from_moves(moves, RATE, length).factors(0, length))


@pytest.mark.parametrize("lu", [-9.0, 9.0])
def test_a_talker_who_slowly_turns_away_is_followed(sim, lu: float) -> None:  # type: ignore[no-untyped-def]
    spoken = drifting(sim, 180, lu)
    samples = spoken.samples + sim.room(len(spoken.samples), -85)
    found = plan(sim, samples, floor_dbfs_a=-87.7)
    first, second = found.moves
    assert np.sign(second.gain_db - first.gain_db) == -np.sign(lu)
    gain = factors_db(found.moves, len(samples))
    # The stated rate: no faster anywhere, read over a tenth of a second.
    assert np.abs(np.diff(gain[:: RATE // 10])).max() <= 0.1 * 0.1 + 1e-9
    # Each half minute comes home: a line against its raised cosine is off by no more than 0.095 of its height.
    home = samples * 10 ** (gain / 20)
    for start in range(0, 150, 30):
        part = home[start * RATE : (start + 30) * RATE]
        assert sim.integrated_lufs(part) == pytest.approx(-23.0, abs=0.095 * 9 + 0.8)
    sentences = explain_track(found, LevelSettings())
    assert "so the gain rides with it" in sentences[1]
    assert "no faster than 0.1 dB a second" in sentences[1]
    for prediction in found.predictions:
        assert prediction.speech_lufs == pytest.approx(-23.0, abs=0.6)


def test_a_ride_is_written_and_read_like_any_moves(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = drifting(sim, 180, -9.0)
    samples = spoken.samples + sim.room(len(spoken.samples), -85)
    found = plan(sim, samples, floor_dbfs_a=-87.7)
    fixed = [Move(m.take, m.track, m.start_s, m.end_s, m.gain_db, m.fade_in_s, m.fade_out_s, True, "") for m in found.moves]  # fmt: skip
    again = plan(sim, samples, fixed=fixed, floor_dbfs_a=-87.7)
    assert list(again.moves) == fixed
    assert np.array_equal(factors_db(fixed, len(samples)), factors_db(found.moves, len(samples)))


def test_without_a_rate_nothing_rides(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = drifting(sim, 180, -9.0)
    samples = spoken.samples + sim.room(len(spoken.samples), -85)
    found = plan(sim, samples, LevelSettings(ride_db_per_s=0.0), floor_dbfs_a=-87.7)
    assert len(found.moves) > 1
    assert all(move.fade_in_s <= 1.0 and move.fade_out_s <= 1.0 for move in found.moves)


@pytest.mark.parametrize(("seconds", "lu"), [(180, 2.0), (40, 9.0)])
def test_what_is_too_little_or_too_fast_is_not_ridden(sim, seconds: float, lu: float) -> None:  # type: ignore[no-untyped-def]
    spoken = drifting(sim, seconds, lu)
    samples = spoken.samples + sim.room(len(spoken.samples), -85)
    found = plan(sim, samples, floor_dbfs_a=-87.7)
    assert all(move.fade_in_s <= 1.0 and move.fade_out_s <= 1.0 for move in found.moves)


def test_a_ride_stops_where_the_floor_guard_stands(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = drifting(sim, 240, -12.0)
    samples = spoken.samples + sim.room(len(spoken.samples), -54.0)
    found = plan(sim, samples, floor_dbfs_a=-56.7)
    gain = factors_db(found.moves, len(samples))
    assert (-56.7 + gain).max() <= -40.0 + 0.05


def test_the_figures_of_the_curve_follow_from_its_formula() -> None:
    """Least squares of the line u against the raised cosine: cov / var = (1 / pi^2) / (1 / 8)."""
    u = (np.arange(100_000) + 0.5) / 100_000
    c = (1 - np.cos(np.pi * u)) / 2
    height = np.cov(u, c)[0, 1] / c.var()
    settings = LevelSettings()
    assert ridden(0.05, 200.0, settings) == pytest.approx(10.0 * height, rel=1e-3)
    assert np.abs((u - 0.5) - height * (c - 0.5)).max() == pytest.approx(0.095, abs=5e-4)
    steepest = np.diff(height * c).max() * 100_000
    assert steepest_line(settings) == pytest.approx(0.1 / steepest, rel=1e-3)
    assert farthest(100.0, settings) == pytest.approx(0.1 * 98.0 * 2 / np.pi)
    assert ridden(0.01, (LEAST_RIDE_LU - 0.1) / height / 0.01, settings) == 0.0
