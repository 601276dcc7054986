"""Other programs read our files, and we theirs, field by field and sample by sample."""

import json
import shutil
import struct
import subprocess
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from takewell.wave import (
    Bext,
    BroadcastWriter,
    Ixml,
    IxmlTrack,
    append_history,
    history_row,
    open_audio,
    read_info,
)

pytestmark = pytest.mark.outside

needs_ffmpeg = pytest.mark.skipif(not shutil.which("ffmpeg"), reason="ffmpeg is not installed")
needs_sox = pytest.mark.skipif(not shutil.which("sox"), reason="sox is not installed")

BEXT = append_history(
    Bext(
        description="sSCENE=14\r\nsTAKE=2",
        originator="Takewell",
        originator_reference="TW0000001",
        origination_date="2031-05-06",
        origination_time="10:11:12",
        time_reference=2**33 + 5,
        umid=bytes(range(64)),
        loudness_value_lufs=-23.45,
        loudness_range_lu=12.5,
        max_true_peak_dbtp=-1.07,
        max_momentary_lufs=-15.0,
        max_short_term_lufs=-18.25,
    ),
    history_row("int24", 48_000, 3, "recorded"),
)
IXML = Ixml(
    project="Zürich & <Co>",
    scene="14",
    take="2",
    tape="R1",
    note="wind",
    circled=True,
    family_uid="F1",
    family_name="14-2",
    timecode_rate="30000/1001",
    timecode_flag="DF",
    tracks=(
        IxmlTrack(1, 1, "Boom", "M-MID_SIDE"),
        IxmlTrack(2, 2, "Side", "S-MID_SIDE"),
        IxmlTrack(5, 3, "Ada"),
    ),
)
ENCODINGS = ("int16", "int24", "int32", "float32", "float64")


def ours(path: Path, samples: np.ndarray, encoding: str, mask: int | None = None) -> np.ndarray:
    """Write a file and return its samples as they must come back."""
    with BroadcastWriter(
        path,
        rate=48_000,
        channels=samples.shape[1],
        encoding=encoding,
        bext=BEXT,
        ixml=IXML,
        channel_mask=mask,
        dither=False,
    ) as writer:
        writer.write(samples)
    bits = {"int16": 15, "int24": 23, "int32": 31}.get(encoding)
    if bits:
        return np.clip(np.rint(samples * 2.0**bits), -(2.0**bits), 2.0**bits - 1) / 2.0**bits
    return samples.astype(encoding)


def run(*command: str | Path) -> bytes:
    return subprocess.run([str(part) for part in command], check=True, capture_output=True).stdout


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("mask", [None, 0, 7])
def test_libsndfile_reads_ours(tmp_path: Path, noise, encoding: str, mask: int | None) -> None:
    expected = ours(tmp_path / "a.wav", noise, encoding, mask)
    found, rate = soundfile.read(tmp_path / "a.wav", always_2d=True)
    assert rate == 48_000
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("mask", [None, 7])
def test_pyav_reads_ours(tmp_path: Path, noise, encoding: str, mask: int | None) -> None:
    expected = ours(tmp_path / "a.wav", noise, encoding, mask)
    with av.open(str(tmp_path / "a.wav")) as container:
        stream = container.streams.audio[0]
        assert (stream.rate, stream.channels) == (48_000, 3)
        assert container.metadata["time_reference"] == str(BEXT.time_reference)
        assert container.metadata["comment"] == BEXT.description
        found = np.concatenate([frame.to_ndarray().reshape(-1, 3) for frame in container.decode(stream)])
    scale = {"int16": 2.0**15, "int24": 2.0**31, "int32": 2.0**31}.get(encoding, 1.0)
    np.testing.assert_array_equal(found / scale, expected)


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_wavinfo_reads_our_metadata(tmp_path: Path, noise, encoding: str) -> None:
    ours(tmp_path / "a.wav", noise, encoding)
    found = WavInfoReader(str(tmp_path / "a.wav"))
    assert (found.fmt.sample_rate, found.fmt.channel_count, found.data.frame_count) == (48_000, 3, len(noise))
    bext = found.bext.to_dict()
    assert bext == {
        "description": BEXT.description,
        "originator": BEXT.originator,
        "originator_ref": BEXT.originator_reference,
        "originator_date": BEXT.origination_date,
        "originator_time": BEXT.origination_time,
        "time_reference": BEXT.time_reference,
        "version": 2,
        "umid": BEXT.umid,
        "coding_history": BEXT.coding_history,
        "loudness_value": BEXT.loudness_value_lufs,
        "loudness_range": BEXT.loudness_range_lu,
        "max_true_peak": BEXT.max_true_peak_dbtp,
        "max_momentary_loudness": BEXT.max_momentary_lufs,
        "max_shortterm_loudness": BEXT.max_short_term_lufs,
    }
    ixml = found.ixml
    assert (ixml.project, ixml.scene, ixml.take, ixml.tape) == (
        IXML.project,
        IXML.scene,
        IXML.take,
        IXML.tape,
    )
    assert (ixml.family_uid, ixml.family_name) == (IXML.family_uid, IXML.family_name)
    tracks = [
        (int(t.channel_index), int(t.interleave_index), t.name, t.function or "") for t in ixml.track_list
    ]
    assert tracks == [(t.channel_index, t.interleave_index, t.name, t.function) for t in IXML.tracks]


@needs_ffmpeg
@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("mask", [None, 0, 7])
def test_ffmpeg_reads_ours(tmp_path: Path, noise, encoding: str, mask: int | None) -> None:
    expected = ours(tmp_path / "a.wav", noise, encoding, mask)
    raw = run("ffmpeg", "-v", "error", "-i", tmp_path / "a.wav", "-f", "f64le", "-")
    np.testing.assert_array_equal(np.frombuffer(raw, "<f8").reshape(-1, 3), expected)
    shown = json.loads(run("ffprobe", "-v", "error", "-show_format", "-of", "json", tmp_path / "a.wav"))
    tags = shown["format"]["tags"]
    assert tags["time_reference"] == str(BEXT.time_reference)
    assert tags["coding_history"].strip() == BEXT.coding_history.strip()
    assert (tags["comment"], tags["encoded_by"], tags["originator_reference"]) == (
        BEXT.description,
        "Takewell",
        "TW0000001",
    )
    assert (tags["date"], tags["creation_time"]) == (BEXT.origination_date, BEXT.origination_time)


@needs_sox
@pytest.mark.parametrize(
    ("encoding", "mask"),
    [("int16", None), ("int16", 7), ("int24", None), ("int24", 7), ("float32", None), ("float64", None)],
)
def test_sox_reads_ours(tmp_path: Path, noise, encoding: str, mask: int | None) -> None:
    expected = ours(tmp_path / "a.wav", noise, encoding, mask)
    done = subprocess.run(["sox", tmp_path / "a.wav", "-t", "f64", "-"], check=True, capture_output=True)
    found = np.frombuffer(done.stdout, "<f8").reshape(-1, 3)
    # sox holds 32-bit integers inside, so floats are right to one of its steps.
    np.testing.assert_allclose(found, expected, rtol=0, atol=0 if encoding.startswith("int") else 2.0**-31)
    assert b"WARN" not in done.stderr


@needs_ffmpeg
@pytest.mark.parametrize("code", ["pcm_u8", "pcm_s16le", "pcm_s24le", "pcm_s32le", "pcm_f32le", "pcm_f64le"])
@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("rf64", ["never", "always"])
def test_we_read_ffmpeg_s(tmp_path: Path, code: str, channels: int, rf64: str) -> None:
    source = np.random.default_rng(1).uniform(-1, 1, (2000, channels))
    soundfile.write(tmp_path / "source.wav", source, 48_000, "DOUBLE")
    tags = ("-write_bext", "1", "-metadata", "description=Quay", "-metadata", "time_reference=8589934597")
    tags += (
        "-metadata",
        "coding_history=A=PCM,F=48000",
        "-metadata",
        "originator=x",
        "-metadata",
        "title=Night",
    )
    run(
        "ffmpeg",
        "-v",
        "error",
        "-i",
        tmp_path / "source.wav",
        "-c:a",
        code,
        "-rf64",
        rf64,
        *tags,
        tmp_path / "a.wav",
    )
    expected, _ = soundfile.read(tmp_path / "a.wav", always_2d=True)
    with open_audio(tmp_path / "a.wav") as file:
        assert file.info.container == ("RF64" if rf64 == "always" else "WAVE")
        assert file.info.recoveries == ()
        assert (file.info.bext.description, file.info.bext.time_reference) == ("Quay", 2**33 + 5)
        assert file.info.bext.coding_history.startswith("A=PCM,F=48000")
        assert file.info.info["INAM"] == "Night"
        np.testing.assert_array_equal(file.read(0, 9999), expected)


@needs_ffmpeg
def test_a_header_that_ffmpeg_could_not_finish_is_recovered(tmp_path: Path) -> None:
    """Into a pipe, ffmpeg cannot go back to write sizes: both are FFFFFFFFh."""
    soundfile.write(
        tmp_path / "source.wav", np.random.default_rng(1).uniform(-1, 1, (5000, 2)), 48_000, "PCM_24"
    )
    raw = run(
        "ffmpeg", "-v", "error", "-i", tmp_path / "source.wav", "-c:a", "pcm_s24le", "-f", "wav", "pipe:1"
    )
    assert raw[4:8] == b"\xff\xff\xff\xff"
    (tmp_path / "a.wav").write_bytes(raw)
    with open_audio(tmp_path / "a.wav") as file:
        assert "never finished" in file.info.recoveries[0]
        np.testing.assert_array_equal(file.read(0, 9999), soundfile.read(tmp_path / "source.wav")[0])


@needs_sox
def test_a_header_that_sox_could_not_finish_is_recovered(tmp_path: Path) -> None:
    soundfile.write(
        tmp_path / "source.wav", np.random.default_rng(1).uniform(-1, 1, (5000, 2)), 48_000, "PCM_24"
    )
    raw = soundfile.read(tmp_path / "source.wav", dtype="int32")[0].tobytes()
    form = ("-t", "raw", "-r", "48000", "-c", "2", "-e", "signed", "-b", "32", "-L", "-")
    command = ["sox", "-D", *form, "-b", "24", "-t", "wav", "-"]
    done = subprocess.run(command, input=raw, check=True, capture_output=True)
    (tmp_path / "a.wav").write_bytes(done.stdout)
    with open_audio(tmp_path / "a.wav") as file:
        assert "never finished" in file.info.recoveries[0]
        np.testing.assert_array_equal(file.read(0, 9999), soundfile.read(tmp_path / "source.wav")[0])


@needs_sox
@pytest.mark.parametrize(
    "form",
    [
        ("-e", "unsigned", "-b", "8"),
        ("-b", "16"),
        ("-b", "24"),
        ("-b", "32"),
        ("-e", "float", "-b", "32"),
        ("-e", "float", "-b", "64"),
    ],
)
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_we_read_sox_s(tmp_path: Path, form: tuple[str, ...], channels: int) -> None:
    soundfile.write(
        tmp_path / "source.wav", np.random.default_rng(1).uniform(-1, 1, (2000, channels)), 48_000, "PCM_16"
    )
    run("sox", "-D", tmp_path / "source.wav", *form, tmp_path / "a.wav")
    expected, _ = soundfile.read(tmp_path / "a.wav", always_2d=True)
    with open_audio(tmp_path / "a.wav") as file:
        assert file.info.recoveries == ()
        np.testing.assert_array_equal(file.read(0, 9999), expected)


@pytest.mark.parametrize(
    "reader", ["libsndfile", "pyav", "wavinfo", pytest.param("ffmpeg", marks=needs_ffmpeg)]
)
def test_our_file_above_4_gib_is_read_by_others(
    tmp_path: Path, reader: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sparse: silence is a hole in the file, and its last ten samples sound."""
    import os

    block, value = np.zeros((1 << 19, 32), np.float32), np.full((10, 32), 0.25, np.float32)
    with BroadcastWriter(
        tmp_path / "a.wav", rate=48_000, channels=32, encoding="float32", bext=BEXT, ixml=IXML
    ) as writer:
        put = writer._put

        def hole(data) -> None:
            if len(data) == block.nbytes:
                writer._file.seek(len(data), os.SEEK_CUR)
            else:
                put(data)

        monkeypatch.setattr(writer, "_put", hole)
        for _ in range(65):
            writer.write(block)
        writer.write(value)
    length = 65 * len(block) + 10
    if reader == "libsndfile":
        with soundfile.SoundFile(tmp_path / "a.wav") as file:
            assert (file.format, file.frames) == ("RF64", length)
            file.seek(length - 11)
            np.testing.assert_array_equal(file.read(), np.concatenate([block[:1], value]))
    elif reader == "pyav":
        with av.open(str(tmp_path / "a.wav")) as container:
            assert container.streams.audio[0].duration == length
    elif reader == "wavinfo":
        found = WavInfoReader(str(tmp_path / "a.wav"))
        assert found.data.frame_count == length
        assert (found.bext.time_reference, found.ixml.scene) == (BEXT.time_reference, "14")
    else:
        shown = json.loads(run("ffprobe", "-v", "error", "-show_streams", "-of", "json", tmp_path / "a.wav"))
        assert shown["streams"][0]["duration_ts"] == length


@pytest.mark.parametrize("container", ["WAV", "RF64"])
def test_libsndfile_s_header_is_read_as_it_stands(tmp_path: Path, container: str) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((4, 4)), 48_000, "PCM_24", format=container)
    info = read_info(tmp_path / "a.wav")
    assert (info.channels, info.encoding, info.length_samples, info.recoveries) == (4, "int24", 4, ())


def test_edited_metadata_are_read_by_wavinfo(tmp_path: Path, noise) -> None:
    from takewell.wave import copy_with_metadata

    ours(tmp_path / "a.wav", noise, "int24")
    info = read_info(tmp_path / "a.wav")
    new = append_history(replace(info.bext, time_reference=99), history_row("int24", 48_000, 3, "delivered"))
    copy_with_metadata(tmp_path / "a.wav", tmp_path / "b.wav", bext=new, ixml=replace(info.ixml, scene="15"))
    found = WavInfoReader(str(tmp_path / "b.wav"))
    assert (found.bext.time_reference, found.ixml.scene, found.ixml.project) == (99, "15", IXML.project)
    assert found.bext.coding_history.count("\r\n") == 2
    assert (
        struct.unpack("<I", (tmp_path / "b.wav").read_bytes()[4:8])[0]
        == (tmp_path / "b.wav").stat().st_size - 8
    )
