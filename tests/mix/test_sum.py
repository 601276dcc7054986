"""Gains, delays and places on samples."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from takewell.mix.sum import Summing, steps_for
from takewell.shape.places import places

RATE = 48_000


def summed(samples, start, rate, gains, first_step, where):  # type: ignore[no-untyped-def]
    return Summing(rate, where, [0] * samples.shape[1]).add(samples, start, gains, first_step)


def naive(samples, start, rate, shares, where):  # type: ignore[no-untyped-def]
    out = np.zeros((len(samples), where.shape[1]))
    middles = (np.arange(len(shares)) + 0.5) * rate / 100 - 0.5
    for i in range(len(samples)):
        here = [np.interp(start + i, middles, shares[:, t]) for t in range(samples.shape[1])]
        out[i] = (samples[i] * np.sqrt(here)) @ where
    return out


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("start", [0, 777, 9_000])
def test_shares_run_in_straight_lines_between_the_middles_of_the_steps(rate: int, start: int) -> None:
    rng = np.random.default_rng(1)
    shares = rng.dirichlet([1, 1, 1], 20)
    samples = rng.standard_normal((900, 3))
    where = places("stereo", [-1, 0, 0.3])
    expected = naive(samples, start, rate, shares, where)
    assert summed(samples, start, rate, shares, 0, where) == pytest.approx(expected, abs=1e-12)


def test_shares_add_up_to_one_at_every_sample() -> None:
    shares = np.random.default_rng(2).dirichlet([1, 1, 1, 1], 30)
    power = np.zeros(RATE // 4)
    for track in range(4):
        alone = np.zeros((len(power), 4))
        alone[:, track] = 1.0
        power += summed(alone, 0, RATE, shares, 0, places("mono", [0] * 4))[:, 0] ** 2
    assert power == pytest.approx(1.0, abs=1e-12)


def test_a_delayed_track_comes_later_by_whole_samples() -> None:
    samples = np.random.default_rng(5).standard_normal((500, 2))
    full = np.ones((4, 2))
    mixed = Summing(RATE, np.eye(2), [0, 21]).add(samples, 0, full, 0)
    assert np.array_equal(mixed[:, 0], samples[:, 0])
    assert np.array_equal(mixed[21:, 1], samples[:-21, 1])
    assert not mixed[:21, 1].any()


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 2000), max_size=5))
def test_any_split_gives_the_same_mix(cuts) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(3)
    shares, samples = rng.dirichlet([1, 1], 15), rng.standard_normal((6000, 2))
    where = places("mono", [0, 0])
    whole = Summing(RATE, where, [0, 37]).add(samples, 0, shares, 0)
    add = Summing(RATE, where, [0, 37])
    at, parts = 0, []

    def given(part, at):  # type: ignore[no-untyped-def]
        first, stop = steps_for(at, at + len(part), RATE)
        return add.add(part, at, shares[first:stop], first)

    for cut in [*cuts, 6000]:
        part = samples[at : at + cut]
        if len(part):
            parts.append(given(part, at))
        at += len(part)
    assert np.array_equal(np.concatenate(parts), whole)
