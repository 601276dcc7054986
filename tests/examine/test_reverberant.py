"""How long a room rings is told from the speech in it, against decays known in closed form and simulated rooms."""

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soxr
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from takewell.demo import labelled_speech
from takewell.engine.results import Passage
from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.reverberant import decay_times, find_reverberant

RATE = 48_000
ROOMS = Path(__file__).parents[1] / "data" / "examine" / "simulated_rooms.npz"
T30_S = {"room_1": 0.402, "room_2": 0.748, "room_3": 1.105}
"""pyroomacoustics 0.10.1, `experimental.measure_rt60`, over 30 dB as ISO 3382-1 has it (tests/data/examine/README.md)."""

F64 = NDArray[np.float64]
Hear = Callable[..., TakeEvidence]


@pytest.fixture(scope="module")
def dry() -> F64:
    return labelled_speech(40, seed=8, speech_dbfs=-26, floor_dbfs=-np.inf, pause_s=(0.8, 1.6)).samples[:, 0]


def in_room(dry: F64, response: F64) -> F64:
    heard = oaconvolve(dry, response)[: len(dry)]
    floor = np.random.default_rng(1).standard_normal(len(dry)) * 10 ** (-75 / 20)
    return np.asarray(heard * dry.std() / heard.std() + floor)


def listened(hear: Hear, sound: F64, kind: str = "take", parts: int = 1) -> TrackEvidence:
    edges = np.linspace(0, len(sound) / RATE, parts + 1).tolist()
    passages = tuple(Passage(a, b, -26.0, -26.0, -72.0, -75.0, 46.0) for a, b in pairwise(edges))
    return hear([sound], passages=[passages], kind=kind).tracks[0]


# A straight fall of 60 dB in T: every 10 ms 0.6 / T dB, whatever the crest.
@pytest.mark.parametrize("time_s", [0.2, 0.5, 1.0, 2.0])
def test_a_straight_fall_reads_its_own_time(time_s: float) -> None:
    fall = -20 - 0.6 / time_s * np.arange(round(35 / 0.6 * time_s))
    steps = np.concatenate([np.full(40, -90.0), fall, np.full(60, -90.0)])
    assert decay_times(steps, -26.0) == pytest.approx([time_s], rel=1e-6)


def test_a_fall_that_comes_back_up_or_ends_in_the_floor_is_none() -> None:
    fall = -20 - 1.2 * np.arange(20)
    back = np.concatenate(
        [np.full(40, -80.0), fall[:10], fall[9] + np.array([2, 4.0]), fall[10:], np.full(60, -80.0)]
    )
    shallow = np.concatenate([np.full(40, -43.0), fall[:18], np.full(60, -43.0)])
    assert not len(decay_times(back, -21.0))
    assert not len(decay_times(shallow, -26.0))


def test_dry_speech_is_not_told(hear: Hear, dry: F64) -> None:
    assert find_reverberant(listened(hear, in_room(dry, np.ones(1)))) == []


# Exponentially decaying noise has the reverberation time it is made with: 10^(-3 t / T) in amplitude (ISO 3382-1, 3.3, the
# definition of T); a direct sound 6 dB under the tail's energy leaves it the decay.
@pytest.mark.parametrize("time_s", [0.7, 1.0, 1.6])
def test_a_tail_of_known_time_is_read_within_the_range_given(hear: Hear, dry: F64, time_s: float) -> None:
    t = np.arange(round(1.3 * time_s * RATE)) / RATE
    tail = np.random.default_rng(2).standard_normal(len(t)) * 10 ** (-3 * t / time_s)
    tail[0] = np.sqrt(np.sum(tail**2) / 4)
    [found] = find_reverberant(listened(hear, in_room(dry, tail)))
    assert float(found.evidence["reverberation_least_s"] or 0) <= time_s
    assert time_s <= float(found.evidence["reverberation_most_s"] or 0)
    assert found.severity == ("note" if time_s == 0.7 else "minor")


@pytest.mark.parametrize("name", ["room_2", "room_3"])
def test_simulated_rooms_are_read_within_the_range_given(hear: Hear, dry: F64, name: str) -> None:
    response = soxr.resample(np.load(ROOMS)[name].astype(np.float64), 16_000, RATE)
    [found] = find_reverberant(listened(hear, in_room(dry, response)))
    least, most = (float(found.evidence[k] or 0) for k in ("reverberation_least_s", "reverberation_most_s"))
    assert least <= T30_S[name] <= most


def test_near_the_mouth_in_a_small_room_nothing_is_told(hear: Hear, dry: F64) -> None:
    response = soxr.resample(np.load(ROOMS)["room_1"].astype(np.float64), 16_000, RATE)
    assert find_reverberant(listened(hear, in_room(dry, response))) == []


def test_gain_settings_are_read_together_and_no_samples(hear: Hear, dry: F64) -> None:
    response = soxr.resample(np.load(ROOMS)["room_3"].astype(np.float64), 16_000, RATE)
    heard = listened(hear, in_room(dry, response), parts=3)
    assert len(find_reverberant(heard)) == 1
    assert heard.reader.samples_read == 0  # type: ignore[attr-defined]


def test_room_tone_silence_and_short_takes_are_left_alone(hear: Hear, dry: F64) -> None:
    response = soxr.resample(np.load(ROOMS)["room_3"].astype(np.float64), 16_000, RATE)
    sound = in_room(dry, response)
    assert find_reverberant(listened(hear, sound, kind="room_tone")) == []
    assert find_reverberant(listened(hear, sound[: 10 * RATE])) == []
    assert find_reverberant(listened(hear, np.zeros(20 * RATE))) == []
