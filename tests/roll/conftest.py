"""Headers made up for grouping, and small rolls of real files."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.roll import FileHeader
from takewell.wave import AudioInfo, Bext, BroadcastWriter, Encoding, Ixml, IxmlTrack
from takewell.wave.writer import WrittenEncoding

RATE = 48_000
HOUR = 3600 * RATE
SAMPLE_BYTES = {"int16": 2, "int24": 3, "int32": 4, "float32": 4, "float64": 8}

Header = Callable[..., FileHeader]


@pytest.fixture
def header() -> Header:
    return make_header


def make_header(
    path: str,
    *,
    at: int | None = None,
    length: int = 60 * RATE,
    encoding: Encoding = "float32",
    channels: int = 1,
    rate: int = RATE,
    scene: str = "",
    take: str = "",
    tracks: Sequence[str] | Sequence[tuple[str, str]] = (),
    timecode: str = "25/1",
    flag: str = "NDF",
    family: str = "",
    date: str = "2031-05-04",
    description: str = "",
    mtime_s: float = 0,
    size: int | None = None,
    bext: bool | None = None,
    digest: str = "",
    **ixml: Any,
) -> FileHeader:
    """Return a header with iXML when any of its fields is given, and bext when a stamp is."""
    listed = [(t, "") if isinstance(t, str) else t for t in tracks]
    says_ixml = bool(scene or take or tracks or family or ixml)
    says_bext = (at is not None or bool(description)) if bext is None else bext
    document = Ixml(
        scene=scene,
        take=take,
        family_uid=family,
        timecode_rate=timecode,
        timecode_flag=flag,
        tracks=tuple(
            IxmlTrack(place, place, name, function) for place, (name, function) in enumerate(listed, 1)
        ),
        **ixml,
    )
    info = AudioInfo(
        path=Path("/roll") / path,
        container="WAVE",
        encoding=encoding,
        rate=rate,
        channels=channels,
        length_samples=length,
        channel_mask=None,
        valid_bits=24,
        data_offset=44,
        bext=Bext(time_reference=at or 0, origination_date=date, description=description)
        if says_bext
        else None,
        ixml=document if says_ixml else None,
    )
    bytes_ = SAMPLE_BYTES[encoding] * channels * length + 44 if size is None else size
    return FileHeader(path, bytes_, round(mtime_s * 1e9), info, digest)


def write_take(
    path: Path,
    samples: NDArray[np.floating],
    *,
    at: int = 0,
    encoding: WrittenEncoding = "float32",
    tracks: Sequence[str] = (),
    **ixml: Any,
) -> Path:
    """Write a Broadcast Wave file with a stamp, a date and iXML, undithered."""
    path.parent.mkdir(parents=True, exist_ok=True)
    listed = tuple(IxmlTrack(place, place, name) for place, name in enumerate(tracks, 1))
    with BroadcastWriter(
        path,
        rate=RATE,
        channels=samples.shape[1],
        encoding=encoding,
        bext=Bext(time_reference=at, origination_date="2031-05-04"),
        ixml=Ixml(**{"timecode_rate": "25/1", "timecode_flag": "NDF", "tracks": listed} | ixml),
        dither=False,
    ) as writer:
        writer.write(samples)
    return path


def noise(length_samples: int, channels: int, seed: int = 0) -> NDArray[np.float32]:
    """Return noise on a grid that 24-bit files hold exactly, also at a quarter of its height."""
    steps = np.random.default_rng(seed).integers(-(2**18), 2**18, (length_samples, channels))
    return (steps / 2**21).astype(np.float32)


@pytest.fixture(name="write_take")
def write_take_fixture() -> Callable[..., Path]:
    return write_take


@pytest.fixture(name="noise")
def noise_fixture() -> Callable[..., NDArray[np.float32]]:
    return noise


@pytest.fixture
def day_folder(tmp_path: Path) -> Path:
    """A roll of two takes: one in two float files with a 24-bit copy, one alone; and things that are no media."""
    folder = tmp_path / "roll"
    sound = noise(3 * RATE, 3, seed=1)
    start = 10 * HOUR
    names = ["Boom", "Lav 1", "Lav 2"]
    common: dict[str, Any] = {"tracks": names, "scene": "14", "take": "2"}
    write_take(folder / "14-2_0001.wav", sound[:RATE], at=start, **common)
    write_take(folder / "14-2_0002.wav", sound[RATE:], at=start + RATE, **common)
    write_take(folder / "14-2_S_0001.wav", sound / 4, at=start, encoding="int24", **common)
    write_take(folder / "14-3.wav", noise(RATE, 3, 2), at=start + HOUR, **common | {"take": "3"})
    (folder / "notes of the day.txt").write_text("hello", encoding="utf-8")
    (folder / ".hidden.wav").write_bytes(b"x")
    (folder / "ascmhl").mkdir()
    (folder / "ascmhl" / "a.wav").write_bytes(b"x")
    return folder
