"""Spill told from a talker, and noise that earns no share."""

import numpy as np
import pytest

from takewell.mix.levels import Levels
from takewell.mix.noise import distances_db, handicaps_db
from takewell.mix.sharing import Sharing, law
from takewell.mix.spill import learn

STEPS_PER_S = 100


def db(values):  # type: ignore[no-untyped-def]
    return 10 * np.log10(values)


def panel(spill_db: float, *, boom: bool = False, seed: int = 4):  # type: ignore[no-untyped-def]
    """Steps of three lavaliers (and a boom that hears all alike) with syllables that come and go; (power, who speaks)."""
    rng = np.random.default_rng(seed)
    steps = 120 * STEPS_PER_S
    voice = np.full((steps, 3), 1e-12)
    who = np.full(steps, -1)
    at = 50
    while at < steps - 400:
        talker = int(rng.integers(3))
        length = int(rng.integers(150, 400))
        level = -30 + 6 * np.repeat(rng.standard_normal(length // 15 + 1), 15)[:length]
        voice[at : at + length, talker] = 10 ** (level / 10)
        who[at : at + length] = talker
        at += length + int(rng.integers(10, 80))
    mixing = np.full((3, 3), 10 ** (spill_db / 10)) + np.eye(3) * (1 - 10 ** (spill_db / 10))
    power = voice @ mixing
    if boom:
        power = np.hstack([power, voice.sum(axis=1, keepdims=True)])
    flutter = 10 ** (rng.standard_normal(power.shape) * 0.15)
    return power * flutter + 10 ** (-7.5), who


def shares_of(power, *, spill: bool, weights=None):  # type: ignore[no-untyped-def]
    levels = Levels.of(lambda first, stop: power[first:stop], len(power))
    model = learn(levels.stretches, levels.loudest) if spill else None
    given = np.zeros(power.shape[1]) if weights is None else np.array(weights, float)
    sharing = Sharing(levels, given, release_db_per_s=60.0, hold=True, spill=model)
    return np.concatenate([shares for _, shares, _ in sharing.stretches()]), model


@pytest.mark.parametrize("spill_db", [-6.0, -8.0, -12.0, -18.0])
def test_the_spill_of_a_take_is_learnt(spill_db: float) -> None:
    power, _ = panel(spill_db)
    _, model = shares_of(power, spill=True)
    off_diagonal = model.ratio[~np.eye(3, dtype=bool)]
    # The margin is 3 dB, levels are counted in whole decibels.
    assert db(off_diagonal) - 3.0 == pytest.approx(spill_db, abs=1.2)
    assert model.close.all()


@pytest.mark.parametrize("spill_db", [-6.0, -8.0, -12.0])
def test_idle_microphones_are_at_least_12_db_down(spill_db: float) -> None:
    power, who = panel(spill_db)
    shares, _ = shares_of(power, spill=True)
    steady = np.flatnonzero((who >= 0) & (np.roll(who, 12) == who) & (np.roll(who, -12) == who))
    idle = np.array([shares[step, m] for step in steady for m in range(3) if m != who[step]])
    plain = law(power)[steady]
    assert np.mean(db(idle) <= -12.0) > 0.98
    assert np.median(db(idle)) < -22.0
    # The bare law leaves them open at their spill.
    assert np.median(db(np.sort(plain, axis=1)[:, 0])) > spill_db - 5.0


def test_a_boom_that_hears_all_alike_leaves_talkers_to_their_lavaliers() -> None:
    power, who = panel(-12.0, boom=True)
    shares, model = shares_of(power, spill=True)
    assert model.close.tolist() == [True, True, True, False]
    steady = np.flatnonzero((who >= 0) & (np.roll(who, 12) == who) & (np.roll(who, -12) == who))
    own = shares[steady, who[steady]]
    assert np.median(db(own)) > -0.3
    assert np.median(db(shares[steady, 3])) < -12.0


def test_a_weight_lets_the_boom_have_them() -> None:
    power, who = panel(-12.0, boom=True)
    shares, _ = shares_of(power, spill=True, weights=[0, 0, 0, 10])
    assert np.median(db(shares[who >= 0, 3])) > -1.0


def test_two_who_speak_at_once_both_stay_open() -> None:
    power, _ = panel(-12.0)
    power[5000:5300] = [10**-3, 10**-3, 10**-7.5]
    shares, _ = shares_of(power, spill=True)
    assert db(shares[5100:5250, :2]) == pytest.approx(-3.01, abs=0.5)


def test_shares_still_add_up() -> None:
    power, _ = panel(-7.0, boom=True)
    shares, _ = shares_of(power, spill=True)
    assert shares.sum(axis=1) == pytest.approx(1.0, abs=1e-9)
    assert np.abs(np.diff(shares, axis=0)).max() <= 0.2 + 1e-9


def test_one_source_alone_and_silence_teach_nothing() -> None:
    for power in (np.full((600, 1), 1e-4), np.zeros((600, 3))):
        shares, model = shares_of(power, spill=True)
        assert not model.ratio.any()
        assert shares.sum(axis=1) == pytest.approx(1.0)


def test_a_noisy_microphone_counts_for_less_and_like_ones_for_as_much() -> None:
    power, _ = panel(-14.0)
    levels = Levels.of(lambda first, stop: power[first:stop], len(power))
    assert handicaps_db(distances_db(levels)).tolist() == [0, 0, 0]
    hissing = power.copy()
    hissing[:, 2] += 10**-4.2
    noisy = Levels.of(lambda first, stop: hissing[first:stop], len(power))
    found = handicaps_db(distances_db(noisy))
    assert found[:2].tolist() == [0, 0]
    assert 5.0 < found[2] <= 20.0


def test_floors_and_loudest_seconds_are_ranks_of_the_levels() -> None:
    rng = np.random.default_rng(8)
    power = 10 ** rng.uniform(-9, -2, (4000, 2))
    levels = Levels.of(lambda first, stop: power[first:stop], len(power))
    every = levels.between(0, 4000)[0]
    # Counted in bins of 0.05 dB.
    assert db(levels.floors) == pytest.approx(db(np.percentile(every, 10, axis=0)), abs=0.06)
    assert db(levels.loudest) == pytest.approx(db(np.sort(every, axis=0)[-100]), abs=0.06)
