"""Decisions on invented recordings whose truth is known: which gain, where, and why."""

import itertools

import numpy as np
import pytest

from takewell.level import LevelSettings
from takewell.level.loudness import passage_loudness
from takewell.level.plan import TrackPlan, plan_take
from takewell.level.speech import listen
from takewell.roll import Move
from takewell.shape import GainEnvelope

RATE = 48_000
TARGET = -23.0
SETTINGS = LevelSettings()


def plan(sim, samples, settings=SETTINGS, fixed=(), **known) -> TrackPlan:  # type: ignore[no-untyped-def]
    (found,) = plan_take(sim.evidence(samples, **known), settings, fixed)
    return found


def levelled(samples, moves):  # type: ignore[no-untyped-def]
    return samples * GainEnvelope.from_moves(moves, RATE, len(samples)).factors(0, len(samples))


def test_one_steady_talker_gets_one_gain_that_libebur128_agrees_with(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 60) * sim.amplitude(-13)
    samples = spoken.samples + sim.room(len(spoken.samples), -80)
    (move,) = plan(sim, samples, floor_dbfs_a=-82.0).moves
    assert (move.start_s, move.end_s, move.fixed) == (0.0, pytest.approx(len(samples) / RATE), False)
    # Gains are whole tenths of a decibel.
    assert sim.integrated_lufs(levelled(samples, [move])) == pytest.approx(TARGET, abs=0.1)


def test_a_float_day_at_three_settings_comes_home(sim) -> None:  # type: ignore[no-untyped-def]
    """Common practice, no source: a passage recorded at the -60 dB setting of a float recorder and lifted by some 88 dB
    still has a floor near -70 dBFS; one recorded at +60 dB plays clean when pulled down."""
    third = [sim.speak("mira", 25, seed=seed) for seed in range(3)]
    wanted_db = -28.0  # at the 0 dB setting speech lies at -51 LUFS, so the -60 dB setting needs 88 dB
    scene = (third[0] + third[1] + third[2]).samples * sim.amplitude(wanted_db)
    scene = scene + sim.room(len(scene), -98.0 + 3.0, seed=1)  # room and microphone
    edges = np.cumsum([len(t.samples) for t in third])
    setting = np.repeat([-60.0, 0.0, 60.0], [len(t.samples) for t in third])
    recorded = scene * 10 ** (setting / 20)
    # The converter's own noise lies under the setting: a float recorder scales what it has converted.
    recorded = (recorded + sim.room(len(scene), -140.0, seed=2) * 10 ** (setting / 20)).astype(np.float32)
    floors = [
        -95.0 - 2.7 + s for s in (-60.0, 0.0, 60.0)
    ]  # white noise weighs 2.7 dB less by A (IEC 61672-1)
    found = plan(sim, recorded, moved_at_s=edges[:2] / RATE, floors=floors)
    assert [m.gain_db for m in found.moves] == pytest.approx([88.0, 28.0, -32.0], abs=0.3)
    # The joins stand on the sample where the setting moved.
    assert [round(m.start_s * RATE) for m in found.moves[1:]] == pytest.approx(list(edges[:2]), abs=2)
    home = levelled(recorded.astype(np.float64), found.moves)
    parts = np.split(home, edges[:2])
    middle = sim.integrated_lufs(parts[1])
    for part, line in zip(parts, third, strict=True):
        assert sim.integrated_lufs(part) == pytest.approx(middle, abs=1.0)
        assert sim.integrated_lufs(part) == pytest.approx(TARGET, abs=0.2)
        # The floor, in the pause after the first sentence.
        start, end = line.lines[0][1], line.lines[1][0]
        pause = part[int((start + 0.1) * RATE) : int((end - 0.05) * RATE)]
        floor_dbfs = 10 * np.log10(2 * np.mean(pause**2))
        assert floor_dbfs == pytest.approx(-67.0, abs=1.0)
    # Nothing sounds louder at the joins than around them.
    for edge in edges[:2]:
        assert np.abs(home[edge - 4800 : edge + 4800]).max() <= np.abs(home).max()
        assert np.abs(home[edge - 100 : edge + 100]).max() < 0.5


def test_a_fixed_point_copy_of_the_same_passage_is_noise_after_lifting(sim) -> None:  # type: ignore[no-untyped-def]
    """Common practice, no source: a fixed-point copy recorded 60 dB low is unusably noisy after lifting."""
    spoken = sim.speak("mira", 20) * sim.amplitude(-28.0 - 60.0)
    exact = spoken.samples.astype(np.float32).astype(np.float64)
    sixteen = np.round(spoken.samples * 2**15) / 2**15
    gain = sim.amplitude(88.0)

    def noise_db(copy) -> float:  # type: ignore[no-untyped-def]
        return float(10 * np.log10(2 * np.mean(((copy - spoken.samples) * gain) ** 2) + 1e-30))

    assert noise_db(exact) < -150
    # Steps of 2^-15 leave no better than -101 dBFS (6.02 N + 1.76 dB), 13 dB under full scale after 88 dB of gain.
    assert noise_db(sixteen) > -35


def test_another_talker_begins_another_passage_in_the_pause(sim) -> None:  # type: ignore[no-untyped-def]
    near, far = sim.speak("tobin", 30) * sim.amplitude(-4), sim.speak("mira", 30, seed=4) * sim.amplitude(-16)
    both = near + far
    samples = both.samples + sim.room(len(both.samples), -85)
    first, second = plan(sim, samples, floor_dbfs_a=-87.7).moves
    assert (first.gain_db, second.gain_db) == pytest.approx((4.0, 16.0), abs=0.3)
    boundary = second.start_s
    assert near.lines[-1][1] <= boundary - first.fade_out_s
    assert boundary + second.fade_in_s <= both.lines[len(near.lines)][0]
    home = levelled(samples, [first, second])
    for part in np.split(home, [len(near.samples)]):
        assert sim.integrated_lufs(part) == pytest.approx(TARGET, abs=0.3)


def test_steady_speech_is_left_in_peace(sim) -> None:  # type: ignore[no-untyped-def]
    for voice in ("mira", "tobin", "edda", "anselm"):
        spoken = sim.speak(voice, 90)
        # Sentences are said up to 2 dB louder or softer, as people do.
        rng = np.random.default_rng(5)
        for start, end in spoken.lines:
            spoken.samples[int(start * RATE) : int(end * RATE)] *= sim.amplitude(rng.uniform(-2, 2))
        samples = spoken.samples * sim.amplitude(-9) + sim.room(len(spoken.samples), -80)
        assert len(plan(sim, samples, floor_dbfs_a=-82.7).moves) == 1


@pytest.mark.parametrize(("seconds", "louder_db", "passages"), [(1, 5.0, 1), (25, 5.0, 3), (1, 15.0, 3)])
def test_a_difference_has_to_last_to_earn_a_passage(  # type: ignore[no-untyped-def]
    sim, seconds: float, louder_db: float, passages: int
) -> None:
    around = [sim.speak("tobin", 60, seed=seed) for seed in (1, 2)]
    between = sim.speak("tobin", seconds, seed=3) * sim.amplitude(louder_db)
    samples = (around[0] + between + around[1]).samples * sim.amplitude(-15)
    samples = samples + sim.room(len(samples), -95)
    found = plan(sim, samples, LevelSettings(dynamics_lu=0.0), floor_dbfs_a=-97.7)
    assert len(found.moves) == passages


def test_a_small_difference_earns_no_move(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 30) * sim.amplitude(0.6)
    found = plan(sim, spoken.samples + sim.room(len(spoken.samples), -80))
    assert found.moves == ()
    assert found.loudness_lufs == pytest.approx(-22.4, abs=0.2)


def test_a_shout_keeps_part_of_its_height_and_the_speech_around_it_its_place(sim) -> None:  # type: ignore[no-untyped-def]
    calm = [sim.speak("mira", 30, seed=seed) * sim.amplitude(-12) for seed in (1, 2)]
    shout = sim.speak("mira", 5, effort="shout")
    samples = (calm[0] + shout + calm[1]).samples
    samples = samples + sim.room(len(samples), -80)
    for dynamics_lu, kept in ((3.0, 3.0), (0.0, 0.0), (10.0, 6.0)):
        first, second, third = plan(
            sim, samples, LevelSettings(dynamics_lu=dynamics_lu), floor_dbfs_a=-82.7
        ).moves
        assert (first.gain_db, third.gain_db) == pytest.approx((12, 12), abs=0.3)
        assert second.gain_db == pytest.approx(kept, abs=0.4)
        assert len(calm[0].samples) / RATE - 1.1 <= second.start_s <= len(calm[0].samples) / RATE + 0.1


def test_a_slammed_door_is_set_apart_and_the_speech_keeps_its_gain(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("edda", 60) * sim.amplitude(-10)
    samples = spoken.samples + sim.room(len(spoken.samples), -85)
    pauses = [(a[1], b[0]) for a, b in itertools.pairwise(spoken.lines)]
    start, end = max(pauses, key=lambda pause: pause[1] - pause[0])
    at = int((start + end) / 2 * RATE)
    bang = np.random.default_rng(1).standard_normal(3000) * np.exp(-np.arange(3000) / 400)
    samples[at : at + 3000] += bang
    moves = plan(sim, samples, floor_dbfs_a=-87.7).moves
    assert [m.gain_db for m in moves][::2] == pytest.approx([10.0, 10.0], abs=0.3)
    assert moves[1].gain_db < 4
    assert start - 0.1 <= moves[1].start_s <= at / RATE
    # Full gain is left to the words on both sides, and no peak needs more than the limiter may take off.
    factors = GainEnvelope.from_moves(moves, RATE, len(samples)).factors(0, len(samples))
    assert factors[int(start * RATE)] == pytest.approx(sim.amplitude(moves[0].gain_db))
    assert factors[int(end * RATE)] == pytest.approx(sim.amplitude(moves[2].gain_db))
    assert sim.true_peak_dbtp(samples * factors) <= SETTINGS.ceiling_dbtp + SETTINGS.limit_db + 0.1


def test_peaks_all_over_a_passage_hold_all_of_it(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 40) * sim.amplitude(-20)
    samples = spoken.samples + sim.room(len(spoken.samples), -90)
    samples[RATE // 2 :: RATE] += 0.5
    found = plan(sim, samples, floor_dbfs_a=-92.7)
    home = levelled(samples, found.moves)
    assert sim.true_peak_dbtp(home) <= SETTINGS.ceiling_dbtp + SETTINGS.limit_db + 0.1
    assert any(d.limit == "peaks" for d in found.decisions)


@pytest.mark.parametrize(("floor", "gain"), [(-70.0, 20.0), (-52.0, 12.0), (-38.0, 0.0)])
def test_the_floor_guard_holds_the_gain_but_never_turns_speech_down(sim, floor: float, gain: float) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 30) * sim.amplitude(-20)
    found = plan(sim, spoken.samples + sim.room(len(spoken.samples), -75), floor_dbfs_a=floor)
    # The highest floor is -40 dBFS(A).
    assert [m.gain_db for m in found.moves] == pytest.approx([gain] if gain else [], abs=0.3)
    if gain == 12.0:
        assert found.decisions[0].limit == "floor"
        assert found.predictions[0].floor_dbfs_a == pytest.approx(-40.0, abs=0.1)


def test_a_rise_of_the_floor_can_be_bounded(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 30) * sim.amplitude(-20)
    samples = spoken.samples + sim.room(len(spoken.samples), -90)
    (move,) = plan(sim, samples, LevelSettings(floor_rise_db=8.0), floor_dbfs_a=-92.7).moves
    assert move.gain_db == 8.0


def test_floors_do_not_jump_between_neighbours_by_more_than_asked(sim) -> None:  # type: ignore[no-untyped-def]
    near, far = sim.speak("tobin", 40), sim.speak("mira", 20, seed=4) * sim.amplitude(-12)
    samples = (near + far).samples * sim.amplitude(-8)
    samples = samples + sim.room(len(samples), -62)
    for jump in (3.0, 6.0, 50.0):
        first, second = plan(sim, samples, LevelSettings(floor_jump_db=jump), floor_dbfs_a=-62.0).moves
        assert first.gain_db == pytest.approx(8.0, abs=0.5)
        after = [-62.0 + m.gain_db for m in (first, second)]
        assert after[1] - after[0] <= jump + 0.05
        assert second.gain_db == pytest.approx(min(20.0, first.gain_db + jump), abs=0.4)


def test_line_up_level_brings_the_rms_of_speech_there(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("tobin", 30) * sim.amplitude(-9)
    samples = spoken.samples + sim.room(len(spoken.samples), -85)
    (move,) = plan(sim, samples, LevelSettings(line_up_dbfs=-20.0), floor_dbfs_a=-87.7).moves
    heard = listen(*(lambda t: (t.trace, t.settings))(sim.evidence(samples)[0]))
    inside = np.zeros(len(samples), bool)
    for step in np.flatnonzero(heard.own):
        inside[step * 480 : (step + 1) * 480] = True
    rms = 10 * np.log10(2 * np.mean(levelled(samples, [move])[inside] ** 2))
    assert rms == pytest.approx(-20.0, abs=0.1)


def test_where_nobody_speaks_nothing_moves(sim) -> None:  # type: ignore[no-untyped-def]
    for samples in (sim.room(20 * RATE, -50), np.zeros(20 * RATE)):
        found = plan(sim, samples)
        assert found.moves == ()
        assert found.loudness_lufs is None


def test_a_setting_without_speech_lets_the_floor_run_on(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 20) * sim.amplitude(-15)
    length = len(spoken.samples)
    samples = np.concatenate([spoken.samples, np.zeros(8 * RATE)]) + sim.room(length + 8 * RATE, -80)
    samples[length:] *= 10
    found = plan(sim, samples, moved_at_s=[length / RATE], floors=[-82.7, -62.7])
    assert [m.gain_db for m in found.moves] == pytest.approx([15.0, -5.0], abs=0.3)
    assert found.predictions[1].floor_dbfs_a == pytest.approx(found.predictions[0].floor_dbfs_a, abs=0.11)


def test_a_mix_gets_one_gain_for_both_sides(sim) -> None:  # type: ignore[no-untyped-def]
    from takewell.level.linked import together

    loud, soft = sim.speak("mira", 20) * sim.amplitude(-4), sim.speak("tobin", 20) * sim.amplitude(-16)
    left = (loud + soft).samples
    samples = np.stack([left, 0.5 * left], 1) + sim.room(len(left), -85)[:, None]
    sides = sim.evidence(samples, roles=["mix", "mix"])
    plans = plan_take([together(sides)], SETTINGS)
    assert [p.number for p in plans] == [1, 2]
    assert [len(p.moves) for p in plans] == [1, 1]
    assert plans[0].moves[0].gain_db == plans[1].moves[0].gain_db
    home = samples * sim.amplitude(plans[0].moves[0].gain_db)
    import pyebur128

    state = pyebur128.R128State(2, RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(home).ravel(), len(home))
    # The gates leave out other blocks when the quiet half is gated with the loud one.
    assert pyebur128.get_loudness_global(state) == pytest.approx(TARGET, abs=0.3)


def test_safety_tracks_are_levelled_only_when_asked(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 20) * sim.amplitude(-10)
    samples = np.stack([spoken.samples] * 2, 1) + sim.room(len(spoken.samples), -85)[:, None]
    tracks = sim.evidence(samples, roles=["iso", "safety"])
    assert [p.number for p in plan_take(tracks, SETTINGS)] == [1]
    assert [p.number for p in plan_take(tracks, LevelSettings(safety=True))] == [1, 2]


def test_a_persons_line_stands_and_the_rest_is_planned_around_it(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 60) * sim.amplitude(-10)
    samples = spoken.samples + sim.room(len(spoken.samples), -85)
    mine = Move("1-1", 1, 20.0, 30.0, 4.5, 0.2, 0.3, True, "I like it so")
    first, second, third = plan(sim, samples, fixed=[mine], floor_dbfs_a=-87.7).moves
    assert second == mine
    assert (first.end_s, third.start_s) == (20.0, 30.0)
    assert (first.gain_db, third.gain_db) == pytest.approx((10.0, 10.0), abs=0.3)


def test_loudness_of_a_passage_does_not_depend_on_the_level_it_was_recorded_at(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("yusa", 40)
    samples = spoken.samples + sim.room(len(spoken.samples), -75)
    readings = []
    for gain_db in (-90.0, -60.0, -20.0, 0.0, 60.0):
        (track,) = sim.evidence(samples * sim.amplitude(gain_db))
        heard = listen(track.trace, track.settings)
        loudness, rms = passage_loudness(track.trace, heard.own, 0, len(samples) / RATE, target_lufs=TARGET)
        readings.append((loudness - gain_db, rms - gain_db))
    assert np.ptp(np.array(readings), axis=0) == pytest.approx([0, 0], abs=1e-3)
    assert readings[0][0] == pytest.approx(sim.integrated_lufs(samples), abs=0.05)


def test_simulated_days_end_within_one_lu(sim) -> None:  # type: ignore[no-untyped-def]
    """At least 95 % of passages within 1 LU of the target where the guards allow, no move inside a word."""
    rng = np.random.default_rng(42)
    voices = ["mira", "tobin", "edda", "anselm", "yusa", "perrin"]
    off, inside, speech_s, joins = [], 0, 0.0, 0
    for _ in range(10):
        parts, gains = [], []
        for _ in range(rng.integers(1, 4)):
            gains.append(float(rng.uniform(-25, 5)))
            voice = voices[rng.integers(len(voices))]
            parts.append(
                sim.speak(voice, rng.uniform(20, 45), seed=int(rng.integers(99))) * sim.amplitude(gains[-1])
            )
        whole = sum(parts[1:], parts[0])
        floor = float(rng.uniform(-100, -85))
        samples = whole.samples + sim.room(len(whole.samples), floor, int(rng.integers(99)))
        found = plan(sim, samples, floor_dbfs_a=floor - 2.7)
        home = levelled(samples, found.moves)
        at = 0
        for part in parts:
            off.append(sim.integrated_lufs(home[at : at + len(part.samples)]) - TARGET)
            at += len(part.samples)
        for before, after in itertools.pairwise(found.moves):
            joins += 1
            low, high = after.start_s - before.fade_out_s, after.start_s + after.fade_in_s
            said = np.abs(whole.samples[int(low * RATE) : int(high * RATE)]).max()
            inside += said > 0.01 * np.abs(whole.samples).max()  # 40 dB under the loudest there is no word
        speech_s += sum(end - start for start, end in whole.lines)
    assert np.mean(np.abs(off) <= 1.0) >= 0.95
    assert inside == 0
    assert joins <= speech_s / 20
