"""Files that real days produce: what can be read is read and told, the rest is refused in one sentence.

What to make of a damaged header is common practice, no source.
"""

import struct
from pathlib import Path

import numpy as np
import pytest

from takewell.errors import FileError
from takewell.wave import open_audio

IXML = b"<BWFXML><SCENE>12</SCENE></BWFXML>"


def data_header(size: int) -> bytes:
    return struct.pack("<4sI", b"data", size)


def assert_reads(file, expected: np.ndarray) -> None:
    np.testing.assert_array_equal(file.read(0, 10**9), expected.reshape(-1, file.info.channels) / 2**15)
    assert file.info.length_samples == len(expected) // file.info.channels


@pytest.mark.parametrize("stated", [0, 0xFFFFFFFF, 0xFFFFFFFF - 44, 0x7FFFF000, 0x80000000])
@pytest.mark.parametrize("riff_size", [0, 0xFFFFFFFF, 36])
def test_a_header_never_finished(build, opened, ramp, stated: int, riff_size: int) -> None:
    file = opened(build.riff(build.fmt(2), data_header(stated), ramp.tobytes(), size=riff_size))
    assert_reads(file, ramp)
    assert file.info.recoveries == (
        "The header was never finished; its audio was found to be 2000 bytes long (500 samples, 0.010 s).",
    )


def test_a_header_never_finished_with_chunks_behind_the_audio(build, opened, ramp) -> None:
    tail = build.chunk("zzzz", b"123") + build.chunk("LIST", b"INFO" + build.chunk("INAM", b"x\0"))
    for stated in (0, 0xFFFFFFFF, 50_000):
        whole = build.riff(
            build.fmt(2), data_header(stated), ramp.tobytes(), build.chunk("iXML", IXML), tail, size=0
        )
        file = opened(whole)
        assert_reads(file, ramp)
        assert file.info.ixml.scene == "12"
        assert file.info.info == {"INAM": "x"}
        assert len(file.info.recoveries) == 1
        assert "never finished" in file.info.recoveries[0]


def test_a_chunk_of_an_unknown_name_right_behind_unfinished_audio_is_no_audio(build, opened, ramp) -> None:
    tail = build.chunk("zzzz", b"123") + build.chunk("iXML", IXML)
    file = opened(build.riff(build.fmt(2), data_header(0), ramp.tobytes(), tail, size=0))
    assert_reads(file, ramp)
    assert [chunk.id for chunk in file.info.chunks] == ["fmt ", "data", "zzzz", "iXML"]


def test_random_audio_is_not_taken_for_chunks(build, opened) -> None:
    noise = np.random.default_rng(5).integers(-(2**15), 2**15, 2_000_000).astype("<i2")
    assert_reads(opened(build.riff(build.fmt(2), data_header(0), noise.tobytes(), size=0)), noise)


def test_a_header_never_finished_with_fmt_behind_the_audio(build, opened, ramp) -> None:
    file = opened(build.riff(data_header(0), ramp.tobytes(), build.fmt(2), size=0))
    assert_reads(file, ramp)


def test_a_chunk_name_inside_the_audio_is_audio(build, opened) -> None:
    """The bytes of ``LIST`` and a size may occur in samples; only a chain that ends with the file is chunks."""
    audio = np.frombuffer(bytes(100) + b"LIST\x10\0\0\0" + bytes(892), "<i2")
    assert_reads(opened(build.riff(build.fmt(), data_header(0), audio.tobytes(), size=0)), audio)


def test_truly_no_audio_is_not_taken_for_an_unfinished_header(build, opened) -> None:
    file = opened(build.riff(build.fmt(2), build.chunk("data"), build.chunk("iXML", IXML)))
    assert (file.info.length_samples, file.info.recoveries) == (0, ())
    assert file.read(0, 10).shape == (0, 2)
    assert list(file.blocks()) == []


@pytest.mark.parametrize("data_in_ds64", [0, 2**64 - 1])
def test_rf64_with_an_empty_ds64(build, opened, ramp, data_in_ds64: int) -> None:
    whole = build.riff(
        build.ds64(0, data_in_ds64, 0),
        build.fmt(2),
        data_header(0xFFFFFFFF),
        ramp.tobytes(),
        form="RF64",
        size=0xFFFFFFFF,
    )
    file = opened(whole)
    assert_reads(file, ramp)
    assert "never finished" in file.info.recoveries[0]


def test_rf64_without_ds64(build, opened, ramp) -> None:
    file = opened(
        build.riff(build.fmt(2), data_header(0xFFFFFFFF), ramp.tobytes(), form="RF64", size=0xFFFFFFFF)
    )
    assert_reads(file, ramp)
    assert "never finished" in file.info.recoveries[0]


def test_rf64_with_a_ds64_too_short_to_use(build, opened, ramp) -> None:
    file = opened(
        build.riff(
            build.chunk("ds64", bytes(20)), build.fmt(2), data_header(0xFFFFFFFF), ramp.tobytes(), form="RF64"
        )
    )
    assert_reads(file, ramp)
    assert "ds64 chunk has 20 bytes where 28 are needed" in file.info.recoveries[0]


def test_a_file_above_4_gib_whose_header_was_never_finished(build, tmp_path: Path) -> None:
    """Sparse; RIFF with the reserve still JUNK, as a recorder leaves it when its power fails."""
    path = tmp_path / "long.wav"
    start = build.riff(build.chunk("JUNK", bytes(28)), build.fmt(8, 24), data_header(0xFFFFFFFF), size=0)
    with path.open("wb") as file:
        file.write(start)
        file.truncate(len(start) + 24 * 250_000_000)
    with open_audio(path) as audio:
        assert audio.info.length_samples == 250_000_000
        assert "6000000000 bytes long (250000000 samples, 5208.333 s)" in audio.info.recoveries[0]


def test_a_cut_file_says_what_is_missing(build, opened, ramp) -> None:
    whole = build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()))
    file = opened(whole[: 44 + 1200])
    assert_reads(file, ramp[:600])
    assert file.info.recoveries == (
        "The file is cut: 200 samples (0.004 s) that the header promises at the end are missing; 300 samples, 0.006 s "
        "were read.",
    )


def test_a_file_cut_inside_a_sample_of_all_channels(build, opened, ramp) -> None:
    whole = build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()))
    file = opened(whole[: 44 + 1203])
    assert_reads(file, ramp[:600])
    cut, rest = file.info.recoveries
    assert cut.startswith("The file is cut: 200 samples")
    assert rest == "The last 3 bytes of the audio are no whole sample of all channels and were left out."


def test_a_file_cut_right_behind_its_data_header(build, opened, ramp) -> None:
    file = opened(build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()))[:44])
    assert file.info.length_samples == 0
    assert "500 samples (0.010 s) that the header promises at the end are missing" in file.info.recoveries[0]


def test_a_file_cut_inside_a_later_chunk(build, opened, ramp) -> None:
    whole = build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()), build.chunk("iXML", IXML))
    file = opened(whole[:-10])
    assert_reads(file, ramp)
    assert any(
        "'iXML' at byte 2044 says 34 bytes, but the file ends after 24 of them" in text
        for text in file.info.recoveries
    )
    assert any("iXML document is malformed" in text for text in file.info.recoveries)
    assert file.info.ixml.scene == "12"


@pytest.mark.parametrize("length", range(12, 44))
def test_a_file_cut_before_its_audio_is_refused(build, tmp_path: Path, ramp, length: int) -> None:
    (tmp_path / "a.wav").write_bytes(build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()))[:length])
    with pytest.raises(FileError, match=r"a\.wav holds no audio"):
        open_audio(tmp_path / "a.wav")


def test_a_missing_data_header_takes_what_follows_as_audio(build, opened, ramp) -> None:
    file = opened(build.riff(build.fmt(2), build.chunk("bext", bytes(602)), ramp.tobytes()))
    assert_reads(file, ramp)
    assert (
        "The header of the data chunk is missing; all 2000 bytes from byte 646 on were taken as audio."
        in file.info.recoveries
    )


def test_a_file_of_chunks_without_audio_is_refused(build, tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(build.riff(build.fmt(2), build.chunk("LIST", b"INFO")))
    with pytest.raises(
        FileError, match="holds no audio: there is no data chunk among its chunks \\('fmt', 'LIST'\\)"
    ):
        open_audio(tmp_path / "a.wav")


def test_a_file_without_fmt_is_refused(build, tmp_path: Path, ramp) -> None:
    (tmp_path / "a.wav").write_bytes(build.riff(build.chunk("data", ramp.tobytes())))
    with pytest.raises(FileError, match="it has no fmt chunk"):
        open_audio(tmp_path / "a.wav")


@pytest.mark.parametrize("garbage", [b"\x00\x01\x02\x03" * 25, b"\xff" * 7, b"end of the card", bytes(5000)])
def test_trailing_garbage_is_left_out_and_told(build, opened, ramp, garbage: bytes) -> None:
    file = opened(build.riff(build.fmt(2), build.chunk("data", ramp.tobytes())) + garbage)
    assert_reads(file, ramp)
    assert any(
        f"{len(garbage)} bytes behind the last chunk, from byte 2044 on, are no chunk and were left out."
        == text
        for text in file.info.recoveries
    )


def test_a_few_zeros_behind_the_last_chunk_are_no_matter(build, opened, ramp) -> None:
    whole = build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()), bytes(6))
    assert opened(whole).info.recoveries == ()


@pytest.mark.parametrize("lie", [0, 4, 100, 2_000_000, 2**32 - 1])
def test_a_wrong_riff_size_is_told_and_changes_nothing(build, opened, ramp, lie: int) -> None:
    file = opened(
        build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()), build.chunk("iXML", IXML), size=lie)
    )
    assert_reads(file, ramp)
    assert file.info.ixml.scene == "12"
    assert len(file.info.recoveries) == 1
    assert "but it has 2086; the chunks were read as they lie" in file.info.recoveries[0]


@pytest.mark.parametrize("lie", [30, 700, 1500, 3000, 2**31, 2**32 - 1])
def test_audio_behind_a_chunk_whose_size_lies_is_found(build, opened, ramp, lie: int) -> None:
    file = opened(
        build.riff(
            build.fmt(2),
            build.chunk("bext", b"Pier".ljust(602, b"\0"), size=lie),
            build.chunk("data", ramp.tobytes()),
        )
    )
    assert_reads(file, ramp)
    assert file.info.bext.description == "Pier"
    assert file.info.recoveries


def test_fmt_behind_a_chunk_whose_size_lies_is_found(build, opened, ramp) -> None:
    file = opened(
        build.riff(
            build.chunk("JUNK", bytes(28), size=2000), build.fmt(2), build.chunk("data", ramp.tobytes())
        )
    )
    assert_reads(file, ramp)
    assert "'JUNK' at byte 12 says 28 bytes or more" not in file.info.recoveries[0]
    assert "the chunk 'fmt' stands inside it at byte 48 and was read" in " ".join(file.info.recoveries)


def test_a_word_in_a_text_is_not_taken_for_audio(build, opened, ramp) -> None:
    """The description holds the word "data" and zeros behind it, as a data chunk without audio would."""
    text = b"all data".ljust(602, b"\0")
    file = opened(
        build.riff(build.fmt(2), build.chunk("bext", text, size=700), build.chunk("data", ramp.tobytes()))
    )
    assert_reads(file, ramp)


def test_bytes_that_are_no_chunk_before_the_audio_are_passed_and_told(build, opened, ramp) -> None:
    file = opened(build.riff(build.fmt(2), b"\x00\x07\x01" * 40, build.chunk("data", ramp.tobytes())))
    assert_reads(file, ramp)
    assert "Bytes that are no chunk stand before the chunk 'data', found at byte 156." in file.info.recoveries


def test_a_second_data_chunk_is_told(build, opened, ramp) -> None:
    file = opened(
        build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()), build.chunk("data", bytes(40)))
    )
    assert_reads(file, ramp)
    assert file.info.recoveries == ("A second data chunk of 40 bytes at byte 2044 was not read.",)


def test_a_block_align_that_lies(build, opened, ramp) -> None:
    file = opened(build.riff(build.fmt(2, block=7, byte_rate=1), build.chunk("data", ramp.tobytes())))
    assert_reads(file, ramp)
    assert "block size of 7 bytes does not fit 2 channels of 16 bits" in file.info.recoveries[0]


def test_a_short_bext_and_a_second_one_are_told(build, opened, ramp) -> None:
    file = opened(
        build.riff(
            build.fmt(),
            build.chunk("bext", b"Quay" + bytes(300)),
            build.chunk("bext", bytes(602)),
            build.chunk("data", ramp.tobytes()),
        )
    )
    assert file.info.bext.description == "Quay"
    assert file.info.recoveries == (
        "There are 2 bext chunks; the first was used.",
        "The bext chunk has 304 bytes where 602 are needed; what is there was read.",
    )


@pytest.mark.parametrize(
    ("document", "words", "scene"),
    [
        (b"<BWFXML><SCENE>5</SCENE>", "malformed", "5"),
        (b"<BWFXML><SCENE>5</SCENE><NOTE>Tom & Jo</NOTE></BWFXML>", "malformed", "5"),
        (b"not xml at all", "holds no iXML document", ""),
        (b"<other/>", "holds no iXML document", ""),
        (b"", "is empty", ""),
        (b"\0\0\0\0", "is empty", ""),
        (
            b'<!DOCTYPE a [<!ENTITY b "c">]><BWFXML><SCENE>&b;</SCENE></BWFXML>',
            "declares a document type",
            "",
        ),
        (b"<BWFXML><SCENE>5</SCENE></BWFXML>".ljust(5 << 20), None, "5"),
        (
            b"<BWFXML><NOTE>" + b"x" * (5 << 20) + b"</NOTE></BWFXML>",
            "above 4194304; it was kept but not read",
            "",
        ),
    ],
)
def test_broken_ixml_never_stops_the_reading(
    build, opened, ramp, document: bytes, words: str | None, scene: str
) -> None:
    file = opened(
        build.riff(build.fmt(2), build.chunk("iXML", document), build.chunk("data", ramp.tobytes()))
    )
    assert_reads(file, ramp)
    assert file.info.ixml.scene == scene
    if words is None:
        assert file.info.recoveries == ()
    else:
        assert words in file.info.recoveries[0]


def test_very_many_oddities_are_counted_not_all_told(build, opened, ramp) -> None:
    odd = build.chunk("LIST", b"x", pad=False)
    file = opened(build.riff(build.fmt(2), odd * 30, build.chunk("data", ramp.tobytes())))
    assert_reads(file, ramp)
    assert len(file.info.recoveries) == 21
    assert file.info.recoveries[-1] == "10 more things of this kind were found."


def test_very_many_chunks_are_not_all_kept(build, opened, ramp) -> None:
    many = build.chunk("abcd") * 20_000
    file = opened(build.riff(build.fmt(2), build.chunk("data", ramp.tobytes()), many))
    assert_reads(file, ramp)
    assert len(file.info.chunks) == 10_000
    assert "Only the first 10000 chunks were looked at." in file.info.recoveries
