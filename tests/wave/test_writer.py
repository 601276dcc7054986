"""Broadcast Wave files: whole or not at all, and what was said is in them."""

import itertools
import os
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from takewell.errors import DestinationError, SettingError, SignalError
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, open_audio, read_info

BEXT = Bext(
    description="Pier, night",
    originator="Takewell",
    time_reference=172_800_000,
    coding_history="A=PCM,F=48000,W=24,M=mono,T=x\r\n",
)
IXML = Ixml(
    project="Lamp",
    scene="4",
    take="2",
    tracks=(IxmlTrack(1, 1, "Boom"), IxmlTrack(2, 2, "Ada"), IxmlTrack(3, 3, "Bo")),
)


def write(path: Path, samples: np.ndarray, encoding="float32", **settings) -> BroadcastWriter:
    with BroadcastWriter(
        path, rate=48_000, channels=samples.shape[1], encoding=encoding, **settings
    ) as writer:
        writer.write(samples)
    return writer


@pytest.mark.parametrize("encoding", ["float32", "float64"])
def test_floats_come_back_bit_by_bit(tmp_path: Path, noise, encoding: str) -> None:
    samples = noise.astype(encoding) * 3000
    samples[5, 1] = np.nan
    writer = write(tmp_path / "a.wav", samples, encoding)
    with open_audio(tmp_path / "a.wav") as file:
        assert file.read(0, 9999).tobytes() == samples.tobytes()
        assert file.info.recoveries == ()
    assert writer.clipped_samples.tolist() == [0, 0, 0]
    assert writer.replaced_samples.tolist() == [0, 0, 0]


@pytest.mark.parametrize(("encoding", "bits"), [("int16", 16), ("int24", 24), ("int32", 32)])
def test_integers_come_back_bit_by_bit_without_dither(tmp_path: Path, noise, encoding, bits: int) -> None:
    samples = np.rint(noise * 2 ** (bits - 1)) / 2 ** (bits - 1)
    write(tmp_path / "a.wav", np.minimum(samples, 1 - 2.0 ** (1 - bits)), encoding, dither=False)
    with open_audio(tmp_path / "a.wav") as file:
        np.testing.assert_array_equal(file.read(0, 9999), np.minimum(samples, 1 - 2.0 ** (1 - bits)))


@pytest.mark.parametrize(("encoding", "bits"), [("int16", 16), ("int24", 24)])
def test_dithered_integers_stay_within_a_step_and_a_half(tmp_path: Path, noise, encoding, bits: int) -> None:
    write(tmp_path / "a.wav", noise[20:], encoding)
    with open_audio(tmp_path / "a.wav") as file:
        error = file.read(0, 9999) - noise[20:]
    assert 2.0 ** (1 - bits) / 2 < np.abs(error).max() <= 1.5 * 2.0 ** (1 - bits) + 2.0**-24


def test_metadata_come_back(tmp_path: Path, noise) -> None:
    write(tmp_path / "a.wav", noise, "int24", bext=BEXT, ixml=IXML)
    info = read_info(tmp_path / "a.wav")
    assert info.bext == BEXT
    assert replace(info.ixml, xml=b"") == IXML
    assert [chunk.id for chunk in info.chunks] == ["JUNK", "bext", "fmt ", "iXML", "data"]
    assert (info.rate, info.channels, info.encoding, info.channel_mask, info.container) == (
        48_000,
        3,
        "int24",
        None,
        "WAVE",
    )
    assert info.recoveries == ()


def test_the_reserve_is_the_first_chunk_and_large_enough_for_ds64(tmp_path: Path, noise) -> None:
    """EBU Tech 3306 3.1: JUNK of at least 28 bytes right behind the header."""
    write(tmp_path / "a.wav", noise)
    assert (tmp_path / "a.wav").read_bytes()[12:20] == b"JUNK" + struct.pack("<I", 28)


@pytest.mark.parametrize("mask", [0, 7, 0x63F])
def test_a_channel_mask_makes_the_format_extensible(tmp_path: Path, noise, mask: int) -> None:
    write(tmp_path / "a.wav", noise, "int24", channel_mask=mask)
    info = read_info(tmp_path / "a.wav")
    assert (info.channel_mask, info.encoding, info.valid_bits) == (mask, "int24", 24)


def test_odd_audio_is_padded(tmp_path: Path, noise) -> None:
    write(tmp_path / "a.wav", noise[:3], "int24")
    data = (tmp_path / "a.wav").read_bytes()
    assert len(data) % 2 == 0
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    assert read_info(tmp_path / "a.wav").length_samples == 3


def test_no_samples_make_an_empty_whole_file(tmp_path: Path) -> None:
    write(tmp_path / "a.wav", np.zeros((0, 2), np.float32))
    info = read_info(tmp_path / "a.wav")
    assert (info.length_samples, info.recoveries) == (0, ())


def test_growing_past_4_gib_becomes_rf64_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Silence is written as a hole in the file, so that 4.5 GB take no time and no room."""
    block = np.zeros((1 << 18, 64), np.float32)
    value = np.full((10, 64), 0.25, np.float32)

    with BroadcastWriter(
        tmp_path / "long.wav", rate=96_000, channels=64, encoding="float32", bext=BEXT
    ) as writer:
        put = writer._put

        def hole(data) -> None:
            if len(data) == block.nbytes:
                writer._file.seek(len(data), os.SEEK_CUR)
            else:
                put(data)

        monkeypatch.setattr(writer, "_put", hole)
        for _ in range(67):
            writer.write(block)
        writer.write(value)
    length = 67 * (1 << 18) + 10
    with open_audio(tmp_path / "long.wav") as file:
        assert (file.info.container, file.info.length_samples, file.info.recoveries) == ("RF64", length, ())
        assert [chunk.id for chunk in file.info.chunks] == ["ds64", "bext", "fmt ", "fact", "data"]
        assert file.info.bext == BEXT
        np.testing.assert_array_equal(file.read(length - 11, 99), np.concatenate([block[:1], value]))
    with (tmp_path / "long.wav").open("rb") as raw:
        assert raw.read(20) == b"RF64\xff\xff\xff\xffWAVEds64" + struct.pack("<I", 28)


def test_bext_may_change_until_the_end(tmp_path: Path, noise) -> None:
    with BroadcastWriter(tmp_path / "a.wav", rate=48_000, channels=3, encoding="int24", bext=BEXT) as writer:
        writer.write(noise)
        writer.bext = replace(writer.bext, loudness_value_lufs=-23.02, coding_history="")
        with pytest.raises(SettingError, match="give the whole coding history from the start"):
            writer.bext = replace(BEXT, coding_history=BEXT.coding_history * 2)
    assert read_info(tmp_path / "a.wav").bext == replace(BEXT, loudness_value_lufs=-23.02, coding_history="")


def test_an_interrupted_file_leaves_the_old_one(tmp_path: Path, noise) -> None:
    (tmp_path / "a.wav").write_bytes(b"old")

    def interrupt() -> None:
        with BroadcastWriter(tmp_path / "a.wav", rate=48_000, channels=3, encoding="int24") as writer:
            writer.write(noise)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupt()
    assert (tmp_path / "a.wav").read_bytes() == b"old"
    assert len(list(tmp_path.iterdir())) == 1


def test_what_a_killed_writer_leaves_is_recovered(tmp_path: Path, noise) -> None:
    samples = noise.astype(np.float32)
    with BroadcastWriter(
        tmp_path / "a.wav", rate=48_000, channels=3, encoding="float32", bext=BEXT
    ) as writer:
        writer.write(samples)
        writer._file.flush()
        left = next(tmp_path.glob(".*"))
        killed = tmp_path / "killed.wav"
        killed.write_bytes(left.read_bytes())
    with open_audio(killed) as file:
        assert "never finished" in file.info.recoveries[0]
        np.testing.assert_array_equal(file.read(0, 9999), samples)
        assert file.info.bext == BEXT


def test_a_taken_name_and_a_missing_folder_are_told(tmp_path: Path, noise) -> None:
    write(tmp_path / "a.wav", noise)
    with pytest.raises(DestinationError, match="exists already"):
        write(tmp_path / "a.wav", noise, replace_existing=False)
    with pytest.raises(DestinationError, match="its folder does not exist"):
        write(tmp_path / "no" / "a.wav", noise)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_is_told_and_leaves_nothing(tmp_path: Path, noise) -> None:
    def fill() -> None:
        with (
            Path("/dev/full").open("wb", buffering=0) as full,
            BroadcastWriter(tmp_path / "b.wav", rate=48_000, channels=3, encoding="float64") as writer,
        ):
            own, writer._file = writer._file, full
            own.close()
            writer.write(noise)

    with pytest.raises(DestinationError, match=r"b\.wav cannot be written: the disk is full"):
        fill()
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"encoding": "uint8"}, "encoding 'uint8' is not written; int16, int24, int32, float32, float64 are"),
        ({"channels": 0}, "0 channels cannot be written; 1 to 64 can"),
        ({"channels": 65}, "65 channels"),
        ({"rate": 100}, "sampling rate of 100 Hz cannot be written; 8 to 384 kHz can"),
        ({"channel_mask": -1}, "channel mask of -1"),
        ({"bext": Bext(originator="x" * 40)}, "originator"),
        ({"ixml": Ixml(ubits="1")}, "ubits"),
    ],
)
def test_wrong_settings_are_refused_before_anything_is_written(
    tmp_path: Path, settings: dict, words: str
) -> None:
    with pytest.raises(SettingError, match=words):
        BroadcastWriter(
            tmp_path / "a.wav", **({"rate": 48_000, "channels": 2, "encoding": "int24"} | settings)
        )
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "samples", [np.zeros(5), np.zeros((5, 3)), np.zeros((5, 2), np.int16), np.zeros((5, 2), np.float16)]
)
def test_samples_of_the_wrong_kind_are_refused(tmp_path: Path, samples: np.ndarray) -> None:
    with (
        pytest.raises(SignalError, match="is needed"),
        BroadcastWriter(tmp_path / "a.wav", rate=48_000, channels=2, encoding="int24") as writer,
    ):
        writer.write(samples)
    assert not list(tmp_path.iterdir())


def test_writing_outside_a_with_statement_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="use the writer in a with statement"):
        BroadcastWriter(tmp_path / "a.wav", rate=48_000, channels=2, encoding="int24").write(np.zeros((1, 2)))


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(["int16", "int24", "int32", "float32", "float64"]), st.integers(1, 64), st.integers(8_000, 384_000),
    st.integers(0, 300), st.none() | st.integers(0, 2**32 - 1), st.lists(st.integers(0, 300), max_size=4), st.integers(0, 9),
)  # fmt: skip
def test_round_trip(
    tmp_path_factory, encoding, channels: int, rate: int, count: int, mask, cuts: list[int], seed: int
) -> None:
    path = tmp_path_factory.mktemp("trip") / "a.wav"
    bits = {"int16": 16, "int24": 24, "int32": 32, "float32": 24, "float64": 53}[encoding]
    top = 2 ** (bits - 1)
    samples = np.random.default_rng(seed).integers(-top, top, (count, channels)) / top
    edges = [0, *sorted(min(cut, count) for cut in cuts), count]
    with BroadcastWriter(
        path, rate=rate, channels=channels, encoding=encoding, channel_mask=mask, dither=False
    ) as writer:
        for a, b in itertools.pairwise(edges):
            writer.write(samples[a:b])
    with open_audio(path) as file:
        assert (file.info.rate, file.info.channels, file.info.encoding) == (rate, channels, encoding)
        assert (file.info.channel_mask, file.info.length_samples, file.info.recoveries) == (mask, count, ())
        np.testing.assert_array_equal(file.read(0, count), samples)
