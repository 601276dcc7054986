"""Stored samples become floats exactly."""

import numpy as np
import pytest

from takewell.wave.decode import LEAD_BYTES, buffer_for, decode, decode_bytes


def decoded(data: bytes, encoding: str, channels: int = 1) -> np.ndarray:
    return decode_bytes(data, encoding, channels)


def test_every_16_bit_value_is_exact() -> None:
    values = np.arange(-(2**15), 2**15)
    result = decoded(values.astype("<i2").tobytes(), "int16")
    assert result.dtype == np.float32
    assert [float(x) for x in result[:, 0]] == [value / 2**15 for value in values.tolist()]


def test_24_bit_values_are_exact_whatever_lies_before_them() -> None:
    rng = np.random.default_rng(1)
    values = np.concatenate([rng.integers(-(2**23), 2**23, 200_000), [-(2**23), 2**23 - 1, -1, 0, 1]])
    data = b"".join(value.to_bytes(3, "little", signed=True) for value in values.tolist())
    for dirt in (0, 255):
        buffer = buffer_for(values.size, "int24")
        buffer[:LEAD_BYTES] = dirt
        buffer[LEAD_BYTES:] = np.frombuffer(data, np.uint8)
        result = decode(buffer, "int24", 1)
        assert result.dtype == np.float32
        np.testing.assert_array_equal(result[:, 0].astype(np.float64), values / 2**23)


def test_32_bit_values_are_exact_in_float64() -> None:
    values = np.concatenate(
        [np.random.default_rng(2).integers(-(2**31), 2**31, 10_000), [-(2**31), 2**31 - 1]]
    )
    result = decoded(values.astype("<i4").tobytes(), "int32")
    assert result.dtype == np.float64
    np.testing.assert_array_equal(result[:, 0] * 2.0**31, values)


def test_8_bit_values_are_offset_binary() -> None:
    result = decoded(bytes(range(256)), "uint8")
    np.testing.assert_array_equal(result[:, 0], (np.arange(256) - 128) / 128)


@pytest.mark.parametrize(("encoding", "kind"), [("float32", np.float32), ("float64", np.float64)])
def test_floats_pass_bit_by_bit(encoding: str, kind: type) -> None:
    values = np.array([0.0, -0.0, 1e6, -1e-42, np.inf, -np.inf, np.nan, 1.5], kind)
    result = decoded(values.tobytes(), encoding, 2)
    assert result.dtype == kind
    assert result.tobytes() == values.tobytes()


def test_float32_is_a_view_of_the_bytes_that_were_read() -> None:
    buffer = buffer_for(6, "float32")
    assert np.shares_memory(decode(buffer, "float32", 2), buffer)


@pytest.mark.parametrize("encoding", ["uint8", "int16", "int24", "int32", "float32", "float64"])
@pytest.mark.parametrize("channels", [1, 3])
def test_results_are_aligned_contiguous_and_writable_also_when_empty(encoding: str, channels: int) -> None:
    width = {"uint8": 1, "int16": 2, "int24": 3, "int32": 4, "float32": 4, "float64": 8}[encoding]
    for samples in (0, 1, 5):
        result = decoded(bytes(width * channels * samples), encoding, channels)
        assert result.shape == (samples, channels)
        assert result.flags.aligned
        assert result.flags.c_contiguous
        assert result.flags.writeable
