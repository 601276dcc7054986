"""A delivered copy differs from its source in bext and iXML alone."""

import hashlib
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from takewell.errors import DestinationError, FileError, SettingError
from takewell.wave import Bext, BroadcastWriter, Ixml, copy_with_metadata, open_audio, read_info
from takewell.wave.ixml import parse_ixml

XML = b"<BWFXML><SCENE>1</SCENE><VENDOR><X>7</X></VENDOR></BWFXML>"


def payloads(path: Path) -> dict[str, bytes]:
    with open_audio(path) as file:
        return {chunk.id: file.chunk_bytes(chunk, chunk.size) for chunk in file.info.chunks}


@pytest.fixture
def source(tmp_path: Path, build, ramp) -> Path:
    path = tmp_path / "source.wav"
    path.write_bytes(
        build.riff(
            build.chunk("JUNK", b"x" * 92),
            build.chunk("bext", b"old".ljust(700, b"\0")),
            build.fmt(2, tail=b"\0\0"),
            build.chunk("FLLR", bytes(101)),
            build.chunk("zzz1", b"12345"),
            build.chunk("data", ramp.tobytes()),
            build.chunk("iXML", XML),
            build.chunk("axml", b"<adm/>!"),
        )
    )
    return path


def test_only_bext_and_ixml_change(source: Path, tmp_path: Path) -> None:
    info = read_info(source)
    target = tmp_path / "copy.wav"
    copy_with_metadata(
        source, target, bext=replace(info.bext, description="new"), ixml=replace(info.ixml, scene="2")
    )
    before, after = payloads(source), payloads(target)
    assert list(after) == list(before)
    for name in ("fmt ", "FLLR", "zzz1", "data", "axml"):
        assert after[name] == before[name]
    copy = read_info(target)
    assert (copy.bext.description, copy.bext.version, copy.ixml.scene) == ("new", 2, "2")
    assert b"<VENDOR><X>7</X></VENDOR>" in copy.ixml.xml
    assert copy.recoveries == ()


def test_without_new_metadata_every_chunk_is_the_source_s(source: Path, tmp_path: Path) -> None:
    copy_with_metadata(source, tmp_path / "copy.wav")
    before, after = payloads(source), payloads(tmp_path / "copy.wav")
    assert after.pop("JUNK") == bytes(28)
    del before["JUNK"]
    assert after == before


def test_metadata_that_were_not_there_come_before_the_audio(build, tmp_path: Path, ramp) -> None:
    (tmp_path / "a.wav").write_bytes(build.riff(build.fmt(), build.chunk("data", ramp.tobytes())))
    copy_with_metadata(
        tmp_path / "a.wav", tmp_path / "b.wav", bext=Bext(description="new"), ixml=Ixml(scene="3")
    )
    info = read_info(tmp_path / "b.wav")
    assert [chunk.id for chunk in info.chunks] == ["JUNK", "fmt ", "bext", "iXML", "data"]
    assert (info.bext.description, info.ixml.scene) == ("new", "3")


def test_metadata_behind_the_audio_stay_there_and_copies_of_them_go(build, tmp_path: Path, ramp) -> None:
    two = (build.chunk("iXML", XML), build.chunk("iXML", b"<BWFXML/>"))
    (tmp_path / "a.wav").write_bytes(build.riff(build.fmt(), build.chunk("data", ramp.tobytes()), *two))
    copy_with_metadata(tmp_path / "a.wav", tmp_path / "b.wav", ixml=replace(parse_ixml(XML)[0], take="9"))
    info = read_info(tmp_path / "b.wav")
    assert [chunk.id for chunk in info.chunks] == ["JUNK", "fmt ", "data", "iXML"]
    assert (info.ixml.scene, info.ixml.take, info.recoveries) == ("1", "9", ())


def test_the_audio_of_a_large_file_is_the_same(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, (700_001, 3)).astype(np.float32)
    with BroadcastWriter(tmp_path / "a.wav", rate=48_000, channels=3, encoding="int24") as writer:
        writer.write(samples)
    copy_with_metadata(
        tmp_path / "a.wav", tmp_path / "b.wav", bext=Bext(description="x", coding_history="A=PCM\r\n" * 50)
    )
    digests = {hashlib.sha256(payloads(tmp_path / name)["data"]).hexdigest() for name in ("a.wav", "b.wav")}
    assert len(digests) == 1


def test_a_bw64_file_stays_one_with_its_axml(build, tmp_path: Path, ramp) -> None:
    data = struct.pack("<4sI", b"data", 0xFFFFFFFF) + ramp.tobytes()
    chunks = (build.fmt(), build.chunk("axml", b"<adm/>"), data)
    whole = build.riff(build.ds64(0, 2000, 0), *chunks, form="BW64", size=0xFFFFFFFF)
    (tmp_path / "a.wav").write_bytes(whole[:20] + struct.pack("<Q", len(whole) - 8) + whole[28:])
    copy_with_metadata(tmp_path / "a.wav", tmp_path / "b.wav", ixml=Ixml(scene="3"))
    info = read_info(tmp_path / "b.wav")
    assert (info.container, info.length_samples, info.recoveries) == ("BW64", 1000, ())
    assert payloads(tmp_path / "b.wav")["axml"] == b"<adm/>"
    copied = (tmp_path / "b.wav").read_bytes()
    assert struct.unpack("<QQQ", copied[20:44]) == (len(copied) - 8, 2000, 0)


def test_a_small_rf64_file_becomes_wave_and_a_large_one_stays_rf64(
    build, tmp_path: Path, ramp, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = struct.pack("<4sI", b"data", 0xFFFFFFFF) + ramp.tobytes()
    whole = build.riff(build.ds64(0, 2000, 1000), build.fmt(), data, form="RF64", size=0xFFFFFFFF)
    (tmp_path / "a.wav").write_bytes(whole[:20] + struct.pack("<Q", len(whole) - 8) + whole[28:])
    copy_with_metadata(tmp_path / "a.wav", tmp_path / "b.wav")
    assert read_info(tmp_path / "b.wav").container == "WAVE"
    monkeypatch.setattr("takewell.wave.layout.IN_DS64", 1500)  # what 4 GiB is to a real file
    copy_with_metadata(tmp_path / "b.wav", tmp_path / "c.wav")
    raw = (tmp_path / "c.wav").read_bytes()
    assert raw[:4] == b"RF64"
    assert raw[12:16] == b"ds64"
    assert struct.unpack("<QQQ", raw[20:44]) == (len(raw) - 8, 2000, 1000)


def test_a_damaged_file_is_copied_as_far_as_it_goes_with_a_right_header(build, tmp_path: Path, ramp) -> None:
    unfinished = build.riff(build.fmt(2), struct.pack("<4sI", b"data", 0), ramp.tobytes(), b"\x01", size=0)
    (tmp_path / "a.wav").write_bytes(unfinished)
    copy_with_metadata(tmp_path / "a.wav", tmp_path / "b.wav", bext=Bext(description="saved"))
    with open_audio(tmp_path / "b.wav") as file:
        assert file.info.recoveries == ()
        np.testing.assert_array_equal(file.read(0, 9999), ramp.reshape(-1, 2) / 2**15)


def test_what_goes_wrong_leaves_no_file(source: Path, tmp_path: Path) -> None:
    target = tmp_path / "out" / "copy.wav"
    with pytest.raises(DestinationError, match="its folder does not exist"):
        copy_with_metadata(source, target)
    target.parent.mkdir()
    with pytest.raises(SettingError, match="originator"):
        copy_with_metadata(source, target, bext=Bext(originator="x" * 33))
    (tmp_path / "a.flac").write_bytes(b"fLaC" + bytes(100))
    with pytest.raises(FileError, match="only those get new metadata"):
        copy_with_metadata(tmp_path / "a.flac", target)
    with pytest.raises(FileError, match="is not there"):
        copy_with_metadata(tmp_path / "none.wav", target)
    target.write_bytes(b"old")
    with pytest.raises(DestinationError, match="exists already"):
        copy_with_metadata(source, target, replace_existing=False)
    assert [path.name for path in target.parent.iterdir()] == ["copy.wav"]
    assert target.read_bytes() == b"old"


def test_a_source_that_goes_away_leaves_no_file(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import errno
    import os

    real = os.preadv

    def gone(handle, buffers, offset):
        if offset > 900:
            raise OSError(errno.EIO, "Input/output error")
        return real(handle, buffers, offset)

    (tmp_path / "out").mkdir()
    monkeypatch.setattr(os, "preadv", gone)
    with pytest.raises(FileError, match="was its card or disk taken out"):
        copy_with_metadata(source, tmp_path / "out" / "copy.wav")
    assert not list((tmp_path / "out").iterdir())
