"""The logbook gives back what it was given, forgets what is stale, and never stands in the way."""

import multiprocessing
import os
import sqlite3
import threading
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from takewell.engine.results import Clip, FileFormat, FileMeasurement, Passage, Programme, TrackMeasurement
from takewell.errors import FileError
from takewell.measure.trace import Trace, join
from takewell.roll import BestTrack, Examination, Finding, Logbook, Pair, PairPassage, Verdict, read_roll
from takewell.roll.database import Database
from takewell.roll.stored import silent_trace
from takewell.units import step_edges

RATE = 48_000


def some_trace(length_samples: int, rate: int = RATE, seed: int = 0) -> Trace:
    rng = np.random.default_rng(seed)
    edges = step_edges(length_samples, rate)
    fine = step_edges(length_samples, rate, 100)

    def levels(count: int) -> np.ndarray:
        return (10 ** rng.uniform(-30, 30, count)).astype(np.float32)

    def counts() -> np.ndarray:
        return rng.integers(0, 4800, len(edges) - 1).astype(np.int32)

    n, m = len(edges) - 1, len(fine) - 1
    return Trace(
        rate, edges, levels(n), levels(n), -levels(n), levels(n), levels(n), levels(n),
        counts(), counts(), counts(), counts(), fine, levels(m), levels(m), levels(m),
    )  # fmt: skip


def same_trace(one: Trace, two: Trace) -> bool:
    return all(
        np.array_equal(getattr(one, f.name), getattr(two, f.name))
        and getattr(getattr(one, f.name), "dtype", None) == getattr(getattr(two, f.name), "dtype", None)
        for f in fields(Trace)
    )


def some_measurement(path: Path, channels: int = 3, length: int = RATE + 17) -> FileMeasurement:
    track = TrackMeasurement(
        channel=1, name="Böom", sample_peak_dbfs=-0.1, true_peak_dbtp=0.30000000000000004, rms_dbfs=None,
        dc_offset_fs=1e-300, integrated_lufs=-23.0, loudness_range_lu=None, momentary_max_lufs=None,
        short_term_max_lufs=None, speech_level_dbfs=-26.1, speech_activity=0.5, noise_floor_dbfs=-70.0,
        noise_floor_dbfs_a=-72.0, snr_db=44.0, samples_over_full_scale=3, nonfinite_samples=0,
        passages=(Passage(0.0, 1.0, -23.0, None, None, None, None),),
        clips=(Clip(0.5, 0.51, -0.001, "full_scale"),),
        quality={"rms_dbfs": "no samples"},
    )  # fmt: skip
    return FileMeasurement(
        file=str(path),
        format=FileFormat("WAVE", "float32", RATE, channels, length, length / RATE),
        tracks=tuple(replace(track, channel=channel + 1) for channel in range(channels)),
        programme=Programme(-20.0, None, None, None, 0.1),
        notes=("The header was never finished.",),
        traces=tuple(some_trace(length, seed=channel) for channel in range(channels)),
    )


def some_examination() -> Examination:
    finding = Finding(
        take="14-2", file="14-2_0001.wav", track=1, kind="clipped", start_s=1.5, end_s=1.25, confidence=0.9,
        severity="major", stage=None, evidence={"level_dbfs": -8.1, "run": 31, "why": None, "what": "ü"},
        remedy="take the copy", sentence="flat at −8.1 dBFS",
    )  # fmt: skip
    verdict = Verdict("14-2", "14-2_0001.wav", 1, "mend", "one word is clipped")
    steady = PairPassage(0.0, 41.5, -20.0, "steady", 0.0, 0, "both serve alike")
    held = PairPassage(41.5, 60.0, -20.0, "limited", 3.5, 1, "the copy is held back by 3.5 dB")
    return Examination(
        (finding, replace(finding, track=0, stage="preamplifier")),
        (verdict,),
        ("x.wav is empty.",),
        (BestTrack("14-2", 1, "it leads for 9 s", "Lav Ada"),),
        (Pair("14-2", 1, "BODY-1", 1, -0.999, -20.0, 2.345678901234, 14.02, (steady, held)),),
    )


def test_a_measurement_comes_back_equal_with_its_traces(day_folder: Path) -> None:
    file = "14-2_0001.wav"
    measurement = some_measurement(day_folder / file)
    with Logbook(day_folder) as logbook:
        assert not logbook.measured(file)
        assert logbook.measurement(file) is None
        logbook.save_measurement(file, measurement)
    with Logbook(day_folder) as logbook:
        assert logbook.measured(file)
        restored = logbook.measurement(file)
    assert restored == measurement
    assert restored is not None
    assert len(restored.traces) == 3
    assert all(same_trace(a, b) for a, b in zip(restored.traces, measurement.traces, strict=True))


@pytest.mark.parametrize("length", [0, 1, 4800, 4801, 12_345])
@pytest.mark.parametrize("rate", [8000, 44_100, 48_000])
def test_traces_of_any_length_come_back_equal(day_folder: Path, length: int, rate: int) -> None:
    file = "14-3.wav"
    joined = join([some_trace(length, rate), some_trace(777, rate), silent_trace(length, rate)])
    measurement = replace(
        some_measurement(day_folder / file, channels=2), traces=(some_trace(length, rate), joined)
    )
    with Logbook(day_folder) as logbook:
        logbook.save_measurement(file, measurement)
        restored = logbook.measurement(file)
    assert restored is not None
    assert all(same_trace(a, b) for a, b in zip(restored.traces, measurement.traces, strict=True))


def test_a_file_that_changed_must_be_measured_again(day_folder: Path) -> None:
    file = "14-3.wav"
    with Logbook(day_folder) as logbook:
        logbook.save_measurement(file, some_measurement(day_folder / file))
        logbook.save_digest(file, "xxh128:abc")
        assert logbook.digest(file) == "xxh128:abc"
        os.utime(day_folder / file, ns=(1, 1))
        assert logbook.measurement(file) is None
        assert logbook.digest(file) is None
        (day_folder / file).unlink()
        assert not logbook.measured(file)
        with pytest.raises(FileError, match=r"14-3\.wav cannot be read"):
            logbook.save_measurement(file, some_measurement(day_folder / file))


def test_another_version_of_the_program_measures_again(
    day_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = "14-3.wav"
    with Logbook(day_folder) as logbook:
        logbook.save_measurement(file, some_measurement(day_folder / file))
        monkeypatch.setattr("takewell.__version__", "99")
        assert logbook.measurement(file) is None


def test_a_hash_outlives_the_reading_of_headers(day_folder: Path) -> None:
    with Logbook(day_folder) as logbook:
        logbook.save_digest("14-3.wav", "xxh128:abc")
    read_roll(day_folder)
    with Logbook(day_folder) as logbook:
        assert logbook.digest("14-3.wav") == "xxh128:abc"
        assert logbook.headers()["14-3.wav"].digest == "xxh128:abc"


def test_an_examination_comes_back_until_something_changes(day_folder: Path) -> None:
    read_roll(day_folder)
    with Logbook(day_folder) as logbook:
        assert logbook.examination() is None
        logbook.save_examination(some_examination())
        assert logbook.examination() == some_examination()
        logbook.save_examination(some_examination())
        assert logbook.examination() == some_examination(), "saved twice, kept once"
    (day_folder / "takewell" / "tracks.csv").write_text("take,track,role\n*,1,mix\n", encoding="utf-8")
    with Logbook(day_folder) as logbook:
        assert logbook.examination() is None
        logbook.save_examination(some_examination())
    (day_folder / "14-3.wav").unlink()
    read_roll(day_folder)
    with Logbook(day_folder) as logbook:
        assert logbook.examination() is None


def test_steps_and_small_things(day_folder: Path) -> None:
    with Logbook(day_folder) as logbook:
        first = logbook.begin_step("checkin", {"from": "CARD"}, whole=10)
        second = logbook.begin_step("examine")
        logbook.progress_step(first, 4, 12)
        logbook.end_step(second, "no media", failed=True)
        running, failed = logbook.steps()
        assert (running.name, running.state, running.done, running.whole) == ("checkin", "running", 4, 12)
        assert running.detail == {"from": "CARD"}
        assert (failed.state, failed.sentence) == ("failed", "no media")
        assert failed.ended_s is not None
        logbook.keep("checkin", {"a.wav": {"size": 5}, "b.wav": [1, None]})
        logbook.keep("checkin", {"a.wav": None})
        assert logbook.kept("checkin") == {"b.wav": [1, None]}
        assert logbook.kept("examine") == {}


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda path: path.write_bytes(b"no database at all " * 100), "not a database"),
        (
            lambda path: path.write_bytes(path.read_bytes()[:100] + b"\xff" * 20_000),
            "malformed|not a database",
        ),
        (lambda path: _as_another_program(path), "another program wrote it"),
        (lambda path: _with_schema(path, 999), "another version of this program wrote it"),
    ],
    ids=["text", "overwritten", "foreign", "other schema"],
)
def test_a_spoiled_logbook_is_set_aside_and_begun_anew(day_folder: Path, spoil: object, reason: str) -> None:
    before = read_roll(day_folder)
    path = day_folder / "takewell" / "logbook.sqlite"
    _settle(path)
    spoil(path)  # type: ignore[operator]
    spoiled = path.read_bytes()
    after = read_roll(day_folder)
    assert after.takes == before.takes
    assert len(after.warnings) == 1
    assert "set aside as logbook-set-aside-1.sqlite" in after.warnings[0]
    assert any(part in after.warnings[0] for part in reason.split("|"))
    assert (path.parent / "logbook-set-aside-1.sqlite").read_bytes() == spoiled
    assert read_roll(day_folder).warnings == ()


def test_a_logbook_that_breaks_under_our_hands_is_begun_anew(day_folder: Path) -> None:
    with Logbook(day_folder) as logbook:
        other = sqlite3.connect(logbook.path)
        other.execute("DROP TABLE measurements")
        other.commit()
        other.close()
        assert logbook.measurement("14-3.wav") is None
        assert "set aside" in logbook.warnings[0]
        logbook.save_measurement("14-3.wav", some_measurement(day_folder / "14-3.wav"))
        assert logbook.measured("14-3.wav")


def test_where_no_folder_can_be_made_nothing_is_kept(day_folder: Path) -> None:
    (day_folder / "takewell").write_text("in the way", encoding="utf-8")
    roll = read_roll(day_folder)
    assert len(roll.takes) == 2
    assert len(roll.warnings) == 1
    assert "nothing is kept for next time" in roll.warnings[0]
    with Logbook(day_folder) as logbook:
        assert not logbook.writable
        logbook.save_measurement("14-3.wav", some_measurement(day_folder / "14-3.wav"))
        logbook.save_examination(some_examination())
        assert logbook.measurement("14-3.wav") is None
        assert logbook.examination() is None
        assert logbook.begin_step("x") == 0


def test_a_read_only_logbook_is_still_read(day_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Logbook(day_folder) as logbook:
        logbook.save_measurement("14-3.wav", some_measurement(day_folder / "14-3.wav"))
    # The tests may run as root, whom permissions do not stop: say what the system says on a read-only disk.
    monkeypatch.setattr(os, "access", lambda _, mode: mode != os.W_OK)
    before = {p.name for p in (day_folder / "takewell").iterdir()}
    with Logbook(day_folder) as logbook:
        assert not logbook.writable
        assert "cannot be written (it is read-only); nothing is kept" in logbook.warnings[0]
        assert logbook.measurement("14-3.wav") is not None
        logbook.keep("x", {"a": 1})
        assert logbook.kept("x") == {}
    assert {p.name for p in (day_folder / "takewell").iterdir()} == before


def _write_often(folder: Path, name: str, count: int) -> None:
    with Logbook(folder) as logbook:
        for number in range(count):
            logbook.keep(name, {str(number): number})
            logbook.begin_step(name)
        assert logbook.warnings == ()


def test_two_processes_and_several_threads_write_at_once(day_folder: Path) -> None:
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=_write_often, args=(day_folder, f"p{i}", 30)) for i in range(2)]
    for process in processes:
        process.start()
    with Logbook(day_folder) as logbook:
        threads = [
            threading.Thread(target=lambda i=i: [logbook.keep(f"t{i}", {str(n): n}) for n in range(30)])
            for i in range(3)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        for process in processes:
            process.join()
        assert [process.exitcode for process in processes] == [0, 0]
        for room in ("p0", "p1", "t0", "t1", "t2"):
            assert logbook.kept(room) == {str(n): n for n in range(30)}
        assert len(logbook.steps()) == 60
        assert logbook.warnings == ()


def _settle(path: Path) -> None:
    """Bring everything from the log into the file, as closing the last connection does."""
    db = sqlite3.connect(path)
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()


def _as_another_program(path: Path) -> None:
    path.unlink()
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE recipes (name)")
    db.commit()
    db.close()


def _with_schema(path: Path, schema: int) -> None:
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {schema}")
    db.commit()
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()


def test_a_write_that_fails_leaves_nothing_and_the_next_one_works(tmp_path: Path) -> None:
    database = Database(tmp_path / "a.sqlite", ["CREATE TABLE t (n)"], application_id=1, schema=1)

    def half(db: sqlite3.Connection) -> None:
        db.execute("INSERT INTO t VALUES (1)")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        database.write(half, None)
    database.write(lambda db: db.execute("INSERT INTO t VALUES (2)"), None)
    assert [row["n"] for row in database.read("SELECT n FROM t")] == [2]
    database.close()
    assert database.read("SELECT n FROM t") == []
