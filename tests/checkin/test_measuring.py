"""What is measured while a card is copied equals what measuring the copy gives, and never harms the copy."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell.checkin import check_in, measuring, verify_folder
from takewell.engine.file_measurement import measure_file
from takewell.engine.results import FileMeasurement
from takewell.roll import Logbook
from takewell.wave import BroadcastWriter, Ixml, IxmlTrack

RATE = 48_000


def speech_like(seconds: float, channels: int, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    swell = 0.5 + 0.5 * np.sin(2 * np.pi * 0.7 * np.arange(n) / RATE)
    return (0.1 * swell[:, None] * rng.standard_normal((n, channels))).astype(np.float32)


def write(path: Path, samples: np.ndarray, encoding: str = "float32", ixml: Ixml | None = None) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with BroadcastWriter(path, rate=RATE, channels=samples.shape[1], encoding=encoding, ixml=ixml) as writer:
        writer.write(samples)


def same(one: FileMeasurement, other: FileMeasurement) -> None:
    assert one.format == other.format
    assert one.tracks == other.tracks
    assert one.programme == other.programme
    assert len(one.traces) == len(other.traces) > 0
    for left, right in zip(one.traces, other.traces, strict=True):
        for name in ("edges", "peak", "rms", "k_rms", "fine_rms", "over"):
            np.testing.assert_array_equal(getattr(left, name), getattr(right, name))


@pytest.mark.parametrize("encoding", ["int16", "int24", "float32"])
def test_measured_in_passing_equals_measured_afterwards(tmp_path: Path, encoding: str) -> None:
    names = Ixml(tracks=(IxmlTrack(1, 1, "Boom"), IxmlTrack(2, 2, "Lav A"), IxmlTrack(3, 3, "Lav B")))
    write(tmp_path / "card/DAY/1-1.wav", speech_like(12.3, 3), encoding, names)
    report = check_in([tmp_path / "card"], [tmp_path / "a", tmp_path / "b"])
    assert report.measured_files == 1
    assert report.unreadable_sound == ()
    expected = measure_file(tmp_path / "a/DAY/1-1.wav")
    for place in ("a", "b"):
        with Logbook(tmp_path / place) as logbook:
            kept = logbook.measurement("DAY/1-1.wav")
            assert kept is not None
            same(kept, expected)
            assert [track.name for track in kept.tracks] == ["Boom", "Lav A", "Lav B"]
            assert (logbook.digest("DAY/1-1.wav") or "").startswith("xxh128:")


def test_a_file_never_finalised_is_measured_from_its_copy(tmp_path: Path) -> None:
    path = tmp_path / "card/cut.wav"
    write(path, speech_like(3, 2))
    data = bytearray(path.read_bytes())
    at = data.index(b"data") + 4
    data[at : at + 4] = b"\xff\xff\xff\xff"  # as a recorder leaves it when its battery is pulled
    data[4:8] = b"\xff\xff\xff\xff"
    path.write_bytes(data)
    report = check_in([tmp_path / "card"], [tmp_path / "a"])
    assert report.complete
    assert report.measured_files == 1
    with Logbook(tmp_path / "a") as logbook:
        kept = logbook.measurement("cut.wav")
    assert kept is not None
    same(kept, measure_file(tmp_path / "a/cut.wav"))


def test_other_containers_are_measured_from_their_copy(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    soundfile.write(tmp_path / "card/x.flac", speech_like(2, 1), RATE, subtype="PCM_24")
    report = check_in([tmp_path / "card"], [tmp_path / "a"])
    assert report.measured_files == 1


@pytest.mark.parametrize("content", [b"", b"this is a text\n" * 100, b"RIFF\x00\x00\x00\x00WAVE"])
def test_what_is_no_sound_is_copied_verified_and_named(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "card/odd.wav").write_bytes(content)
    write(tmp_path / "card/whole.wav", speech_like(1, 1))
    report = check_in([tmp_path / "card"], [tmp_path / "a"])
    assert report.complete
    assert report.problems == ()
    assert report.measured_files == 1
    (odd,) = report.unreadable_sound
    assert odd.path == "odd.wav"
    assert "odd.wav" in odd.sentence
    assert verify_folder(tmp_path / "a").whole


def test_a_fault_in_measuring_does_not_harm_the_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_args: object, **_kwargs: object) -> None:
        raise RuntimeError("a slip of ours")

    write(tmp_path / "card/1-1.wav", speech_like(1, 1))
    monkeypatch.setattr(measuring.StreamDecoder, "feed", broken)
    monkeypatch.setattr("takewell.engine.file_measurement.measure_file", broken)
    report = check_in([tmp_path / "card"], [tmp_path / "a"])
    assert report.complete
    assert "could not be measured (RuntimeError: a slip of ours); the copy is verified" in (
        report.unreadable_sound[0].sentence
    )


def test_nothing_is_measured_when_that_is_not_wanted(tmp_path: Path) -> None:
    write(tmp_path / "card/1-1.wav", speech_like(1, 1))
    report = check_in([tmp_path / "card"], [tmp_path / "a"], measure=False)
    assert report.measured_files == 0
    assert not (tmp_path / "a/takewell/logbook.sqlite").exists()


def test_a_file_is_measured_once(tmp_path: Path) -> None:
    write(tmp_path / "card/1-1.wav", speech_like(1, 1))
    check_in([tmp_path / "card"], [tmp_path / "a"])
    again = check_in([tmp_path / "card"], [tmp_path / "a"])
    assert again.measured_files == 0
    second = check_in([tmp_path / "card"], [tmp_path / "a", tmp_path / "b"])
    assert second.measured_files == 1
    with Logbook(tmp_path / "b") as logbook:
        assert logbook.measured("1-1.wav")


def test_a_copy_checked_in_unmeasured_is_measured_on_the_next_visit(tmp_path: Path) -> None:
    write(tmp_path / "card/1-1.wav", speech_like(1, 1))
    check_in([tmp_path / "card"], [tmp_path / "a"], measure=False)
    assert check_in([tmp_path / "card"], [tmp_path / "a"]).measured_files == 1
