"""A recording through other chains: sample by sample against arithmetic, as a whole against the plan's own numbers."""

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell.errors import DestinationError, SettingError
from takewell.kit import Microphone, RecorderInput, find_profile
from takewell.measure.weighting import weighting_sos
from takewell.plan.chain import Limiter, Stage, carry, gain_through
from takewell.plan.noise import power_sum_db, stage_noise_at_microphone
from takewell.plan.stages import Source, full_chain, recorder_stages
from takewell.units import rms_dbfs
from takewell.whatif import NamedChain, Passing, parse_chain, recorded_full_scale_dbu, what_if

RATE = 48_000


def voice_and_pauses(seconds: float = 12.0, peak_dbfs: float = 9.0) -> np.ndarray:
    """Noise of speech-like spectrum in words and pauses, exact silence between, peaking over full scale."""
    random = np.random.default_rng(4)
    n = np.arange(round(seconds * RATE))
    noise = np.convolve(random.normal(size=len(n)), np.ones(24) / 24, "same")
    talk = np.clip(1.5 * np.sin(2 * np.pi * 0.25 * n / RATE), 0, 1) * (
        0.6 + 0.4 * np.sin(2 * np.pi * 3 * n / RATE)
    )
    signal = noise * talk
    return (signal / np.abs(signal).max() * 10 ** (peak_dbfs / 20))[:, None]


def through(chain: NamedChain, samples: np.ndarray, block: int = 10_007) -> tuple[np.ndarray, Passing]:
    way = Passing(chain, RATE, samples.shape[1], seed=1)
    out = [way.add(samples[k : k + block]) for k in range(0, len(samples), block)]
    return np.concatenate(out), way


def a_weighted_dbfs(samples: np.ndarray) -> float:
    from scipy.signal import sosfilt

    return float(rms_dbfs(np.mean(sosfilt(weighting_sos("A", RATE), samples) ** 2)))


INPUTS = [
    ("camera-input", 28.0),
    ("analogue-limiter-input", 30.0),
    ("deferred-gain-input", 36.0),
    ("two-converter-input", 0.0),
]


@pytest.mark.parametrize(("name", "gain_db"), INPUTS)
@pytest.mark.parametrize("peak_dbu", [-45.0, -14.0])
def test_plan_and_what_if_agree_within_half_a_decibel(name: str, gain_db: float, peak_dbu: float) -> None:
    # The same material: a tone that rises slowly (so that a limiter's times do not matter), then silence.
    profile = find_profile(name, RecorderInput)
    stages = recorder_stages(profile, gain_db, RATE, source=Source(150.0, noise_known=True))
    n = np.arange(4 * RATE)
    rise = np.clip(n / (2 * RATE), 0, 1) ** 2
    tone = (np.sin(2 * np.pi * 997 / RATE * n) * rise)[:, None]
    material = np.concatenate([tone, np.zeros((4 * RATE, 1))])
    out, way = through(NamedChain(name, stages, peak_dbu), material)
    planned = carry(stages, peak_dbu, peak_dbu)
    clipped = False
    for use, passing in zip(way.uses(0), planned, strict=True):
        assert use.stage == passing.stage.name
        assert use.peak_db is not None
        if not clipped:
            # Noise on the peak of a quiet tone is part of what really happens: it lies 40 dB and more below here.
            assert use.peak_db == pytest.approx(passing.peak_db, abs=0.5)
        assert (
            bool([g for g in way.gave_way(0) if g.stage == use.stage]) == (passing.headroom_peak_db < 0)
            or clipped
        )
        clipped |= passing.headroom_peak_db < 0
    # The floor: every stage's own noise as the plan refers it to the entrance, carried to the end.
    floor = power_sum_db([level for _, level in stage_noise_at_microphone(stages)]) + gain_through(stages)
    # A deferred-gain limiter has let go long before the last two seconds.
    assert a_weighted_dbfs(out[-2 * RATE :, 0]) == pytest.approx(floor, abs=0.5)


def test_plan_and_what_if_agree_from_the_sound_on() -> None:
    microphone = find_profile("short-shotgun", Microphone)
    recorder = find_profile("camera-input", RecorderInput)
    chain = full_chain(microphone, recorder, 32.0, RATE, room_noise_db_a=25.0)
    # Sound and room are stages too: the material is 74 dB SPL peak of a sine, from the entrance on.
    n = np.arange(2 * RATE)
    material = np.concatenate([np.sin(2 * np.pi * 997 / RATE * n), np.zeros(2 * RATE)])[:, None]
    out, way = through(NamedChain("whole", chain, 74.0), material)
    for use, passing in zip(way.uses(0), carry(chain, 74.0, 74.0), strict=True):
        assert use.peak_db == pytest.approx(passing.peak_db, abs=0.5)
    floor = power_sum_db([level for _, level in stage_noise_at_microphone(chain)]) + gain_through(chain)
    assert a_weighted_dbfs(out[-RATE:, 0]) == pytest.approx(floor, abs=0.5)


def test_each_sample_is_the_stages_own_output() -> None:
    # No noise, no limiter: the chain's `output` applied to all samples at once, from arithmetic on paper: x * 2, cut at 1.
    stages = (
        Stage("gain", "preamplifier", "dBFS", 20 * math.log10(2)),
        Stage("converter", "converter", "dBFS", 0.0, 0.0),
    )
    samples = voice_and_pauses(2.0)
    out, way = through(NamedChain("x", stages), samples)
    assert np.allclose(out, np.clip(2 * samples, -1, 1), rtol=0, atol=1e-12)
    over = np.abs(2 * samples[:, 0]) > 1
    assert sum(one.samples for one in way.gave_way(0)) == over.sum()
    assert way.gave_way(0)[0].start_s == pytest.approx(np.argmax(over) / RATE)
    worst = max(one.over_db for one in way.gave_way(0))
    assert worst == pytest.approx(20 * np.log10(2) + 9.0, abs=1e-9)


@pytest.mark.parametrize("block", [97, 4_800, 48_000])
def test_the_cuts_between_blocks_leave_no_trace(block: int) -> None:
    chain = parse_chain("gain=3,encoding=float64,limiter=analogue,threshold=-12,attack=2,release=80", RATE)
    samples = voice_and_pauses(2.0)
    whole, way = through(chain, samples, len(samples))
    cut, other = through(chain, samples, block)
    assert np.allclose(whole, cut, rtol=1e-12, atol=1e-12)
    assert way.gave_way(0) == other.gave_way(0)


def test_a_limiter_holds_a_steady_tone_where_its_curve_says() -> None:
    # -6 dBFS threshold, 4 to 1: a tone of +6 dBFS leaves at -6 + 12/4 = -3 dBFS once the attack is over.
    limiter = Limiter("analogue", -6.0, 4.0, 40.0, 2.0, 300.0)
    stage = Stage("converter", "converter", "dBFS", 0.0, math.inf, limiter=limiter)
    n = np.arange(RATE)
    out, way = through(NamedChain("x", (stage,), 6.0), np.sin(2 * np.pi * 997 / RATE * n)[:, None])
    late = out[RATE // 2 :, 0]
    assert float(rms_dbfs(np.mean(late**2))) == pytest.approx(-3.0, abs=0.02)
    assert way.uses(0)[0].limiter_db == pytest.approx(-9.0, abs=0.02)
    # One pole of 2 ms: by then 63 % of nine decibels; the detector needs a quarter period, 0.25 ms, to see the crest.
    at = round(0.00225 * RATE)
    crest = np.abs(out[at - 24 : at + 24, 0]).max()
    assert 20 * np.log10(crest) == pytest.approx(6 - 9 * (1 - math.exp(-1)), abs=1.5)


@pytest.mark.parametrize(("encoding", "a_weighted"), [("int16", -96.04), ("int24", -144.21)])
def test_rounding_makes_the_noise_of_an_ideal_converter(encoding: str, a_weighted: float) -> None:
    # Triangular dither, q^2/4 over 0 to 24 kHz, A-weighted (from the published curve): -96.04 and -144.21 dBFS.
    out, _way = through(parse_chain(f"encoding={encoding}", RATE), np.full((4 * RATE, 1), 1e-9))
    assert a_weighted_dbfs(out[RATE:, 0]) == pytest.approx(a_weighted, abs=0.15)


def test_two_converters_change_over_with_the_level() -> None:
    chain = parse_chain("encoding=float32,noise=-90,handover=-30,second_offset=25,second_noise=-115", RATE)
    n = np.arange(2 * RATE)
    tone = np.sin(2 * np.pi * 997 / RATE * n)[:, None]
    quiet, _ = through(chain, 0.02 * tone)
    loud, way = through(chain, 0.1 * tone)
    assert a_weighted_dbfs((quiet - 0.02 * tone)[RATE:, 0]) == pytest.approx(-115, abs=0.3)
    assert a_weighted_dbfs((loud - 0.1 * tone)[RATE:, 0]) == pytest.approx(-90, abs=0.3)
    assert way.uses(0)[1].coarse_s == pytest.approx(2.0, abs=0.01)


def test_a_deferred_gain_limiter_raises_the_floor_by_what_it_defers() -> None:
    # 10 dB deferred: the same gain in the quiet, 10 dB more of the converter's noise (common practice, no source).
    n = np.arange(2 * RATE)
    quiet = 0.001 * np.sin(2 * np.pi * 997 / RATE * n)[:, None]
    plain, _ = through(parse_chain("gain=20,encoding=float64,noise=-110", RATE), quiet)
    words = "gain=20,encoding=float64,noise=-110,limiter=deferred,range=10,threshold=-3,ratio=20,attack=0"
    deferred, _ = through(parse_chain(words, RATE), quiet)
    assert a_weighted_dbfs((plain - 10 * quiet)[:, 0]) == pytest.approx(-110, abs=0.1)
    assert a_weighted_dbfs((deferred - 10 * quiet)[:, 0]) == pytest.approx(-100, abs=0.1)
    # In the loud the converter has 10 dB of room: -6 dBFS stand at +4 in it and clip, -10.5 dBFS at -0.5 and do not.
    _loud, way = through(parse_chain(words.replace("float64", "int24"), RATE), 0.5 * quiet / 0.001)
    assert [one for one in way.gave_way(0) if one.stage == "converter"]
    _out, easier = through(parse_chain(words.replace("float64", "int24"), RATE), 0.3 * quiet / 0.001)
    assert not easier.gave_way(0)
    assert easier.uses(0)[-1].limiter_db == pytest.approx(-10.0, abs=0.05)


def write(path: Path, samples: np.ndarray, subtype: str = "FLOAT") -> Path:
    soundfile.write(path, samples, RATE, subtype=subtype)
    return path


def test_what_float_saved_is_said(tmp_path: Path) -> None:
    random = np.random.default_rng(8)
    samples = voice_and_pauses() + random.normal(size=(12 * RATE, 1)) * 10 ** (-80 / 20)
    file = write(tmp_path / "a.wav", samples)
    chains = [
        parse_chain(words, RATE)
        for words in ("encoding=int24", "gain=-40,encoding=int16", "gain=-12,encoding=float32")
    ]
    found = what_if(file, chains, ceiling_dbtp=-15.0, render=tmp_path / "listen")
    clipping, low, float_again = found.chains
    assert found.samples_over_full_scale == np.count_nonzero(np.abs(samples) > 1)
    assert "9.0 dB over full scale" in found.saved
    assert len(clipping.channels[0].gave_way) > 5
    assert clipping.sentence.startswith("Clips in")
    assert not low.channels[0].gave_way
    # 40 dB down into 16 bits: -96.04 dBFS A of rounding against -80 - 40 + A of white (-2.72): the floor rises by the sum.
    white = -80 + 3.01 - 2.72 - 40
    rise = 10 * np.log10(10 ** (white / 10) + 10 ** (-96.04 / 10)) - white
    assert low.channels[0].floor_rise_db == pytest.approx(rise, abs=0.3)
    assert float_again.channels[0].floor_rise_db == pytest.approx(0.0, abs=0.05)
    for name in ("as-recorded", "through-1", "through-2", "through-3"):
        heard, rate = soundfile.read(tmp_path / "listen" / f"a-{name}.wav", always_2d=True)
        assert rate == RATE
        assert len(heard) == len(samples)
        import soxr

        highest_db = 20 * np.log10(np.abs(soxr.resample(heard, RATE, 8 * RATE)).max())
        # At -23 LUFS the words would reach higher: the limiter holds them just under the ceiling.
        assert -16.0 < highest_db <= -15.0 + 0.05
    with pytest.raises(DestinationError, match="is there already"):
        what_if(file, chains, render=tmp_path / "listen")


def test_a_whole_number_recording_is_told_to_have_lost_its_peaks(tmp_path: Path) -> None:
    found = what_if(
        write(tmp_path / "a.wav", np.clip(voice_and_pauses(3), -1, 0.99), "PCM_24"),
        [parse_chain("gain=-6", RATE)],
    )
    assert "was lost when it was made" in found.notes[0]


def test_an_input_of_the_kit_needs_the_level_it_was_recorded_at() -> None:
    with pytest.raises(SettingError, match="say how it was recorded"):
        parse_chain("input=camera-input,gain=28", RATE)
    dbu = recorded_full_scale_dbu("input=two-converter-input,gain=20", RATE)
    # 0 dBFS lies 20 dB under the converter's +10 dBu, and 150 ohm on 3 kilohm cost 0.42 dB.
    assert dbu == pytest.approx(10 - 20 + 20 * math.log10(3150 / 3000), abs=1e-9)
    chain = parse_chain("input=camera-input,gain=28", RATE, full_scale_dbu=dbu)
    assert chain.entrance_db == dbu
    assert recorded_full_scale_dbu("full_scale=-14.5", RATE) == -14.5


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("loud", "not key=value"),
        ("gain=x", "gain = x is not a number"),
        ("gain=1,gain=2", "given twice"),
        ("volume=3", "volume is not known here"),
        ("encoding=int12", "int12 is not one of"),
        ("limiter=soft", "soft is not one of"),
        ("limiter=analogue,ratio=0.5", "ratio is 1 or more"),
        ("handover=-10,second_offset=20", "finer converter is full"),
        ("gain=99999", "out of reach"),
    ],
)
def test_a_chain_that_makes_no_sense_is_refused_with_the_word(words: str, said: str) -> None:
    with pytest.raises(SettingError, match=said):
        parse_chain(words, RATE)
