"""The law of gain sharing, against its worked examples, and what time does to it."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from takewell.mix import levels as levels_module
from takewell.mix import sharing
from takewell.mix.levels import Levels
from takewell.mix.sharing import Sharing, law

DATA = Path(__file__).parents[1] / "data" / "mix"
STEPS_PER_S = 100


def shares_over_time(power, weights, *, release_db_per_s, hold):  # type: ignore[no-untyped-def]
    stream = Sharing(
        Levels.of(lambda first, stop: power[first:stop], len(power)),
        weights,
        release_db_per_s=release_db_per_s,
        hold=hold,
    )
    parts = [shares for _, shares, _ in stream.stretches()]
    return np.concatenate(parts) if parts else np.zeros(power.shape)


def rows(name: str) -> list[list[str]]:
    with (DATA / name).open(encoding="utf-8") as table:
        found = list(csv.reader(table))[1:]
    assert found
    return found


def db(values):  # type: ignore[no-untyped-def]
    return 10 * np.log10(values)


@pytest.mark.parametrize("row", rows("gain_sharing_examples.csv"), ids=lambda row: row[0])
def test_worked_examples(row: list[str]) -> None:
    levels = np.array([float(x) for x in row[0].split()])
    gains = db(law(10 ** (levels[None] / 10)))[0]
    assert gains == pytest.approx([float(x) for x in row[1].split()], abs=5e-5)  # printed to four decimals
    assert db((10 ** (gains / 10)).sum()) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("row", rows("nom_attenuation.csv"), ids=lambda row: row[0])
def test_equally_loud_microphones_get_the_attenuation_of_their_number(row: list[str]) -> None:
    shares = law(np.full((1, int(row[0])), 0.3))
    assert -db(shares) == pytest.approx(float(row[1]), abs=5e-5)


def test_silence_is_shared_alike() -> None:
    assert law(np.zeros((2, 4))).tolist() == [[0.25] * 4] * 2


@settings(max_examples=60, deadline=None)
@given(
    arrays(np.float64, st.tuples(st.integers(1, 60), st.integers(1, 5)), elements=st.floats(0, 1e12)),
    st.booleans(),
    st.floats(10, 1000),
)
def test_shares_add_up_to_one_whatever_happens(power, hold, release) -> None:  # type: ignore[no-untyped-def]
    shares = shares_over_time(power, np.zeros(power.shape[1]), release_db_per_s=release, hold=hold)
    assert shares.sum(axis=1) == pytest.approx(1.0, abs=1e-9)
    assert shares.min(initial=0) >= 0


def talk(turns, seconds, tracks=3, spill_db=-15.0, floor_db=-70.0):  # type: ignore[no-untyped-def]
    """Levels at steady -30 dB while somebody talks (turns: track, start, end), with spill and a floor."""
    power = np.full((seconds * STEPS_PER_S, tracks), 10 ** (floor_db / 10))
    for track, start, end in turns:
        for other in range(tracks):
            level = -30.0 if other == track else -30.0 + spill_db
            power[int(start * STEPS_PER_S) : int(end * STEPS_PER_S), other] += 10 ** (level / 10)
    return power


def shared(power, weights=None, hold=True, release=60.0):  # type: ignore[no-untyped-def]
    given_weights = np.zeros(power.shape[1]) if weights is None else np.array(weights, float)
    return shares_over_time(power, given_weights, release_db_per_s=release, hold=hold)


def test_steady_talk_gets_the_share_of_the_law() -> None:
    power = talk([(1, 2, 8)], 10)
    shares = shared(power)
    assert db(shares[300:780]) == pytest.approx(db(law(power))[300:780], abs=0.5)


def test_the_talkers_share_is_there_within_50_ms_of_the_onset() -> None:
    power = talk([(0, 1, 4), (2, 4, 7)], 8)
    shares = shared(power, release=60.0)
    for onset, talker in ((100, 0), (400, 2)):
        ideal = db(law(power)[onset + 100, talker])
        assert db(shares[onset + 5 :, talker])[:280] == pytest.approx(ideal, abs=0.5)


def test_the_last_open_microphone_stays_open_in_a_pause() -> None:
    power = talk([(0, 1, 3), (1, 6, 8)], 10)
    held, free = shared(power), shared(power, hold=False)
    assert held[550, 0] > 0.9
    assert free[550, 0] == pytest.approx(1 / 3, abs=0.05)
    assert held[950, 1] > 0.9
    # Before anybody has spoken the first one to speak has the mix.
    assert held[20, 0] > 0.9


def test_without_speech_the_shares_stand_still() -> None:
    rng = np.random.default_rng(1)
    power = 1e-7 * rng.chisquare(20, (500, 3)) / 20
    assert np.ptp(shared(power), axis=0).max() == 0.0


def test_a_weight_counts_like_level() -> None:
    power = np.full((200, 2), 1e-3)
    power[:40] = 1e-9
    shares = shared(power, [3.0, 0.0])
    # The worked example: 3 dB louder of two gets -1.76 dB, the other -4.76 dB.
    assert db(shares[150]) == pytest.approx([-1.7643, -4.7643], abs=1e-3)


def test_no_gain_moves_faster_than_the_windows_let_it() -> None:
    rng = np.random.default_rng(2)
    power = 10 ** (rng.uniform(-8, -3, (1000, 4)))
    steps = np.abs(np.diff(shared(power), axis=0))
    # A mean over five steps changes by at most a fifth of the whole from one to the next.
    assert steps.max() <= 0.2 + 1e-9


def test_a_lone_step_of_nonsense_changes_nothing() -> None:
    power = talk([(0, 1, 5)], 6)
    odd = power.copy()
    odd[300, 1] = 1e6  # a step that straddles a moved gain
    assert np.array_equal(shared(odd), shared(power))


def test_a_syllables_end_does_not_hand_the_mix_over_but_another_talker_takes_it_at_once() -> None:
    power = talk([(0, 1, 3)], 5, floor_db=-80.0)
    ended = db(shared(power, hold=False)[:, 0])
    # 60 dB a second: a tenth of a second after the end the talker's microphone still stands far over the noise.
    assert ended[310] > -0.5
    taken = db(shared(talk([(0, 1, 3), (1, 3, 5)], 6))[:, 1])
    assert taken[305] > -0.5


def test_noise_earns_no_share() -> None:
    """A microphone whose steady noise stands 5 dB under another one's talker would have a quarter of the mix by the bare law."""
    power = talk([(0, 1, 4)], 6, tracks=2, floor_db=-80.0)
    power[:, 1] += 10 ** (-35 / 10)
    assert db(law(power)[300, 1]) > -7.0
    assert db(shared(power)[300, 1]) < -14.0


def test_levels_far_apart_keep_their_precision() -> None:
    power = talk([(0, 1, 3)], 6)
    loud = power.copy()
    loud[:90] *= 1e12
    assert shared(loud, hold=False)[500:] == pytest.approx(shared(power, hold=False)[500:], rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 120), st.integers(0, 1 << 30), st.booleans(), st.floats(5, 200))
def test_stretches_of_any_length_give_the_same_shares(stretch, seed, hold, release) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    power = 10 ** rng.uniform(-8, -3, (rng.integers(1, 250), 3))
    power[: rng.integers(0, 90)] = 1e-9
    whole = shares_over_time(power, np.zeros(3), release_db_per_s=release, hold=hold)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sharing, "STRETCH", stretch)
        patch.setattr(levels_module, "STRETCH", stretch)
        cut = shares_over_time(power, np.zeros(3), release_db_per_s=release, hold=hold)
    assert cut == pytest.approx(whole, abs=1e-12)
