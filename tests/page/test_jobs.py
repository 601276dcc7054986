"""Long work outlives the page, can be stopped, and where it was cut off that is said."""

import json
import os
import signal
import time

import pytest

from takewell.cli.main import run
from takewell.errors import SettingError
from takewell.page import jobs
from takewell.roll import Logbook


def wait_for(found, seconds=90):
    """Return the first true value `found` gives."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = found()
        if value:
            return value
        time.sleep(0.1)
    raise AssertionError("it did not happen")


def state(roll, number):
    return next(step for step in jobs.jobs_of(roll) if step.id == number)


def holder(roll):
    return json.loads((roll / "takewell" / jobs.LOCK).read_text())


def test_a_job_runs_as_a_command_line_and_its_end_is_kept(roll):
    number = jobs.start(roll, "Examine", [["examine", str(roll)]])
    done = wait_for(lambda: (step := state(roll, number)).state != "running" and step)
    assert done.state == "done"
    assert "2 good" in done.sentence or "tracks:" in done.sentence
    assert "what was found" in jobs.said(roll, number)


def test_a_refusal_is_said_in_its_own_sentence(roll):
    number = jobs.start(roll, "Check in", [["checkin", str(roll / "nowhere"), "--to", str(roll)]])
    failed = wait_for(lambda: (step := state(roll, number)).state != "running" and step)
    assert failed.state == "failed"
    assert "nowhere" in failed.sentence


def test_only_one_piece_of_work_at_a_time(roll):
    number = jobs.start(roll, "Examine", [["examine", str(roll)]])
    with pytest.raises(SettingError, match="Other work on this roll is running"):
        jobs.start(roll, "Mix", [["mix", str(roll)]])
    wait_for(lambda: state(roll, number).state != "running")
    again = jobs.start(roll, "Takes", [["takes", str(roll)]])
    wait_for(lambda: state(roll, again).state == "done")


def test_a_job_that_is_stopped_says_so_and_leaves_nothing_half_written(roll):
    number = jobs.start(roll, "Mix", [["mix", str(roll)]])
    jobs.stop(roll, number)
    ended = wait_for(lambda: (step := state(roll, number)).state != "running" and step)
    assert (ended.state, "Stopped by hand" in ended.sentence) == ("failed", True)
    assert not list(roll.rglob("*.part*"))


def test_a_job_whose_process_died_is_said_to_be_interrupted(roll):
    number = jobs.start(roll, "Mix", [["mix", str(roll)]])
    os.killpg(holder(roll)["pid"], signal.SIGKILL)
    ended = wait_for(lambda: (step := state(roll, number)).state != "running" and step)
    assert ended.sentence == jobs.INTERRUPTED
    assert jobs.start(roll, "Takes", [["takes", str(roll)]]) > number


def test_the_page_is_killed_and_the_work_goes_on_in_the_next_one(serve, roll):
    with serve("--root", roll.parent) as first, first.client() as client:
        answer = client.post(first.url(roll, "jobs"), data={"what": "mix"})
        assert answer.status_code == 303
        number = int(answer.headers["location"].rsplit("=", 1)[1])
        first.kill()
    with serve("--root", roll.parent) as second, second.client() as client:
        assert "Mix the day" in client.get(second.url(roll, f"jobs?step={number}")).text
        told = []
        with client.stream("GET", second.url(roll, f"jobs/events?step={number}")) as events:
            for line in events.iter_lines():
                told.append(line)
        assert any(line == "event: end" for line in told)
    assert state(roll, number).state == "done"
    assert len(list((roll / "takewell" / "mix").glob("*.wav"))) == 2


def test_progress_reaches_a_program_that_looks(roll, capfd, monkeypatch):
    monkeypatch.setenv("TAKEWELL_PROGRESS", "lines")
    capfd.readouterr()
    run(["examine", str(roll)])
    lines = [line for line in capfd.readouterr().err.splitlines() if line.startswith('{"progress"')]
    assert lines
    done, whole = json.loads(lines[0])["progress"]
    assert 0 <= done <= whole


def test_the_demo_may_begin_in_a_folder_that_holds_only_the_record_of_its_run(tmp_path):
    from takewell.cli.demo import _is_empty

    with Logbook(tmp_path / "roll"):
        assert _is_empty(tmp_path)
    (tmp_path / "roll" / "x.wav").write_bytes(b"")
    assert not _is_empty(tmp_path)
