"""Builds WAVE bytes by hand, apart from the code under test, so that wrong ones can be built too."""

import struct
from pathlib import Path

import numpy as np
import pytest

from takewell.wave import AudioFile, open_audio


class Bytes:
    """Chunks and files as the standards print them; every size may be given a lie."""

    @staticmethod
    def chunk(name: str, payload: bytes = b"", *, size: int | None = None, pad: bool = True) -> bytes:
        stated = len(payload) if size is None else size
        return (
            struct.pack("<4sI", name.encode(), stated)
            + payload
            + (b"\0" if pad and len(payload) % 2 else b"")
        )

    @staticmethod
    def riff(*chunks: bytes, form: str = "RIFF", size: int | None = None) -> bytes:
        body = b"WAVE" + b"".join(chunks)
        return struct.pack("<4sI", form.encode(), len(body) if size is None else size) + body

    @classmethod
    def fmt(
        cls,
        channels: int = 1,
        bits: int = 16,
        rate: int = 48_000,
        tag: int = 1,
        block: int | None = None,
        byte_rate: int | None = None,
        tail: bytes = b"",
    ) -> bytes:
        block = channels * -(-bits // 8) if block is None else block
        byte_rate = rate * block if byte_rate is None else byte_rate
        return cls.chunk(
            "fmt ",
            struct.pack("<HHIIHH", tag, channels, rate, byte_rate & 0xFFFFFFFF, block & 0xFFFF, bits) + tail,
        )

    @classmethod
    def ds64(cls, riff: int, data: int, samples: int, table: tuple[tuple[str, int], ...] = ()) -> bytes:
        entries = b"".join(struct.pack("<4sQ", name.encode(), size) for name, size in table)
        return cls.chunk("ds64", struct.pack("<QQQI", riff, data, samples, len(table)) + entries)


@pytest.fixture(scope="session")
def build() -> type[Bytes]:
    return Bytes


@pytest.fixture
def opened(tmp_path: Path):
    """Write bytes to a file and open it."""
    files: list[AudioFile] = []

    def write_and_open(data: bytes, name: str = "take.wav") -> AudioFile:
        path = tmp_path / name
        path.write_bytes(data)
        files.append(open_audio(path))
        return files[-1]

    yield write_and_open
    for file in files:
        file.close()


@pytest.fixture(scope="session")
def ramp() -> np.ndarray:
    """A thousand samples that differ from one another, as int16."""
    return (np.arange(1000, dtype="<i2") * 31 - 15_000).astype("<i2")


@pytest.fixture(scope="session")
def noise() -> np.ndarray:
    """(4001, 3) float64 samples inside full scale, the rails of 24 bits among them."""
    samples = np.random.default_rng(7).uniform(-0.9, 0.9, (4001, 3))
    samples[10] = 1 - 2.0**-23
    samples[11] = -1.0
    return samples
