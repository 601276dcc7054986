"""The loops that turn floats into stored integers: scale, dither, round, hold, store, a tile at a time.

Conventions: samples as they are stored, interleaved and flat; bytes little-endian. The noise of a sample is a mix of
the bits of the seed and of the sample's place (two rounds of multiply and shift, a 32-bit integer hash), so it
depends on nothing else. The difference of the mix's two 16-bit halves is triangular over +-1 LSB, in steps
of 2^-16, with a mean of exactly zero.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]

TILE = 4096
"""About how many samples are worked on at once, so that the passes over them stay in the nearest cache."""

_EVERY = 1 << 32


@njit(nogil=True, cache=True)
def encode(
    samples: NDArray[np.floating],
    place: int,
    seed: int,
    top: float,
    width: int,
    dithered: F64,
    clipped: I64,
    replaced: I64,
    out: NDArray[np.uint8],
) -> None:
    """Write the bytes of flat `samples`, the first of which stands at `place`, into `out`; count what did not fit.

    `dithered` says for each channel whether it is (1.0) or not (0.0).
    """
    channels = len(dithered)
    tile = max(TILE // channels, 1) * channels
    shares = np.empty(tile)
    for i in range(tile):
        shares[i] = dithered[i % channels]
    words = np.empty(tile, np.int32)
    at = 0
    while at < len(samples):
        # A tile begins with the first channel and does not cross the place where 32 bits run over.
        count = min(tile, len(samples) - at, _EVERY - (place + at) % _EVERY)
        turn = (place + at) % channels
        if turn:
            count = min(count, channels - turn)
        part, share = samples[at : at + count], shares[turn : turn + count]
        key = np.uint32(_mixed(np.uint32(seed % _EVERY)) ^ _mixed(np.uint32((place + at) // _EVERY + 1)))
        first = np.uint32((place + at) % _EVERY)
        if not _words(part, first, key, top, share, words[:count]):
            _held_words(part, first, key, top, share, turn, clipped, replaced, words[:count])
        _store(words[:count], width, out[at * width : (at + count) * width])
        at += count


@njit(nogil=True, cache=True)
def encode_shaped(
    samples: NDArray[np.floating],
    place: int,
    seed: int,
    top: float,
    width: int,
    dithered: F64,
    feedback: F64,
    errors: F64,
    clipped: I64,
    replaced: I64,
    out: NDArray[np.uint8],
) -> None:
    """Write as `encode` does, with the errors of dithered channels fed back through `feedback`.

    `errors` (channels, taps) holds each channel's last errors, the newest first, and is brought up to date. A sample held at a
    rail, or that is no number, leaves no error: what it lost cannot be made good by the ones after it.
    """
    channels = len(dithered)
    words = np.empty(TILE, np.int32)
    at = 0
    while at < len(samples):
        count = min(TILE, len(samples) - at, _EVERY - (place + at) % _EVERY)
        key = np.uint32(_mixed(np.uint32(seed % _EVERY)) ^ _mixed(np.uint32((place + at) // _EVERY + 1)))
        for i in range(count):
            channel = (place + at + i) % channels
            share = dithered[channel]
            x = _mixed(np.uint32(np.uint32((place + at + i) % _EVERY) ^ key))
            wanted = samples[at + i] * top
            past = errors[channel]
            if share > 0:
                for k in range(len(feedback)):
                    wanted += feedback[k] * past[k]
            value = _scaled(wanted, x, 1.0, share)
            error = value - wanted if share > 0 else 0.0
            if np.isnan(value):
                replaced[channel] += 1
                value, error = 0.0, 0.0
            elif value > top - 1.0 or value < -top:
                clipped[channel] += 1
                value, error = (top - 1.0 if value > 0 else -top), 0.0
            for k in range(len(feedback) - 1, 0, -1):
                past[k] = past[k - 1]
            past[0] = error
            words[i] = np.int32(value)
        _store(words[:count], width, out[at * width : (at + count) * width])
        at += count


@njit(nogil=True, cache=True)
def _mixed(x: np.uint32) -> np.uint32:
    # The compiler widens every result to 64 bits unless it is told, each time, that 32 are meant.
    x = np.uint32(x ^ (x >> np.uint32(16)))
    x = np.uint32(x * np.uint32(0x21F0AAAD))
    x = np.uint32(x ^ (x >> np.uint32(15)))
    x = np.uint32(x * np.uint32(0xD35A2D97))
    return np.uint32(x ^ (x >> np.uint32(15)))


@njit(nogil=True, cache=True)
def _scaled(sample: float, x: np.uint32, top: float, share: float) -> float:
    halves = np.int32(x >> np.uint32(16)) - np.int32(x & np.uint32(0xFFFF))
    return float(np.rint(sample * top + share * (halves * 2.0**-16)))


@njit(nogil=True, cache=True)
def _words(
    samples: NDArray[np.floating], first: np.uint32, key: np.uint32, top: float, shares: F64, words: I32
) -> bool:
    """Round samples to words; tell whether all of them fit and are numbers."""
    low = high = 0.0
    odd = 0
    for i in range(len(words)):
        value = _scaled(samples[i], _mixed(np.uint32(np.uint32(first + np.uint32(i)) ^ key)), top, shares[i])
        low = value if value < low else low
        high = value if value > high else high
        odd += value != value
        words[i] = np.int32(value)
    return odd == 0 and high <= top - 1.0 and low >= -top


@njit(nogil=True, cache=True)
def _held_words(
    samples: NDArray[np.floating],
    first: np.uint32,
    key: np.uint32,
    top: float,
    shares: F64,
    turn: int,
    clipped: I64,
    replaced: I64,
    words: I32,
) -> None:
    """Round samples to words, holding at the rails what lies beyond them, with zero for what is no number."""
    for i in range(len(words)):
        value = _scaled(samples[i], _mixed(np.uint32(np.uint32(first + np.uint32(i)) ^ key)), top, shares[i])
        channel = (turn + i) % len(clipped)
        if np.isnan(value):
            replaced[channel] += 1
            value = 0.0
        elif value > top - 1.0 or value < -top:
            clipped[channel] += 1
            value = top - 1.0 if value > 0 else -top
        words[i] = np.int32(value)


@njit(nogil=True, cache=True)
def _store(words: I32, width: int, out: NDArray[np.uint8]) -> None:
    if width == 3:
        for i in range(len(words)):
            word = words[i]
            out[3 * i] = np.uint8(word & 0xFF)
            out[3 * i + 1] = np.uint8((word >> 8) & 0xFF)
            out[3 * i + 2] = np.uint8((word >> 16) & 0xFF)
        return
    for i in range(len(words)):
        word = words[i]
        for byte in range(width):
            out[width * i + byte] = np.uint8((word >> (8 * byte)) & 0xFF)
