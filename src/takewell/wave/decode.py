"""How do stored samples become floats, exactly and fast?

Conventions: 1.0 is full scale. uint8 is (x - 128) / 2^7, int16 x / 2^15 and int24 x / 2^23 in float32 (both
exact, a float32 has 24 bits of significand), int32 x / 2^31 in float64 (exact); float32 and float64 pass
through unchanged, values beyond 1 included. Fewer valid bits stand at the top of their word, so they need no
case of their own. Little-endian, interleaved. Results are aligned, C-contiguous and writable.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.wave.sample_format import SAMPLE_BYTES
from takewell.wave.values import Encoding

Samples = NDArray[np.float32] | NDArray[np.float64]

LEAD_BYTES = 16
"""Spare bytes before the first sample in a read buffer; int24 is unpacked from one byte early."""

_PIECE = 65_536
"""Samples unpacked at a time, so that the passes over them stay in the cache."""

_UNPACK_SCALE = np.float32(2.0**-31)
_INT16_SCALE = np.float32(2.0**-15)
_INT32_SCALE = 2.0**-31
_UINT8_SCALE = np.float32(2.0**-7)


def buffer_for(count: int, encoding: Encoding) -> NDArray[np.uint8]:
    """Return an empty byte buffer for `count` samples; their bytes belong at ``[LEAD_BYTES:]``."""
    return np.empty(LEAD_BYTES + count * SAMPLE_BYTES[encoding], np.uint8)


def decode(buffer: NDArray[np.uint8], encoding: Encoding, channels: int) -> Samples:
    """Return the samples whose bytes lie at ``buffer[LEAD_BYTES:]``.

    Parameters
    ----------
    buffer : (LEAD_BYTES + n * channels * width,) uint8 array
        Made by `buffer_for`, whole samples of all channels. Given away: floats are a view of it.
    encoding : Encoding
    channels : int

    Returns
    -------
    (n, channels) float array
        float32, or float64 for int32 and float64.
    """
    flat: Samples
    stored = buffer[LEAD_BYTES:]
    if encoding == "float32":
        flat = stored.view("<f4")
    elif encoding == "float64":
        flat = stored.view("<f8")
    elif encoding == "int24":
        flat = _unpack_24(buffer)
    elif encoding == "int16":
        flat = np.multiply(stored.view("<i2"), _INT16_SCALE, dtype=np.float32)
    elif encoding == "int32":
        flat = np.multiply(stored.view("<i4"), _INT32_SCALE, dtype=np.float64)
    else:
        flat = np.subtract(stored, np.float32(128), dtype=np.float32)
        flat *= _UINT8_SCALE
    return flat.reshape(-1, channels)


def decode_bytes(stored: bytes, encoding: Encoding, channels: int) -> Samples:
    """Return the samples of `stored`, the bytes of whole samples of all channels, as `decode` does."""
    buffer = buffer_for(len(stored) // SAMPLE_BYTES[encoding], encoding)
    buffer[LEAD_BYTES:] = np.frombuffer(stored, np.uint8)
    return decode(buffer, encoding, channels)


def _unpack_24(buffer: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Read each sample as the upper three bytes of a 32-bit word that starts one byte early, drop the low
    byte, and scale: x * 2^8 has at most 24 significant bits, so every step is exact."""
    count = (buffer.size - LEAD_BYTES) // 3
    words: NDArray[np.int32] = np.ndarray((count,), "<i4", buffer, LEAD_BYTES - 1, (3,))
    out = np.empty(count, np.float32)
    bits = out.view(np.int32)
    for start in range(0, count, _PIECE):
        piece = slice(start, start + _PIECE)
        bits[piece] = words[piece]
        bits[piece] &= -256
        out[piece] = bits[piece]
        out[piece] *= _UNPACK_SCALE
    return out
