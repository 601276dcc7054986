"""FLAC, AIFF, CAF, Ogg and the rest read through the same calls, in blocks."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell.errors import FileError
from takewell.wave import open_audio, read_info

SAMPLES = np.random.default_rng(1).uniform(-0.9, 0.9, (30_001, 2))


@pytest.mark.outside
@pytest.mark.parametrize(
    ("container", "subtype", "encoding", "valid_bits"),
    [
        ("FLAC", "PCM_16", "int16", 16), ("FLAC", "PCM_24", "int24", 24), ("AIFF", "PCM_24", "int24", 24),
        ("AIFF", "FLOAT", "float32", 32), ("CAF", "PCM_32", "int32", 32), ("CAF", "ALAC_24", "int24", 24),
        ("W64", "PCM_24", "int24", 24), ("AU", "PCM_16", "int16", 16), ("OGG", "VORBIS", "float32", 32),
        ("OGG", "OPUS", "float32", 32), ("MP3", "MPEG_LAYER_III", "float32", 32),
    ],
)  # fmt: skip
def test_blocks_are_what_libsndfile_decodes(
    tmp_path: Path, container: str, subtype: str, encoding: str, valid_bits: int
) -> None:
    path = tmp_path / "take.snd"
    soundfile.write(path, SAMPLES, 48_000, subtype, format=container)
    kind = "float64" if encoding in ("int32", "float64") else "float32"
    expected, _ = soundfile.read(path, dtype=kind, always_2d=True)
    with open_audio(path) as file:
        info = file.info
        assert (info.container, info.encoding, info.valid_bits) == (container, encoding, valid_bits)
        assert (info.rate, info.channels, info.length_samples, info.recoveries) == (
            48_000,
            2,
            len(expected),
            (),
        )
        blocks = list(file.blocks(4096))
        assert all(
            block.dtype == kind and block.flags.c_contiguous and block.flags.writeable for block in blocks
        )
        np.testing.assert_array_equal(np.concatenate(blocks), expected)
        assert file.read(len(expected) - 5, 100).shape == (5, 2)
        assert file.read(len(expected), 100).shape == (0, 2)


@pytest.mark.parametrize(("container", "subtype"), [("FLAC", "PCM_24"), ("AIFF", "PCM_16"), ("CAF", "FLOAT")])
def test_any_place_can_be_read_first(tmp_path: Path, container: str, subtype: str) -> None:
    path = tmp_path / "take.snd"
    soundfile.write(path, SAMPLES, 48_000, subtype, format=container)
    with open_audio(path) as file:
        whole = file.read(0, 30_001)
        for start in (29_000, 5, 17_000, 17_100):
            np.testing.assert_array_equal(file.read(start, 100), whole[start : start + 100])


@pytest.mark.outside
@pytest.mark.parametrize("subtype", ["ULAW", "ALAW"])
def test_compressed_wave_keeps_its_chunks(tmp_path: Path, build, subtype: str) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, SAMPLES, 8_000, subtype, format="WAV")
    content = path.read_bytes() + build.chunk("iXML", b"<BWFXML><TAKE>6</TAKE></BWFXML>")
    path.write_bytes(content[:4] + (len(content) - 8).to_bytes(4, "little") + content[8:])
    expected, _ = soundfile.read(path, dtype="float32", always_2d=True)
    with open_audio(path) as file:
        assert (file.info.container, file.info.encoding, file.info.length_samples) == (
            "WAVE",
            "int16",
            30_001,
        )
        assert file.info.ixml.take == "6"
        np.testing.assert_array_equal(file.read(0, 30_001), expected)


@pytest.mark.outside
def test_wave_of_the_other_byte_order_is_read(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", SAMPLES, 48_000, "PCM_24", endian="BIG", format="WAV")
    assert (tmp_path / "a.wav").read_bytes()[:4] == b"RIFX"
    with open_audio(tmp_path / "a.wav") as file:
        np.testing.assert_array_equal(file.read(0, 30_001), soundfile.read(tmp_path / "a.wav")[0])


def test_texts_of_a_flac_file_are_read(tmp_path: Path) -> None:
    with soundfile.SoundFile(tmp_path / "a.flac", "w", 48_000, 2, "PCM_24") as file:
        file.title = "Door"
        file.write(SAMPLES)
    assert read_info(tmp_path / "a.flac").info["title"] == "Door"


def test_a_cut_flac_file_is_read_as_far_as_it_goes_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "take.flac"
    soundfile.write(path, SAMPLES, 48_000, "PCM_24")
    whole, _ = soundfile.read(path, dtype="float32", always_2d=True)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with open_audio(path) as file:
        length = file.info.length_samples
        assert 10_000 < length < 16_000
        assert file.info.recoveries[0].startswith(
            "The file is cut or damaged: its header promises 30001 samples"
        )
        np.testing.assert_array_equal(np.concatenate(list(file.blocks(1000))), whole[:length])


def test_a_flac_file_damaged_in_the_middle_is_an_error_where_it_is(tmp_path: Path) -> None:
    path = tmp_path / "take.flac"
    soundfile.write(path, SAMPLES, 48_000, "PCM_24")
    whole, _ = soundfile.read(path, dtype="float32", always_2d=True)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 3000] = bytes(3000)
    path.write_bytes(content)

    def read_all() -> None:
        with open_audio(path) as file:
            for start in range(0, 30_001, 1000):
                np.testing.assert_array_equal(file.read(start, 1000), whole[start : start + 1000])

    with pytest.raises(FileError, match=r"take\.flac"):
        read_all()


def test_a_header_out_of_range_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.aiff", SAMPLES, 4_000)
    with pytest.raises(FileError, match="has a sampling rate of 4000 Hz; 8 to 384 kHz are read"):
        open_audio(tmp_path / "a.aiff")
    soundfile.write(tmp_path / "b.caf", np.zeros((10, 70)), 48_000)
    with pytest.raises(FileError, match="has 70 channels; 1 to 64 are read"):
        open_audio(tmp_path / "b.caf")
