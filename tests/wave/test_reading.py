"""Whole files: every encoding, container and order of chunks reads as what was written."""

import errno
import inspect
import os
import pickle
import struct
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell import wave
from takewell.errors import FileError, SettingError
from takewell.wave import open_audio, read_info

GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")


@pytest.mark.outside
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize(
    ("subtype", "encoding"),
    [
        ("PCM_U8", "uint8"), ("PCM_16", "int16"), ("PCM_24", "int24"), ("PCM_32", "int32"), ("FLOAT", "float32"),
        ("DOUBLE", "float64"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("channels", [1, 2, 3, 8])
def test_files_of_libsndfile_read_as_libsndfile_reads_them(
    tmp_path: Path, container: str, subtype: str, encoding: str, channels: int
) -> None:
    path = tmp_path / "take.wav"
    samples = np.random.default_rng(3).uniform(-1, 1, (1001, channels))
    soundfile.write(path, samples, 96_000, subtype, format=container)
    expected, _ = soundfile.read(path, always_2d=True)
    with open_audio(path) as file:
        assert file.info.container == ("RF64" if container == "RF64" else "WAVE")
        assert (file.info.encoding, file.info.rate, file.info.channels) == (encoding, 96_000, channels)
        assert file.info.length_samples == 1001
        assert file.info.recoveries == ()
        assert (file.info.channel_mask is None) == (container == "WAV")
        np.testing.assert_array_equal(file.read(0, 1001), expected)


@pytest.mark.parametrize("channels", [1, 2, 17, 64])
@pytest.mark.parametrize("rate", [8_000, 44_100, 384_000])
def test_any_channel_count_and_rate(build, opened, channels: int, rate: int) -> None:
    samples = np.random.default_rng(1).integers(-(2**15), 2**15, (100, channels)).astype("<i2")
    file = opened(build.riff(build.fmt(channels, rate=rate), build.chunk("data", samples.tobytes())))
    assert (file.info.rate, file.info.channels, file.info.recoveries) == (rate, channels, ())
    np.testing.assert_array_equal(file.read(0, 100), samples / 2**15)


def test_an_extensible_ambisonic_file(build, opened, ramp) -> None:
    guid = struct.pack("<H", 1) + bytes.fromhex("00002107d3118644c8c1ca000000")
    tail = struct.pack("<HHI", 22, 16, 0) + guid
    file = opened(build.riff(build.fmt(4, tag=0xFFFE, tail=tail), build.chunk("data", ramp.tobytes())))
    assert file.info.ambisonic
    assert file.info.channel_mask == 0
    np.testing.assert_array_equal(file.read(0, 250), ramp.reshape(-1, 4) / 2**15)


def test_twenty_bits_at_the_top_of_three_bytes_keep_their_level(build, opened) -> None:
    tail = struct.pack("<HHI", 22, 20, 0) + struct.pack("<H", 1) + GUID_TAIL
    words = [(value << 4).to_bytes(3, "little", signed=True) for value in (-(2**19), 2**19 - 1, 1)]
    file = opened(build.riff(build.fmt(1, 24, tag=0xFFFE, tail=tail), build.chunk("data", b"".join(words))))
    assert file.info.valid_bits == 20
    np.testing.assert_array_equal(file.read(0, 3)[:, 0] * 2.0**19, [-(2**19), 2**19 - 1, 1])


def test_chunks_may_stand_in_any_order(build, opened, ramp) -> None:
    chunks = {
        "fmt ": build.fmt(2),
        "data": build.chunk("data", ramp.tobytes()),
        "iXML": build.chunk("iXML", b"<BWFXML><SCENE>7</SCENE></BWFXML>"),
        "bext": build.chunk("bext", b"hall".ljust(602, b"\0")),
        "abcd": build.chunk("abcd", b"12345"),
    }
    orders = [
        ["fmt ", "data", "iXML", "bext", "abcd"],
        ["abcd", "iXML", "data", "fmt ", "bext"],
        ["data", "bext", "abcd", "iXML", "fmt "],
    ]
    for order in orders:
        file = opened(build.riff(*(chunks[name] for name in order)))
        assert [chunk.id for chunk in file.info.chunks] == order
        assert (file.info.bext.description, file.info.ixml.scene) == ("hall", "7")
        assert file.info.recoveries == ()
        np.testing.assert_array_equal(file.read(0, 500), ramp.reshape(-1, 2) / 2**15)


def test_unknown_chunks_are_listed_with_their_place_and_can_be_read(build, opened, ramp) -> None:
    file = opened(
        build.riff(
            build.fmt(),
            build.chunk("axml", b"<x/>!"),
            build.chunk("data", ramp.tobytes()),
            build.chunk("zzzz", b"end"),
        )
    )
    axml, zzzz = (next(c for c in file.info.chunks if c.id == name) for name in ("axml", "zzzz"))
    assert (axml.size, zzzz.size) == (5, 3)
    assert file.chunk_bytes(axml) == b"<x/>!"
    assert file.chunk_bytes(zzzz, limit=2) == b"en"


def test_large_chunks_before_the_audio_are_passed_without_reading_them(build, opened, ramp) -> None:
    file = opened(
        build.riff(build.chunk("FLLR", bytes(3_000_001)), build.fmt(), build.chunk("data", ramp.tobytes()))
    )
    assert (file.info.length_samples, file.info.recoveries) == (1000, ())


def test_a_missing_pad_byte_is_bridged_and_told(build, opened, ramp) -> None:
    file = opened(
        build.riff(build.fmt(), build.chunk("abcd", b"12345", pad=False), build.chunk("data", ramp.tobytes()))
    )
    np.testing.assert_array_equal(file.read(0, 1000)[:, 0], ramp / 2**15)
    assert len(file.info.recoveries) == 1
    assert "odd size and no pad byte" in file.info.recoveries[0]


def test_a_missing_pad_byte_behind_odd_audio_is_bridged_and_told(build, opened) -> None:
    audio = np.arange(-60, 61, dtype=np.int8).tobytes() + b"\x7f\x00"
    data = build.chunk("data", audio, pad=False)
    file = opened(build.riff(build.fmt(1, 24), data, build.chunk("iXML", b"<BWFXML><TAKE>4</TAKE></BWFXML>")))
    assert file.info.ixml.take == "4"
    assert "no pad byte" in file.info.recoveries[0]


def test_a_missing_pad_byte_at_the_very_end_is_no_matter(build, opened) -> None:
    file = opened(build.riff(build.fmt(1, 8), build.chunk("data", b"\x80" * 7, pad=False)))
    assert (file.info.length_samples, file.info.recoveries) == (7, ())


def test_pad_bytes_need_not_be_zero(build, opened, ramp) -> None:
    file = opened(
        build.riff(
            build.fmt(), build.chunk("abcd", b"12345", pad=False) + b"x", build.chunk("data", ramp.tobytes())
        )
    )
    assert (file.info.length_samples, file.info.recoveries) == (1000, ())


def test_info_texts_cues_and_labels(build, opened, ramp) -> None:
    info = build.chunk(
        "LIST", b"INFO" + build.chunk("INAM", b"Door\0") + build.chunk("ICMT", "Tür".encode("cp1252"))
    )
    cues = (
        struct.pack("<I", 2)
        + struct.pack("<II4sIII", 1, 0, b"data", 0, 0, 480)
        + struct.pack("<II4sIII", 2, 0, b"data", 0, 0, 960)
    )
    labels = build.chunk(
        "LIST",
        b"adtl"
        + build.chunk("labl", struct.pack("<I", 2) + b"clap\0")
        + build.chunk("note", struct.pack("<I", 1) + b"x\0"),
    )
    file = opened(
        build.riff(build.fmt(), build.chunk("data", ramp.tobytes()), info, build.chunk("cue ", cues), labels)
    )
    assert file.info.info == {"INAM": "Door", "ICMT": "Tür"}
    assert file.info.cues == ((480, ""), (960, "clap"))
    assert file.info.recoveries == ()


@pytest.mark.parametrize("form", ["RF64", "BW64"])
def test_64_bit_containers_take_sizes_from_ds64_with_its_table(build, opened, ramp, form: str) -> None:
    huge = struct.pack("<4sI", b"axml", 0xFFFFFFFF) + b"<adm/>"
    data = struct.pack("<4sI", b"data", 0xFFFFFFFF) + ramp.tobytes()
    ds64 = build.ds64(0, 2000, 1000 if form == "RF64" else 0, (("axml", 6),))
    whole = build.riff(ds64, build.fmt(), huge, data, form=form, size=0xFFFFFFFF)
    whole = whole[:20] + struct.pack("<Q", len(whole) - 8) + whole[28:]
    file = opened(whole)
    assert (file.info.container, file.info.length_samples, file.info.recoveries) == (form, 1000, ())
    assert [(c.id, c.size) for c in file.info.chunks][2:] == [("axml", 6), ("data", 2000)]
    np.testing.assert_array_equal(file.read(0, 1000)[:, 0], ramp / 2**15)


def test_a_32_bit_size_that_is_given_wins_over_ds64(build, opened, ramp) -> None:
    whole = build.riff(build.ds64(0, 77, 0), build.fmt(), build.chunk("data", ramp.tobytes()), form="RF64")
    assert opened(whole).info.length_samples == 1000


@pytest.mark.parametrize("form", ["RIFF", "RF64"])
@pytest.mark.parametrize(("encoding", "bits", "tag"), [("int24", 24, 1), ("float32", 32, 3)])
def test_files_above_four_gigabytes(
    build, tmp_path: Path, form: str, encoding: str, bits: int, tag: int
) -> None:
    """A sparse file: audio of 5 GB in which only a few samples are not silent."""
    path, channels = tmp_path / "long.wav", 14
    block = channels * bits // 8
    length = 5_000_000_000 // block
    size = length * block
    if form == "RF64":
        start = build.riff(
            build.ds64(0, size, length),
            build.fmt(channels, bits, tag=tag),
            struct.pack("<4sI", b"data", 0xFFFFFFFF),
            form=form,
            size=0xFFFFFFFF,
        )
    else:  # between 4 GiB and the rest of them there is no right RIFF size: it ran over
        start = build.riff(
            build.fmt(channels, bits, tag=tag),
            struct.pack("<4sI", b"data", size % 2**32),
            size=(size + 36) % 2**32,
        )
    total = len(start) + size
    if form == "RF64":
        start = start[:20] + struct.pack("<Q", total - 8) + start[28:]
    place = length - 3
    value = (1 << 22).to_bytes(3, "little") if tag == 1 else struct.pack("<f", 0.5)
    with path.open("wb") as file:
        file.write(start)
        file.seek(len(start) + place * block)
        file.write(value)
        file.truncate(total)
    with open_audio(path) as audio:
        assert (audio.info.encoding, audio.info.length_samples) == (encoding, length)
        if form == "RF64":
            assert audio.info.recoveries == ()
        else:
            assert "ran over at 4 GiB" in audio.info.recoveries[0]
        last = audio.read(place, 10)
        assert last.shape == (3, channels)
        assert last[0, 0] == 0.5
        assert np.count_nonzero(last) == 1
        assert sum(map(len, audio.blocks(4096, start=length - 10_000))) == 10_000


def test_reading_stops_at_the_end_and_blocks_cover_the_file_once(build, opened, ramp) -> None:
    file = opened(build.riff(build.fmt(2), build.chunk("data", ramp.tobytes())))
    whole = file.read(0, 500)
    assert file.read(490, 100).shape == (10, 2)
    assert file.read(500, 1).shape == (0, 2)
    assert file.read(10**12, 1).shape == (0, 2)
    for size in (1, 7, 499, 500, 501, 10**9):
        blocks = list(file.blocks(size))
        assert [len(block) for block in blocks[:-1]] == [size] * (len(blocks) - 1)
        np.testing.assert_array_equal(np.concatenate(blocks), whole)
    np.testing.assert_array_equal(np.concatenate(list(file.blocks(64, 100, 300))), whole[100:300])
    assert list(file.blocks(64, 600)) == []


@pytest.mark.parametrize(("start", "count"), [(-1, 10), (0, -1)])
def test_a_place_before_the_start_is_refused(build, opened, ramp, start: int, count: int) -> None:
    file = opened(build.riff(build.fmt(), build.chunk("data", ramp.tobytes())))
    with pytest.raises(SettingError, match="0 is the first"):
        file.read(start, count)
    with pytest.raises(SettingError, match="1 is the least"):
        list(file.blocks(0))


def test_reading_from_several_threads_gives_the_same(build, opened) -> None:
    samples = np.random.default_rng(1).integers(-(2**15), 2**15, (50_000, 2)).astype("<i2")
    file = opened(build.riff(build.fmt(2), build.chunk("data", samples.tobytes())))
    with ThreadPoolExecutor(4) as pool:
        blocks = list(pool.map(lambda start: file.read(start, 1000), range(0, 50_000, 1000)))
    np.testing.assert_array_equal(np.concatenate(blocks), samples / 2**15)


def test_read_info_is_the_open_files_information(build, tmp_path: Path, ramp) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(build.riff(build.fmt(), build.chunk("data", ramp.tobytes())))
    with open_audio(path) as file:
        assert read_info(path) == file.info
    with pytest.raises(FileError, match="closed already"):
        file.read(0, 1)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: path.with_name("other.wav"), "is not there"),
        (lambda path: path.mkdir(), "is a folder"),
        (lambda path: path.write_bytes(b""), r"is empty \(0 bytes\)"),
        (lambda path: path.write_text("Sound report for the day\n" * 50), "begins as text"),
        (lambda path: path.write_bytes(bytes(5000)), "begins with zeros"),
        (lambda path: path.write_bytes(bytes(range(200, 256)) * 50), "no sound file that can be read"),
        (lambda path: path.write_bytes(b"RIFF"), "no sound file that can be read"),
        (
            lambda path: path.write_bytes(b"RIFF\x04\0\0\0WAVE"),
            "holds no audio: it ends or turns unreadable right after",
        ),
        (lambda path: path.write_bytes(b"RIFF\x04\0\0\0AVI " + bytes(100)), "no sound file that can be read"),
    ],
)
def test_what_is_no_sound_file_is_refused_in_one_sentence(tmp_path: Path, make, words: str) -> None:
    path = tmp_path / "take.wav"
    make(path)
    with pytest.raises(FileError, match=words) as refused:
        open_audio(path)
    assert str(refused.value).startswith(str(path))
    assert "\n" not in str(refused.value)


def test_information_survives_pickling(build, opened, ramp) -> None:
    bext, ixml = (
        build.chunk("bext", bytes(602)),
        build.chunk("iXML", b"<BWFXML><TRACK_LIST><TRACK/></TRACK_LIST></BWFXML>"),
    )
    info = opened(
        build.riff(build.fmt(), bext, ixml, build.chunk("data", ramp.tobytes()), b"rest of it")
    ).info
    assert pickle.loads(pickle.dumps(info)) == info


def test_the_public_names_are_those_listed() -> None:
    public = {
        name for name, value in vars(wave).items() if not name.startswith("_") and not inspect.ismodule(value)
    }
    assert public == set(wave.__all__)
    assert wave.__all__ == sorted(wave.__all__)


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "take.wav")
    with pytest.raises(FileError, match="not a regular file"):
        open_audio(tmp_path / "take.wav")


def test_a_file_cut_while_it_is_read_is_an_error_not_a_short_read(
    build, opened, tmp_path: Path, ramp
) -> None:
    file = opened(build.riff(build.fmt(), build.chunk("data", ramp.tobytes())))
    with (tmp_path / "take.wav").open("r+b") as other:
        other.truncate(1000)
    assert file.read(0, 400).shape == (400, 1)
    with pytest.raises(
        FileError, match=r"take\.wav ends at byte 1000 while being read, though it was 2044 bytes long"
    ):
        file.read(0, 1000)


def test_a_card_taken_out_is_told(build, opened, ramp, monkeypatch: pytest.MonkeyPatch) -> None:
    file = opened(build.riff(build.fmt(), build.chunk("data", ramp.tobytes())))

    def gone(*_: object) -> int:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "preadv", gone)
    with pytest.raises(
        FileError, match=r"cannot be read at byte 44 \(Input/output error\); was its card or disk taken out\?"
    ):
        file.read(0, 10)
