"""Audio behind the place where the header stops is told from other bytes."""

import numpy as np
import pytest

from takewell.wave import StreamDecoder
from takewell.wave.continuation import continues

RATE = 48_000


def speech_like(seconds: float, channels: int = 2, level: float = 0.05) -> np.ndarray:
    """Noise of a voice's slope under a moving envelope, with a quiet floor."""
    rng = np.random.default_rng(4)
    count = int(seconds * RATE)
    slope = np.cumsum(rng.normal(size=(count, channels)), axis=0)
    slope -= np.linspace(slope[0], slope[-1], count)
    envelope = 0.02 + np.sin(np.arange(count) * 2 * np.pi * 3 / RATE)[:, None] ** 2
    voice = level * envelope * slope / np.abs(slope).max()
    return voice + 1e-4 * rng.normal(size=voice.shape)


def stored(samples: np.ndarray, encoding: str) -> bytes:
    if encoding == "float32":
        return samples.astype("<f4").tobytes()
    if encoding == "int16":
        return np.rint(samples * 2**15).astype("<i2").tobytes()
    return np.rint(samples * 2**23).astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


@pytest.mark.parametrize(
    ("encoding", "bits", "tag"), [("int16", 16, 1), ("int24", 24, 1), ("float32", 32, 3)]
)
@pytest.mark.parametrize("behind", [True, False])
def test_a_header_written_minutes_before_the_power_failed(
    build, opened, encoding: str, bits: int, tag: int, behind: bool
) -> None:
    audio = stored(speech_like(3), encoding)
    block = 2 * bits // 8
    head = build.riff(
        build.fmt(2, bits, tag=tag),
        build.chunk("data", size=block * RATE, payload=b""),
        size=36 + block * RATE,
    )
    tail = build.chunk("iXML", b"<BWFXML><TAKE>2</TAKE></BWFXML>") if behind else b""
    file = opened(head + audio + tail)
    assert file.info.length_samples == 3 * RATE
    assert file.info.recoveries[0] == "The header stops at 48000 samples, but the audio goes on behind them."
    assert "144000 samples, 3.000 s" in file.info.recoveries[1]
    assert (file.info.ixml is not None) == behind
    assert stored(file.read(0, 10**9), encoding) == audio


GARBAGE = {
    "random": np.random.default_rng(1).bytes(400_000),
    "zeros": bytes(400_000),
    "ones": b"\xff" * 400_000,
    "text": b"Sound report, day 3. " * 20_000,
    "packed": np.random.default_rng(1).integers(0, 2**16, 200_000, dtype="<u2").tobytes(),
}


@pytest.mark.parametrize(
    ("encoding", "bits", "tag"), [("int16", 16, 1), ("int24", 24, 1), ("float32", 32, 3)]
)
@pytest.mark.parametrize("name", GARBAGE)
@pytest.mark.parametrize("level", [0.001, 0.9])
def test_other_bytes_are_left_out_and_told(
    build, opened, encoding: str, bits: int, tag: int, name: str, level: float
) -> None:
    audio = stored(speech_like(1, level=level), encoding)
    file = opened(build.riff(build.fmt(2, bits, tag=tag), build.chunk("data", audio)) + GARBAGE[name])
    assert file.info.length_samples == RATE
    assert "are no chunk and were left out" in file.info.recoveries[0]


def test_a_short_rest_is_left_out(build, opened) -> None:
    audio = speech_like(1.4)
    head = build.riff(build.fmt(2), build.chunk("data", stored(audio[:RATE], "int16")))
    assert opened(head + stored(audio[RATE:], "int16")).info.length_samples == RATE


def test_in_passing_it_is_left_to_the_copy(build, tmp_path) -> None:
    audio = speech_like(3)
    content = build.riff(build.fmt(2), build.chunk("data", stored(audio[:RATE], "int16"))) + stored(
        audio[RATE:], "int16"
    )
    decoder = StreamDecoder(tmp_path / "a.wav", len(content))
    decoder.feed(content)
    assert decoder.finish() is None
    assert not decoder.streamable


def test_a_voice_that_begins_and_one_that_ends_go_on() -> None:
    floor = np.random.default_rng(2).normal(size=(12_000, 2)) * 1e-4
    voice = speech_like(0.25, level=0.5)
    assert continues(floor, floor * 2)
    assert continues(floor, np.concatenate([floor[:2000], voice]))
    assert continues(voice, floor + voice[-1])


def test_silence_and_single_samples_decide_nothing() -> None:
    zeros, some = np.zeros((100, 2)), np.random.default_rng(2).normal(size=(100, 2)) * 0.01
    assert not continues(zeros, zeros)
    assert not continues(some, zeros)
    assert not continues(some[:1], some)
    assert not continues(some, some[:0])
    assert not continues(some, np.full((100, 2), np.nan))
