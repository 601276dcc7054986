"""Headers made up for grouping, without any file."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from takewell.roll import FileHeader
from takewell.wave import AudioInfo, Bext, Encoding, Ixml, IxmlTrack

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
