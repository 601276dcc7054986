"""Arrivals against delays that are known because they were put there."""

import numpy as np
import pytest

from takewell.demo import voices
from takewell.measure.arrival import LOOK_S, Arrivals

RATE = 48_000


def voice(seconds: float) -> np.ndarray:
    clips = [clip.samples.astype(np.float64) for clip in voices(RATE)["mira"]]
    joined = np.concatenate(clips)
    return np.tile(joined, int(seconds * RATE / len(joined)) + 1)[: int(seconds * RATE)]


def found(samples: np.ndarray, looks: int = 8):  # type: ignore[no-untyped-def]
    together = Arrivals(samples.shape[1], 0, RATE, 0.03)
    for start in np.linspace(0, len(samples) - LOOK_S * RATE, looks).astype(int):
        together.look(samples[start : start + int(LOOK_S * RATE)])
    return together.result()


@pytest.mark.parametrize("delay", [-700, -3, 0, 1, 144, 1200])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_delay_is_found_to_the_sample_and_so_is_polarity(delay: int, sign: int) -> None:
    rng = np.random.default_rng(7)
    source = voice(8)
    noise = 1e-3 * rng.standard_normal((len(source), 2))
    heard = np.stack([source, sign * 0.3 * np.roll(source, delay)], axis=1) + noise
    arrival = found(heard)[1]
    assert arrival is not None
    assert (arrival.delay_samples, arrival.polarity, arrival.sure) == (delay, sign, True)


def test_an_echo_louder_than_noise_does_not_win_over_the_direct_sound() -> None:
    source = voice(8)
    heard = np.stack([source, 0.5 * np.roll(source, 200) + 0.4 * np.roll(source, 900)], axis=1)
    arrival = found(heard)[1]
    assert arrival is not None
    assert arrival.delay_samples == 200


def test_two_rooms_have_nothing_to_line_up() -> None:
    source = voice(16)
    apart = np.stack([source[: 8 * RATE], source[8 * RATE :][::-1]], axis=1)
    arrival = found(apart)[1]
    assert arrival is not None
    assert not arrival.sure


def test_silence_and_too_few_looks_say_nothing() -> None:
    source = voice(8)
    assert found(np.stack([source, np.zeros(len(source))], axis=1)) == (None, None)
    assert found(np.stack([source, source], axis=1), looks=3) == (None, None)
