"""Whatever a header says: the file reads, or a FileError tells why; and no stated size is ever allocated."""

import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from takewell.errors import FileError, TakewellError
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, copy_with_metadata, open_audio

LARGEST_MEMORY = 48 << 20
"""Bytes that opening and reading a small file may take at most: the windows in which lost chunks are looked for."""

NUMBERS = st.sampled_from(
    [
        0,
        1,
        2,
        3,
        7,
        8,
        16,
        24,
        27,
        28,
        40,
        255,
        256,
        602,
        65_535,
        65_536,
        2**31 - 1,
        2**31,
        2**32 - 9,
        2**32 - 1,
    ]
)
NAMES = st.sampled_from(
    [
        b"data",
        b"fmt ",
        b"ds64",
        b"RF64",
        b"RIFF",
        b"BW64",
        b"bext",
        b"iXML",
        b"LIST",
        b"cue ",
        b"JUNK",
        b"\0\0\0\0",
    ]
)


@st.composite
def changes(draw: st.DrawFn) -> list[tuple[str, float, bytes]]:
    """Some edits of a file: what to do, where (as a part of the header's length), with which bytes."""
    found = []
    for _ in range(draw(st.integers(1, 6))):
        kind = draw(st.sampled_from(["overwrite", "overwrite", "overwrite", "insert", "delete", "cut"]))
        content = draw(
            NUMBERS.map(lambda n: struct.pack("<I", n))
            | NUMBERS.map(lambda n: struct.pack("<H", n & 65_535))
            | NAMES
            | st.binary(max_size=9)
        )
        found.append((kind, draw(st.floats(0, 1)), content))
    return found


def mutated(data: bytes, edits: list[tuple[str, float, bytes]], reach: int) -> bytes:
    changed = bytearray(data)
    for kind, part, content in edits:
        place = int(part * min(reach, len(changed)))
        place -= place % 2 if kind == "overwrite" else 0
        if kind == "overwrite":
            changed[place : place + len(content)] = content
        elif kind == "insert":
            changed[place:place] = content
        elif kind == "delete":
            del changed[place : place + len(content)]
        else:
            del changed[place:]
    return bytes(changed)


@pytest.fixture(scope="session")
def seeds(tmp_path_factory, build, ramp) -> list[bytes]:
    folder = tmp_path_factory.mktemp("seeds")
    samples = np.random.default_rng(1).uniform(-1, 1, (300, 3))
    with BroadcastWriter(
        folder / "a",
        rate=48_000,
        channels=3,
        encoding="float32",
        bext=Bext(),
        ixml=Ixml(tracks=(IxmlTrack(1, 1),)),
        channel_mask=7,
    ) as writer:
        writer.write(samples)
    soundfile.write(folder / "b", samples, 48_000, "PCM_24", format="RF64")
    cues = build.chunk("cue ", struct.pack("<III4sIII", 1, 1, 0, b"data", 0, 0, 9))
    labels = build.chunk("LIST", b"adtl" + build.chunk("labl", b"\1\0\0\0hit\0"))
    data, fmt = build.chunk("data", ramp.tobytes()), build.fmt(2)
    huge = struct.pack("<4sI", b"data", 0xFFFFFFFF) + ramp.tobytes()
    bw64 = build.riff(
        build.ds64(9999, 2000, 0, (("axml", 5),)),
        fmt,
        huge,
        build.chunk("axml", b"<a/> "),
        form="BW64",
        size=2**32 - 1,
    )
    return [
        (folder / "a").read_bytes(),
        (folder / "b").read_bytes(),
        bw64,
        build.riff(fmt, data, cues, labels, build.chunk("iXML", b"<BWFXML><TAKE>1</TAKE></BWFXML>")),
        build.riff(data, fmt, labels),
    ]


def check_sentence(error: FileError, path: Path) -> None:
    text = str(error)
    assert text.startswith(str(path))
    assert "\n" not in text
    assert text.endswith((".", "?"))


def read_through(path: Path) -> None:
    """Do all a caller does: open, look at everything, read both ends and some blocks."""
    with open_audio(path) as file:
        info = file.info
        assert info.length_samples >= 0
        assert all(chunk.offset + chunk.size <= path.stat().st_size for chunk in info.chunks)
        assert all(text.endswith(".") for text in info.recoveries)
        first = file.read(0, 100)
        last = file.read(max(0, info.length_samples - 100), 200)
        assert first.shape == last.shape == (min(100, info.length_samples), info.channels)
        assert sum(map(len, file.blocks(1000))) == info.length_samples
        for chunk in info.chunks:
            assert len(file.chunk_bytes(chunk)) == chunk.size


@settings(max_examples=600, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_wave_files(seeds: list[bytes], tmp_path: Path, data: st.DataObject) -> None:
    seed = data.draw(st.sampled_from(seeds))
    path = tmp_path / "a.wav"
    path.write_bytes(mutated(seed, data.draw(changes()), data.draw(st.sampled_from([60, 150, 1200, 10_000]))))
    tracemalloc.start()
    try:
        read_through(path)
    except FileError as error:
        check_sentence(error, path)
    finally:
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert peak < LARGEST_MEMORY


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_copies_of_damaged_files_are_whole_files(
    seeds: list[bytes], tmp_path: Path, data: st.DataObject
) -> None:
    path, copy = tmp_path / "a.wav", tmp_path / "b.wav"
    copy.unlink(missing_ok=True)
    path.write_bytes(mutated(data.draw(st.sampled_from(seeds)), data.draw(changes()), 1200))
    try:
        copy_with_metadata(path, copy, bext=Bext(description="x"), ixml=Ixml(scene="1"))
    except TakewellError:
        assert not copy.exists()
        return
    with open_audio(path) as old, open_audio(copy) as new:
        assert new.info.length_samples == old.info.length_samples
        assert (new.info.bext.description, new.info.ixml.scene) == ("x", "1")
        assert new.read(0, 10**6).tobytes() == old.read(0, 10**6).tobytes()
        assert not any(
            "finished" in text or "cut" in text or "bytes" in text
            for text in new.info.recoveries
            if "fmt" not in text and "block size" not in text
        )


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.data(), st.sampled_from([("FLAC", "PCM_24"), ("AIFF", "PCM_16"), ("CAF", "FLOAT"), ("W64", "PCM_24")])
)
def test_other_formats(tmp_path: Path, data: st.DataObject, kind: tuple[str, str]) -> None:
    path = tmp_path / "a.snd"
    soundfile.write(path, np.random.default_rng(1).uniform(-1, 1, (500, 2)), 48_000, kind[1], format=kind[0])
    path.write_bytes(mutated(path.read_bytes(), data.draw(changes()), 200))
    try:
        with open_audio(path) as file:
            for block in file.blocks(1000, stop=100_000):
                assert block.shape[1] == file.info.channels
    except FileError as error:
        check_sentence(error, path)


@pytest.mark.parametrize("name", ["LIST", "bext", "iXML", "cue ", "ds64", "fmt ", "abcd", "data"])
def test_a_size_that_lies_is_not_allocated(build, tmp_path: Path, name: str) -> None:
    """A sparse file of 3 GB in which one chunk claims nearly all of it."""
    path = tmp_path / "a.wav"
    head = build.riff(build.fmt(2), struct.pack("<4sI", name.encode(), 3_000_000_000))
    with path.open("wb") as file:
        file.write(head)
        file.truncate(3_000_000_100)
    tracemalloc.start()
    try:
        with open_audio(path) as audio:
            audio.read(0, 10)
    except FileError:
        pass
    finally:
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert peak < LARGEST_MEMORY
