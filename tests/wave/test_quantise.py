"""Integers made of floats: exact without dither, white and constant noise with it."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from takewell.units import rms_dbfs
from takewell.wave import Quantiser


def integers(data: np.ndarray, encoding: str, channels: int) -> np.ndarray:
    """The slow way: each sample's bytes as Python reads them."""
    width = 2 if encoding == "int16" else 3
    raw = data.tobytes()
    values = [int.from_bytes(raw[k : k + width], "little", signed=True) for k in range(0, len(raw), width)]
    return np.array(values, np.int64).reshape(-1, channels)


@pytest.mark.parametrize(("encoding", "bits"), [("int16", 16), ("int24", 24)])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_without_dither_integers_return_bit_by_bit(encoding: str, bits: int, kind: type) -> None:
    top = 2 ** (bits - 1)
    values = np.concatenate(
        [np.random.default_rng(1).integers(-top, top, 60_001), [-top, top - 1, 0, -1]]
    ).reshape(-1, 5)
    quantiser = Quantiser(encoding, 5, dither=False)
    np.testing.assert_array_equal(
        integers(quantiser.encode((values / top).astype(kind)), encoding, 5), values
    )
    assert quantiser.clipped.tolist() == [0] * 5


def test_without_dither_values_go_to_the_nearest_ties_to_even() -> None:
    steps = np.array([0.4, 0.5, 0.6, 1.5, 2.5, -0.5, -1.5, -0.6])
    result = integers(Quantiser("int16", 1, dither=False).encode((steps / 2**15)[:, None]), "int16", 1)
    assert result[:, 0].tolist() == [0, 0, 1, 2, 2, 0, -2, -1]


# Total noise of TPDF dither at N bits is LSB/2 RMS: AES17 -93.319 dBFS at 16 bits and -141.484 at 24 (3.0103 dB above
# 20 log10 2^-N). The standard error of the level of 2 million samples is below 0.01 dB.
@pytest.mark.outside
@pytest.mark.parametrize(("encoding", "bits", "dbfs"), [("int16", 16, -93.319), ("int24", 24, -141.484)])
@pytest.mark.parametrize("level", [0.0, 1.37e-9, 0.25, "tone"])
def test_dithered_noise_has_its_level_whatever_the_signal(
    encoding: str, bits: int, dbfs: float, level
) -> None:
    count = 2_000_000
    n = np.arange(count)
    signal = 0.3 * np.sin(0.01 * n) if level == "tone" else np.full(count, level + 0.3 * 2.0**-bits)
    data = Quantiser(encoding, 1, seed=5).encode(signal[:, None])
    padded = np.zeros((count, 4), np.uint8)
    padded[:, 4 - bits // 8 :] = data.reshape(count, -1)
    error = (padded.view("<i4")[:, 0] >> (32 - bits)) / 2.0 ** (bits - 1) - signal
    assert float(rms_dbfs(np.mean(error**2))) == pytest.approx(dbfs, abs=0.02)
    assert abs(error.mean()) < 5 * 2.0**-bits / math.sqrt(count)
    assert np.abs(error).max() <= 1.5 * 2.0 ** (1 - bits)
    # White: neighbours of the error do not know each other.
    assert abs(np.mean(error[1:] * error[:-1])) / np.mean(error**2) < 5 / math.sqrt(count)


def test_dither_is_triangular() -> None:
    """A value on a step stays there 3 times in 4 and goes to either neighbour 1 time in 8: the triangle's areas."""
    signal = np.full((800_000, 1), 7 / 2**15)
    values, counts = np.unique(integers(Quantiser("int16", 1).encode(signal), "int16", 1), return_counts=True)
    assert values.tolist() == [6, 7, 8]
    np.testing.assert_allclose(counts / 800_000, [1 / 8, 3 / 4, 1 / 8], atol=5 * math.sqrt(0.25 / 800_000))


def test_channels_have_noise_of_their_own() -> None:
    data = integers(Quantiser("int24", 2).encode(np.zeros((100_000, 2))), "int24", 2)
    assert abs(np.corrcoef(data.T)[0, 1]) < 5 / math.sqrt(100_000)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 3000), max_size=8), st.sampled_from(["int16", "int24"]), st.integers(1, 5))
def test_any_cut_into_blocks_gives_the_same_bytes(cuts: list[int], encoding: str, channels: int) -> None:
    samples = np.random.default_rng(3).uniform(-1, 1, (3000, channels))
    whole = Quantiser(encoding, channels, seed=9).encode(samples)
    parts = Quantiser(encoding, channels, seed=9)
    edges = [0, *sorted(cuts), 3000]
    pieces = [parts.encode(samples[a:b]) for a, b in itertools.pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(pieces), whole)


def test_another_seed_gives_other_noise_and_the_same_seed_the_same() -> None:
    silence = np.zeros((1000, 1))
    one, same, other = (Quantiser("int24", 1, seed=seed).encode(silence) for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


def test_what_lies_beyond_the_rails_is_held_there_and_counted() -> None:
    samples = np.array([[1.0, 0.0], [-1.0, 0.5], [1e30, -np.inf], [0.999, np.nan], [-1.001, np.inf]])
    quantiser = Quantiser("int16", 2, dither=False)
    result = integers(quantiser.encode(samples), "int16", 2)
    assert result.tolist() == [[32767, 0], [-32768, 16384], [32767, -32768], [32735, 0], [-32768, 32767]]
    assert quantiser.clipped.tolist() == [3, 2]
    assert quantiser.replaced.tolist() == [0, 1]


def test_the_input_is_not_changed_and_need_not_be_contiguous() -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, (4, 1000)).astype(np.float32)
    before = samples.copy()
    strided = Quantiser("int24", 2, seed=1).encode(samples.T[::3, 1:3])
    plain = Quantiser("int24", 2, seed=1).encode(np.ascontiguousarray(samples.T[::3, 1:3]))
    assert np.array_equal(strided, plain)
    assert np.array_equal(samples, before)


def test_no_samples_give_no_bytes() -> None:
    assert Quantiser("int24", 3).encode(np.zeros((0, 3))).size == 0
