"""What passes by while a file is copied decodes to what the file holds, or is said not to."""

import random
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from takewell.errors import FileError
from takewell.wave import Bext, BroadcastWriter, Ixml, StreamDecoder, open_audio, read_info
from takewell.wave.stream import _MOST_OUTSIDE


def passed(path: Path, data: bytes, sizes, *, known: bool) -> tuple[StreamDecoder, list[np.ndarray]]:
    decoder = StreamDecoder(path, len(data) if known else None)
    blocks, position = [], 0
    for size in sizes:
        blocks += decoder.feed(data[position : position + size])
        position += size
    blocks += decoder.feed(data[position:])
    return decoder, blocks


def assert_same(path: Path, sizes, *, known: bool = True) -> None:
    decoder, blocks = passed(path, path.read_bytes(), sizes, known=known)
    assert decoder.finish() == read_info(path)
    assert decoder.streamable
    with open_audio(path) as file:
        whole = file.read(0, file.info.length_samples)
    joined = np.concatenate(blocks) if blocks else whole[:0]
    assert joined.tobytes() == whole.tobytes()
    assert all(
        block.dtype == whole.dtype and block.shape[1:] == whole.shape[1:] and len(block) for block in blocks
    )
    assert all(block.flags.aligned and block.flags.writeable and block.flags.c_contiguous for block in blocks)


@pytest.fixture(scope="session")
def variety(tmp_path_factory, build, ramp) -> list[Path]:
    """Files of every encoding, with chunks on both sides of the audio, whole and not quite."""
    folder = tmp_path_factory.mktemp("variety")
    samples = np.random.default_rng(1).uniform(-1, 1, (257, 3))
    for encoding in ("int16", "int24", "int32", "float32", "float64"):
        settings = {"bext": Bext(description=encoding), "ixml": Ixml(scene="1")}
        with BroadcastWriter(
            folder / f"{encoding}.wav", rate=48_000, channels=3, encoding=encoding, **settings
        ) as writer:
            writer.write(samples)
    for subtype, container in (("PCM_U8", "WAV"), ("PCM_32", "WAVEX"), ("PCM_24", "RF64")):
        soundfile.write(folder / f"{subtype}.wav", samples, 48_000, subtype, format=container)
    ixml, info = (
        build.chunk("iXML", b"<BWFXML><TAKE>3</TAKE></BWFXML>"),
        build.chunk("LIST", b"INFO" + build.chunk("INAM", b"x\0")),
    )
    data, fmt = build.chunk("data", ramp.tobytes()), build.fmt(2)
    odd = build.chunk("data", ramp.tobytes()[:1001], pad=False)
    files = {
        "behind": build.riff(fmt, data, ixml, info),
        "garbage": build.riff(fmt, data, ixml) + b"\x01\x02garbage" * 9,
        "odd": build.riff(fmt, odd, ixml),
        "partial": build.riff(fmt, build.chunk("data", ramp.tobytes()[:1998]), info),
        "riffsize": build.riff(fmt, data, info, size=7),
        "badxml": build.riff(build.chunk("iXML", b"<BWFXML><TAKE>3"), fmt, data),
        "two": build.riff(fmt, data, data),
    }
    for name, content in files.items():
        (folder / f"{name}.wav").write_bytes(content)
    return sorted(folder.glob("*.wav"))


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("size", [1, 2, 3, 7, 64, 1000, 10**6])
def test_pieces_of_one_size_give_the_file(variety: list[Path], size: int, known: bool) -> None:
    for path in variety:
        assert_same(path, [size] * (path.stat().st_size // size), known=known)


@settings(max_examples=150, deadline=None)
@given(st.data(), st.booleans())
def test_any_split_gives_the_file(variety: list[Path], data: st.DataObject, known: bool) -> None:
    path = data.draw(st.sampled_from(variety))
    assert_same(path, data.draw(st.lists(st.integers(0, 400), max_size=40)), known=known)


@pytest.mark.parametrize("kind", [bytes, bytearray, memoryview])
def test_a_buffer_that_is_used_again_does_not_reach_into_the_blocks(variety: list[Path], kind: type) -> None:
    path = next(path for path in variety if path.name == "float32.wav")
    content, decoder, blocks = path.read_bytes(), StreamDecoder(path), []
    for start in range(0, len(content), 500):
        piece = bytearray(content[start : start + 500])
        blocks += decoder.feed(piece if kind is bytearray else kind(piece))
        piece[:] = bytes(len(piece))
    with open_audio(path) as file:
        np.testing.assert_array_equal(np.concatenate(blocks), file.read(0, 9999))


def test_the_header_is_known_before_the_first_block(variety: list[Path]) -> None:
    path = next(path for path in variety if path.name == "behind.wav")
    content = path.read_bytes()
    decoder = StreamDecoder(path)
    assert decoder.feed(content[:43]) == []
    assert decoder.info_so_far is None
    assert decoder.feed(content[43:44]) == []
    assert (decoder.info_so_far.rate, decoder.info_so_far.channels, decoder.info_so_far.length_samples) == (
        48_000,
        2,
        500,
    )
    assert decoder.info_so_far.ixml is None
    decoder.feed(content[44:])
    assert decoder.finish().ixml.take == "3"
    assert decoder.info_so_far == read_info(path)


@pytest.mark.parametrize("known", [True, False])
def test_what_cannot_be_known_in_passing_is_said(build, tmp_path: Path, ramp, known: bool) -> None:
    audio, fmt, data = ramp.tobytes(), build.fmt(2), build.chunk("data", ramp.tobytes())
    unsized = [struct.pack("<4sI", b"data", size) for size in (0, 0xFFFFFFFF, 5000)]
    files = {
        "its fmt chunk does not stand before its audio": [build.riff(data, fmt)],
        "its header does not say how long the audio is": [
            build.riff(fmt, head, audio) for head in unsized[:2]
        ],
        "its header promises more audio than the file holds": [build.riff(fmt, unsized[2], audio)],
        "it is no WAVE, RF64 or BW64 file": [b"fLaC" + bytes(500), b"RIFF\0\0\0\0AVI " + bytes(99)],
        "its audio is compressed": [build.riff(build.fmt(1, 8, tag=6), data)],
        "it ends before its audio begins": [build.riff(fmt), b"RIFF", b""],
        "its header says zero channels": [build.riff(build.fmt(0), data)],
    }
    for words, contents in files.items():
        for content in contents:
            for sizes in ([], [1] * 60, [50] * 9):
                decoder, _ = passed(tmp_path / "a.wav", content, sizes, known=known)
                assert decoder.finish() is None
                assert not decoder.streamable
                assert words in decoder.reason
                assert decoder.feed(b"more") == []
                assert decoder.info_so_far is None


def test_too_much_outside_the_audio_is_not_kept(build, tmp_path: Path, ramp) -> None:
    huge = build.chunk("FLLR", bytes(_MOST_OUTSIDE))
    before = build.riff(huge, build.fmt(), build.chunk("data", ramp.tobytes()))
    behind = build.riff(build.fmt(), build.chunk("data", ramp.tobytes()), huge)
    for content in (before, behind):
        decoder, _ = passed(tmp_path / "a.wav", content, [100_000] * 200, known=True)
        assert decoder.finish() is None
        assert "MiB" in decoder.reason
        assert len(decoder._head) + len(decoder._tail) == 0


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_with_a_damaged_header_it_is_right_or_says_so(
    variety: list[Path], tmp_path_factory, data: st.DataObject
) -> None:
    path = data.draw(st.sampled_from(variety))
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, min(len(content), 900) - 1))
        content[place] = data.draw(st.sampled_from([0, 1, 16, 255]) | st.integers(0, 255))
    del content[data.draw(st.integers(20, len(content))) :]
    damaged = tmp_path_factory.mktemp("damaged") / "a.wav"
    damaged.write_bytes(content)
    chance = random.Random(len(content))
    sizes = [chance.choice((1, 13, 200)) for _ in range(50)]
    decoder, blocks = passed(damaged, bytes(content), sizes, known=data.draw(st.booleans()))
    info = decoder.finish()
    if info is None:
        assert not decoder.streamable
        return
    with open_audio(damaged) as file:
        assert file.info == info
        whole = file.read(0, file.info.length_samples)
    assert (np.concatenate(blocks) if blocks else whole[:0]).tobytes() == whole.tobytes()


def test_a_refused_file_is_never_streamable(build, tmp_path: Path, ramp) -> None:
    (tmp_path / "a.wav").write_bytes(build.riff(build.fmt(rate=3), build.chunk("data", ramp.tobytes())))
    with pytest.raises(FileError):
        read_info(tmp_path / "a.wav")
    decoder, blocks = passed(tmp_path / "a.wav", (tmp_path / "a.wav").read_bytes(), [], known=True)
    assert not decoder.streamable
    assert not blocks
