"""The chain, by arithmetic on paper and sample by sample."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.errors import SettingError
from takewell.plan.chain import (
    FinerConverter,
    Limiter,
    Stage,
    carry,
    gain_through,
    gives_way_first,
    level_at_entrance,
    outputs,
    with_more_gain,
)
from takewell.plan.stages import PASCAL_DB_SPL, full_chain

SINE = np.sin(2 * np.pi * np.arange(480) / 48 + 0.3)


def chain_of(microphone, recorder_input, gain_db=30.0):
    return full_chain(microphone, recorder_input, gain_db, 48_000)


def test_1_pascal_is_93_98_db_spl():
    assert pytest.approx(93.979, abs=5e-4) == PASCAL_DB_SPL


def test_every_stage_reads_what_paper_says(microphone, recorder_input):
    # 94 dB SPL (1 Pa, to 0.021 dB) at 10 mV/Pa is -40 dBV, which is -37.78 dBu; 30 dB of gain make -7.78 dBu,
    # and with 0 dBFS at +20 dBu that is -27.78 dBFS.
    passed = carry(chain_of(microphone, recorder_input), PASCAL_DB_SPL, PASCAL_DB_SPL)
    assert [p.stage.unit for p in passed] == ["dB SPL", "dBV", "dBu", "dBFS", "dBFS"]
    expected = [93.979, -40.0, -7.7815, -27.7815, -27.7815]
    assert [p.rms_db for p in passed] == pytest.approx(expected, abs=5e-4)


def test_headroom_is_what_is_left_to_each_limit(microphone, recorder_input):
    passed = carry(chain_of(microphone, recorder_input), PASCAL_DB_SPL, PASCAL_DB_SPL + 12)
    by_part = {p.stage.part: p for p in passed}
    assert by_part["sound"].headroom_peak_db == math.inf
    assert by_part["microphone"].headroom_rms_db == pytest.approx(130 - PASCAL_DB_SPL)
    assert by_part["microphone"].headroom_peak_db == pytest.approx(130 - PASCAL_DB_SPL - 12)
    assert by_part["preamplifier"].headroom_rms_db == pytest.approx(24 + 7.7815, abs=5e-4)
    assert by_part["file"].headroom_peak_db == pytest.approx(27.7815 - 12, abs=5e-4)


@pytest.mark.parametrize(
    ("gain_db", "first"),
    [(0.0, "microphone"), (10.0, "microphone"), (30.0, "converter"), (60.0, "converter")],
)
def test_the_stage_that_gives_way_first_follows_the_gain(microphone, recorder_input, gain_db, first):
    # At the microphone's 130 dB SPL the file reads 130 - 93.979 - 37.7815 + gain - 20 = gain - 21.76 dBFS.
    passed = carry(chain_of(microphone, recorder_input, gain_db), 80.0, 90.0)
    stage = gives_way_first(passed)
    assert stage.stage.part == first
    assert stage.gives_way_at_db == pytest.approx(min(130.0, 130.0 - (gain_db - 21.7605)), abs=1e-3)
    assert stage.margin_db == pytest.approx(stage.gives_way_at_db - 90.0)


def test_source_and_input_resistance_divide_the_voltage(microphone, recorder_input):
    # 150 ohm into 3000 ohm: 20 log10(3000 / 3150) = -0.424 dB.
    loaded = chain_of(replace(microphone, source_impedance_ohm=150.0), recorder_input)
    assert gain_through(loaded) - gain_through(chain_of(microphone, recorder_input)) == pytest.approx(
        -0.4238, abs=1e-4
    )


@pytest.mark.parametrize("over_db", [-6.0, -0.1, 0.1, 3.0, 12.0])
def test_samples_and_levels_agree_on_what_is_cut_off(microphone, recorder_input, over_db):
    chain = chain_of(microphone, recorder_input)
    level = gives_way_first(carry(chain, 0.0, 0.0)).gives_way_at_db + over_db
    crest = np.abs(SINE).max()
    *_, file = outputs(chain, SINE / crest * 10 ** (level / 20))
    assert np.abs(file).max() == pytest.approx(min(1.0, 10 ** (over_db / 20)), rel=1e-9)
    cut = int(np.sum(np.abs(file) >= 1.0))
    slow = sum(abs(s) / crest * 10 ** (over_db / 20) >= 1.0 for s in SINE)  # sample by sample
    assert cut == slow


def test_a_float_file_keeps_what_the_converter_let_through(microphone, recorder_input):
    device = replace(recorder_input, gain_place="after_converter", encoding="float32", gain_min_db=-60.0)
    chain = chain_of(microphone, device, 60.0)
    loud = SINE * 10 ** (110 / 20)
    *_, converter, file = outputs(chain, loud)
    assert np.abs(converter).max() < 1.0
    assert file == pytest.approx(converter * 1000.0)


LIMITERS = st.builds(
    Limiter,
    kind=st.sampled_from(["analogue", "deferred"]),
    threshold_db=st.floats(-40, 0),
    ratio=st.floats(1, 100),
    range_db=st.floats(0, 30),
    attack_ms=st.floats(0, 10),
    release_ms=st.just(100.0),
)


@given(LIMITERS, st.floats(-80, 40), st.floats(0.01, 100))
def test_the_inverse_of_a_limiter_undoes_it(limiter, level, rise_ms):
    after = level + float(limiter.gain_db(level, rise_ms))
    assert limiter.level_before(after, rise_ms) == pytest.approx(level, abs=1e-6)


@given(LIMITERS, st.floats(0, 60), st.floats(0.01, 100))
def test_a_source_at_the_level_at_which_a_stage_gives_way_just_fills_it(limiter, gain_db, rise_ms):
    chain = (
        Stage("sound", "sound", "dB SPL", 0.0),
        Stage("link", "transmitter", "dBFS", -100.0, 0.0, limiter=limiter),
        Stage("pre", "preamplifier", "dBu", gain_db, 20.0),
        Stage("conv", "converter", "dBFS", -20.0, 0.0, limiter=limiter),
    )
    for index in (1, 2, 3):
        level = level_at_entrance(chain, index, chain[index].limit_db, rise_ms=rise_ms)
        passed = carry(chain, level, level, rise_ms=rise_ms)
        assert passed[index].headroom_peak_db == pytest.approx(0.0, abs=1e-6)
        assert passed[index].margin_db == pytest.approx(0.0, abs=1e-6)


def test_a_limiter_follows_its_curve():
    limiter = Limiter("analogue", -6.0, 10.0, 24.0, 1.0, 200.0)
    levels = [-20.0, -6.0, 4.0, 40.0]
    # 10 dB over the threshold at 10:1 come out 1 dB over it; past its range it follows 1:1.
    assert limiter.gain_db(levels) == pytest.approx([0.0, 0.0, -9.0, -24.0])
    # After one time constant of attack 63 % of it is done.
    assert float(limiter.gain_db(4.0, rise_ms=1.0)) == pytest.approx(-9.0 * (1 - math.exp(-1)))


def test_a_limiters_own_gain_at_each_sample_can_be_given():
    stage = Stage(
        "c", "converter", "dBFS", 6.0, 0.0, limiter=Limiter("analogue", -6.0, 10.0, 24.0, 1.0, 200.0)
    )
    held = stage.output(np.array([0.1, 1.0]), limiter_gain_db=np.array([0.0, -40.0]))
    assert held == pytest.approx([0.1 * 10 ** (6 / 20), 10 ** (-34 / 20)])


def test_the_finer_converter_is_in_use_up_to_the_handover():
    stage = Stage("c", "converter", "dBFS", 0.0, 0.0, -110.0, finer=FinerConverter(-34.0, -140.0))
    assert list(stage.noise_at([-90.0, -34.0, -33.9, 0.0])) == [-140.0, -140.0, -110.0, -110.0]
    assert stage.quiet_noise_db_a == -140.0


def test_more_gain_in_a_part_that_is_not_there_is_refused(microphone, recorder_input):
    chain = chain_of(microphone, recorder_input)
    assert gain_through(with_more_gain(chain, "preamplifier", 6.0)) == pytest.approx(gain_through(chain) + 6)
    with pytest.raises(SettingError, match="no transmitter"):
        with_more_gain(chain, "transmitter", 6.0)


def test_a_gain_the_device_does_not_have_is_refused(microphone, recorder_input):
    with pytest.raises(SettingError, match="a gain of 71 dB: i goes from 0 to 70 dB"):
        chain_of(microphone, recorder_input, 71.0)
