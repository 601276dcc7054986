"""Rolls of one take whose two copies are hurt at known places."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from takewell.roll import Roll, read_roll
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack
from takewell.wave.writer import WrittenEncoding
from twin_recordings import F64, RATE


@dataclass(frozen=True)
class Made:
    """A roll as it was written."""

    roll: Roll
    folder: Path
    media: tuple[Path, ...]


MakeRoll = Callable[..., Made]


@pytest.fixture
def make_roll(tmp_path: Path) -> MakeRoll:
    """Return a function that writes a take: the ISOs in one file, their copies in another, as recorders do."""

    def make(
        isos: Sequence[F64],
        copies: Sequence[F64],
        *,
        encodings: tuple[WrittenEncoding, WrittenEncoding] = ("float32", "int24"),
        names: Sequence[str] = ("Ada", "Ben"),
    ) -> Made:
        folder = tmp_path / "roll"
        folder.mkdir()
        family = "7A-1"
        media = []
        for stem, tracks, encoding, suffix, index in (
            ("7A-T01", isos, encodings[0], "", "A"),
            ("7A-T01_S", copies, encodings[1], " safety", "B"),
        ):
            if not tracks:
                continue
            path = folder / f"{stem}.WAV"
            bext = Bext(
                time_reference=10 * 3600 * RATE, coding_history="A=PCM,F=48000,W=24,T=invented recorder\r\n"
            )
            ixml = Ixml(
                project="Winter",
                scene="7A",
                take="1",
                note="as recorded",
                family_uid=family,
                file_set_index=index,
                tracks=tuple(IxmlTrack(k + 1, k + 1, f"{names[k]}{suffix}") for k in range(len(tracks))),
            )
            with BroadcastWriter(
                path, rate=RATE, channels=len(tracks), encoding=encoding, bext=bext, ixml=ixml, dither=False
            ) as writer:
                writer.write(np.stack(tracks, axis=1))
            media.append(path)
        return Made(read_roll(folder), folder, tuple(media))

    return make
