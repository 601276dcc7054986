"""A take reads and measures as one recording, whatever files it lies in."""

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from takewell.errors import FileError, SettingError
from takewell.measure.trace import Trace
from takewell.roll import Logbook, TrackReader, loose, measured_take, read_roll, silent_spans

RATE = 48_000
START = 10 * 3600 * RATE

Write = Callable[..., Path]
Sound = NDArray[np.floating]


@pytest.fixture
def day(day_folder: Path, noise: Callable[..., Sound]) -> tuple[Path, Sound]:
    """The roll of `day_folder` and the three seconds its first take was written from."""
    return day_folder, noise(3 * RATE, 3, seed=1)


def test_a_take_reads_through_its_files(day: tuple[Path, Sound]) -> None:
    folder, sound = day
    take = read_roll(folder).take("14-2")
    with TrackReader(folder, take) as reader:
        whole = reader.read([1, 2, 3], 0, take.length_samples)
        np.testing.assert_array_equal(whole, sound)
        assert whole.dtype == np.float32
        np.testing.assert_array_equal(reader.read([3, 1], RATE - 5, 10), sound[RATE - 5 : RATE + 5, [2, 0]])
        np.testing.assert_array_equal(reader.read([4], 0, 2 * RATE)[:, 0], sound[: 2 * RATE, 0] / 4)
        np.testing.assert_array_equal(
            reader.read([5, 2], RATE // 2, RATE), np.stack([sound[RATE // 2 : 3 * RATE // 2, 1] / 4, sound[RATE // 2 : 3 * RATE // 2, 1]], 1)
        )  # fmt: skip
        assert reader.read([1], take.length_samples - 3, 10).shape == (3, 1)
        assert reader.read([1, 2], take.length_samples + 3, 10).shape == (0, 2)
        assert reader.read([], 0, 10).shape == (10, 0)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(block=st.integers(1, 200_000), start=st.integers(0, 3 * RATE), length=st.integers(0, 3 * RATE))
def test_any_blocks_equal_the_whole(day: tuple[Path, Sound], block: int, start: int, length: int) -> None:
    folder, sound = day
    take = loose([folder]).take("14-2")
    block = max(block, length // 50 + 1)
    with TrackReader(folder, take) as reader:
        blocks = list(reader.blocks([2], block, start, start + length))
    joined = np.concatenate([np.zeros((0, 1), np.float32), *blocks])
    np.testing.assert_array_equal(joined[:, 0], sound[start : start + length, 1])
    assert all(len(b) == block for b in blocks[:-1])


def test_a_gap_between_files_is_silence_in_its_length(
    tmp_path: Path, write_take: Write, noise: Callable[..., Sound]
) -> None:
    sound = noise(2 * RATE, 2)
    common: dict[str, Any] = {"take": "1", "family_uid": "f", "tracks": ["Boom", "Lav"]}
    write_take(tmp_path / "a_1.wav", sound[:RATE], at=START, **common)
    write_take(tmp_path / "a_2.wav", sound[RATE:], at=START + RATE + 4321, **common)
    roll = read_roll(tmp_path)
    take = roll.takes[0]
    with TrackReader(tmp_path, take) as reader:
        whole = reader.read([1, 2], 0, take.length_samples)
    np.testing.assert_array_equal(whole[:RATE], sound[:RATE])
    np.testing.assert_array_equal(whole[RATE : RATE + 4321], 0)
    np.testing.assert_array_equal(whole[RATE + 4321 :], sound[RATE:])
    assert silent_spans(take.tracks[0]) == ((RATE, RATE + 4321),)
    measured = measured_take(roll, take)
    assert measured.trace(2).length_samples == take.length_samples


def test_word_lengths_that_float32_cannot_hold_read_as_float64(tmp_path: Path, write_take: Write) -> None:
    fine = np.full((RATE, 1), 1 + 2.0**-40)
    write_take(tmp_path / "a.wav", fine, encoding="float64")
    take = loose([tmp_path]).takes[0]
    with TrackReader(tmp_path, take) as reader:
        np.testing.assert_array_equal(reader.read([1], 0, RATE), fine)


def test_more_mono_files_than_are_kept_open(tmp_path: Path, write_take: Write, noise: Callable[..., Sound], monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    monkeypatch.setattr("takewell.roll.reading.MOST_OPEN_FILES", 3)
    sound = noise(1000, 8)
    for place in range(8):
        write_take(tmp_path / f"1_{place + 1}.wav", sound[:, [place]], at=START, take="1")
    take = loose([tmp_path]).takes[0]
    with TrackReader(tmp_path, take) as reader:
        for _ in range(2):
            np.testing.assert_array_equal(reader.read(range(1, 9), 0, 1000), sound)


def test_what_is_not_there_is_one_sentence(day_folder: Path) -> None:
    take = read_roll(day_folder).take("14-3")
    with TrackReader(day_folder, take) as reader:
        with pytest.raises(SettingError, match="Take 14-3 has no track 9; its tracks are 1 to 3"):
            reader.read([9], 0, 1)
        with pytest.raises(SettingError, match="0 is the first"):
            reader.read([1], -1, 1)
        with pytest.raises(SettingError, match="1 is the least"):
            next(reader.blocks([1], 0))
        (day_folder / "14-3.wav").unlink()
        with pytest.raises(FileError, match=r"14-3\.wav"):
            reader.read([1], 0, 1)


class TestMeasuring:
    def test_a_take_is_measured_once(self, day_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        roll = read_roll(day_folder)
        take = roll.take("14-2")
        told: list[tuple[int, int]] = []
        first = measured_take(roll, take, progress=lambda done, whole: told.append((done, whole)))
        whole = sum(file.size_bytes for file in take.files)
        assert told[0] == (0, whole)
        assert told[-1] == (whole, whole)

        def refuse(*_: object, **__: object) -> None:
            raise AssertionError("measured again")

        monkeypatch.setattr("takewell.engine.measure_file", refuse)
        again = measured_take(roll, take)
        assert again.files == first.files
        assert all(map(same_trace, again.traces, first.traces))
        with Logbook(day_folder) as logbook:
            assert all(logbook.measured(file.path) for file in take.files)

    def test_traces_run_through_the_take(self, day: tuple[Path, Sound]) -> None:
        folder, sound = day
        roll = read_roll(folder)
        measured = measured_take(roll, roll.take("14-2"), workers=1)
        assert len(measured.traces) == 6
        for number in (1, 2, 3):
            trace = measured.trace(number)
            assert trace.length_samples == 3 * RATE
            starts = trace.edges[:-1]
            peaks = np.maximum.reduceat(np.abs(sound[:, number - 1]), starts)
            np.testing.assert_array_equal(trace.peak, peaks.astype(np.float32))
        pieces = measured.measured(2)
        assert [piece.file for piece, _ in pieces] == ["14-2_0001.wav", "14-2_0002.wav"]
        assert [track.channel for _, track in pieces] == [2, 2]
        assert [track.name for _, track in pieces] == ["Lav 1", "Lav 1"]

    def test_loose_files_are_measured_and_nothing_is_written(self, day_folder: Path) -> None:
        roll = loose([day_folder])
        measured_take(roll, roll.take("14-3"))
        assert not (day_folder / "takewell").exists()

    def test_a_file_that_fails_is_one_sentence(self, day_folder: Path) -> None:
        roll = read_roll(day_folder)
        (day_folder / "14-3.wav").write_bytes(b"gone")
        with pytest.raises(FileError, match=r"14-3\.wav"):
            measured_take(roll, roll.take("14-3"))


def same_trace(one: Trace, two: Trace) -> bool:
    return all(np.array_equal(getattr(one, f.name), getattr(two, f.name)) for f in fields(Trace))
