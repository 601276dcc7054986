"""What scripts and people rely on: names, help, JSON, exit codes, one sentence for what is wrong."""

import importlib
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import takewell as package
from small_card import speech, write_take
from takewell.cli import main
from takewell.cli.main import COMMANDS, NEEDS_A_PERSON, REFUSED, STOPPED, run

TRACK_KEYS = {
    "channel", "name", "sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "dc_offset_fs", "integrated_lufs", "loudness_range_lu",
    "momentary_max_lufs", "short_term_max_lufs", "speech_level_dbfs", "speech_activity", "noise_floor_dbfs", "noise_floor_dbfs_a",
    "snr_db", "samples_over_full_scale", "nonfinite_samples", "passages", "clips", "quality",
}  # fmt: skip
PROGRAMME_KEYS = {
    "integrated_lufs",
    "loudness_range_lu",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "true_peak_dbtp",
}
FORMAT_KEYS = {"container", "encoding", "sample_rate_hz", "channels", "length_samples", "duration_s"}
PASSAGE_KEYS = {
    "start_s",
    "end_s",
    "integrated_lufs",
    "speech_level_dbfs",
    "noise_floor_dbfs",
    "noise_floor_dbfs_a",
    "snr_db",
}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_json_and_the_help_that_the_list_shows(name, takewell):
    command = importlib.import_module(f"takewell.cli.{name}").command
    assert command.get_short_help_str(limit=200) == COMMANDS[name]
    answer = takewell(name, "--help")
    assert answer.code == 0
    assert "--json" in answer.out


def test_help_imports_nothing_heavy():
    heavy = ["numpy", "scipy", "numba", "soundfile", "lxml", "typst", "rich", "jinja2"]
    code = f"import sys; from takewell.cli.main import run; run(['--help']); print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_the_version_is_the_projects(takewell):
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
    assert project["version"] == package.__version__
    assert package.__version__ in takewell("--version").out


def test_no_command_shows_the_help(takewell):
    answer = takewell()
    assert "Usage: takewell" in answer.out + answer.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["mesure"],
        ["measure"],
        ["measure", "--jason", "x.wav"],
        ["handover", "x", "--to", "y", "--spec", "final"],
    ],
)
def test_a_wrong_call_is_one_sentence_and_exit_2(takewell, arguments):
    answer = takewell(*arguments)
    assert answer.code == REFUSED
    assert answer.out == ""
    assert len(answer.err.strip().splitlines()) == 1


def test_measure_prints_the_contract_line_by_line(takewell, card):
    answer = takewell("measure", card / "DAY1" / "7T1.wav", card / "DAY1" / "7T2.wav", "--json")
    assert answer.code == 0
    first, second = answer.lines
    assert set(first) == {"file", "format", "tracks", "programme", "notes"}
    assert set(first["format"]) == FORMAT_KEYS
    assert set(first["tracks"][0]) == TRACK_KEYS
    assert set(first["tracks"][0]["passages"][0]) == PASSAGE_KEYS
    assert set(first["programme"]) == PROGRAMME_KEYS
    assert second["format"]["encoding"] == "int24"
    assert second["tracks"][0]["clips"][0]["shape"] == "full_scale"
    assert first["tracks"][0]["name"] == "Boom"


def test_measure_shows_the_same_numbers_in_a_table(takewell, card):
    file = card / "DAY1" / "7T1.wav"
    loudness = takewell("measure", file, "--json").lines[0]["tracks"][0]["integrated_lufs"]
    assert f"{loudness:.1f}".replace("-", "−") in takewell("measure", file).out


def test_in_a_batch_the_readable_files_are_done_and_each_other_gets_its_line(takewell, card, tmp_path):
    text, empty = tmp_path / "text.wav", tmp_path / "empty.wav"
    text.write_text("this is no sound")
    empty.write_bytes(b"")
    answer = takewell("measure", text, card / "DAY1" / "7T1.wav", tmp_path / "gone.wav", empty, "--json")
    assert answer.code == REFUSED
    assert len(answer.lines) == 1
    complaints = answer.err.strip().splitlines()
    assert [
        Path(name).name in line
        for name, line in zip(["text.wav", "gone.wav", "empty.wav"], complaints, strict=True)
    ] == [True] * 3


def test_no_colour_and_no_control_characters_when_nobody_is_looking(takewell, card):
    assert "\x1b" not in takewell("measure", card / "DAY1" / "7T1.wav").out


def test_ctrl_c_is_said_and_is_no_traceback(monkeypatch, capfd):
    def stop(*_arguments, **_settings):
        raise KeyboardInterrupt

    monkeypatch.setattr(main.takewell, "main", stop)
    assert run(["takes", "."]) == STOPPED
    assert capfd.readouterr().err == "takewell: stopped; nothing was left half-written.\n"


def test_a_reader_that_leaves_is_no_error(card):
    code = "import sys; from takewell.cli.main import main; main()"
    command = f"{sys.executable} -c '{code}' takes {card} --tracks --json | head -c 1 >/dev/null; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True, env=os.environ)
    assert done.stdout.strip() in ("0", str(NEEDS_A_PERSON))
    assert "Traceback" not in done.stderr


def test_examine_prints_findings_then_verdicts(takewell, checked_in):
    answer = takewell("examine", checked_in, "--json")
    assert answer.code == NEEDS_A_PERSON
    findings = [line for line in answer.lines if "kind" in line]
    verdicts = [line for line in answer.lines if "verdict" in line]
    assert answer.lines == findings + verdicts
    assert {
        "take",
        "file",
        "track",
        "kind",
        "start_s",
        "end_s",
        "confidence",
        "severity",
        "stage",
        "evidence",
        "remedy",
    } <= set(findings[0])
    assert {"take", "file", "track", "verdict", "reason"} <= set(verdicts[0])
    judged = {(line["take"], line["track"]): line["verdict"] for line in verdicts}
    assert judged[("7-1", 1)] == judged[("7-1", 2)] == "good"
    assert judged[("7-2", 1)] in ("mend", "lost")
    assert judged[("7-2", 2)] == "level"


def test_examine_takes_loose_files_and_writes_nothing_beside_them(takewell, card):
    before = sorted(card.rglob("*"))
    answer = takewell("examine", card / "DAY1" / "7T1.wav")
    assert answer.code == 0
    assert "2 good" in answer.out
    assert sorted(card.rglob("*")) == before


def test_takes_lists_the_day(takewell, checked_in):
    answer = takewell("takes", checked_in, "--json")
    assert [(line["id"], line["start"]) for line in answer.lines] == [
        ("7-1", "10:00:00:00"),
        ("7-2", "10:01:40:00"),
    ]
    assert "Boom" in takewell("takes", checked_in, "--tracks").out


def test_verify_names_what_changed_and_exits_1(takewell, roll):
    assert takewell("verify", roll).code == 0
    victim = next(roll.rglob("7T1.wav"))
    content = bytearray(victim.read_bytes())
    content[-1000] ^= 1
    victim.write_bytes(content)
    answer = takewell("verify", roll)
    assert answer.code == NEEDS_A_PERSON
    assert "DAY1/7T1.wav was changed" in answer.out


def test_a_second_checkin_copies_nothing_twice(takewell, card, roll):
    answer = takewell("checkin", card, "--to", roll, "--json")
    assert answer.code == 0
    (report,) = answer.lines
    assert report["destinations"][0]["copied_files"] == 0


def test_a_dry_run_writes_nothing(takewell, card, tmp_path):
    answer = takewell("checkin", card, "--to", tmp_path / "new", "--dry-run", "--json")
    assert answer.code == 0
    (report,) = answer.lines
    assert {step["path"] for step in report["plan"]} == {"DAY1/7T1.wav", "DAY1/7T2.wav", "notes.txt"}
    assert not (tmp_path / "new").exists()


def test_nothing_is_checked_in_into_a_folder_that_may_not_be_written(takewell, card, tmp_path):
    file = tmp_path / "file"
    file.write_text("in the way")
    answer = takewell("checkin", card, "--to", file / "roll")
    assert answer.code == REFUSED
    assert len(answer.err.strip().splitlines()) == 1


def test_level_writes_moves_a_person_can_change_and_keeps_the_change(takewell, roll):
    assert takewell("level", roll, "--json").code == 0
    path = roll / "takewell" / "moves.csv"
    lines = path.read_text("utf-8-sig").splitlines()
    target = next(k for k, line in enumerate(lines) if line.startswith("7-2,2,"))
    cells = lines[target].split(",")
    assert float(cells[4]) > 25
    cells[4] = "12.500000000"
    lines[target] = ",".join(cells)
    path.write_text("\n".join(lines))
    moves = takewell("level", roll, "--json").lines[0]["moves"]
    (kept,) = [m for m in moves if (m["take"], m["track"]) == ("7-2", 2)]
    assert (kept["gain_db"], kept["fixed"]) == (12.5, True)


def test_a_levelled_float_copy_is_taken_back(takewell, roll):
    answer = takewell("level", roll, "--take", "7-1", "--render", "--samples", "float32", "--json")
    copies = answer.lines[0]["copies"]
    assert answer.code == 0
    assert copies
    assert takewell("level", copies[0]["target"], "--undo").code == 0


def test_level_explains_itself(takewell, roll):
    answer = takewell("level", roll, "--explain", "7-2")
    assert answer.code == 0
    assert "Lav" in answer.out


def test_handover_writes_a_package_that_verifies(takewell, roll, tmp_path):
    package = tmp_path / "out" / "package"
    answer = takewell("handover", roll, "--to", package, "--spec", "editorial", "--json")
    (report,) = answer.lines
    assert (package / "report" / "sound-report.pdf").read_bytes().startswith(b"%PDF")
    assert {file["target"].split("/")[0] for file in report["files"]} >= {"audio", "mix"}
    assert takewell("verify", package).code == 0
    assert takewell("handover", roll, "--to", package, "--spec", "editorial").code == REFUSED


def test_a_finished_package_is_held_against_its_document(takewell, roll, tmp_path):
    answer = takewell("handover", roll, "--to", tmp_path / "p", "--spec", "finished", "--json")
    (report,) = answer.lines
    checks = [check for check in report["checks"] if "programme loudness" in check["what"]]
    assert len(checks) == 2
    assert answer.code == (0 if all(check["passed"] for check in report["checks"]) else NEEDS_A_PERSON)
    for check in checks:
        loudness = float(re.match(r"(\S+) LUFS", check["found"])[1].replace("−", "-"))
        assert check["passed"] == (abs(loudness + 23) <= 0.2)


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--names", "{slate}"], "slate"),
        (["--loudness", "quiet"], "r128"),
    ],
)
def test_a_wrong_wish_is_refused_before_any_work(takewell, roll, tmp_path, arguments, complaint):
    answer = takewell("handover", roll, "--to", tmp_path / "p", "--spec", "finished", *arguments)
    assert answer.code == REFUSED
    assert complaint in answer.err
    assert not (roll / "takewell" / "levelled").exists()


def test_a_package_is_not_put_among_the_media(takewell, roll):
    answer = takewell("handover", roll, "--to", roll / "package", "--spec", "editorial")
    assert answer.code == REFUSED
    assert "inside the roll" in answer.err


def test_report_writes_what_is_asked_for(takewell, roll, tmp_path):
    answer = takewell("report", roll, "--to", tmp_path / "r", "--format", "html", "--json")
    assert [Path(path).name for path in answer.lines[0]["files"]] == ["sound-report.html"]
    assert takewell("report", roll, "--format", "docx").code == REFUSED


def test_json_is_json_however_odd_the_names(takewell, tmp_path):
    write_take(tmp_path / 'odd "ü\u2028.wav', [speech(2, seed=1)], names=('<b>"\\',), scene="é\n")
    answer = takewell("takes", tmp_path, "--json")
    assert json.loads(answer.out)["tracks"][0]["name"] == '<b>"\\'


def test_handover_levels_as_the_roll_was_levelled_and_changes_nothing_in_it(takewell, roll, tmp_path):
    assert takewell("level", roll, "--target", "-20", "--render", "--samples", "float32").code == 0
    before = {
        path: path.read_bytes()
        for path in (roll / "takewell").rglob("*")
        if path.suffix in (".csv", ".wav", ".toml")
    }
    for spec in ("editorial", "finished"):
        takewell("handover", roll, "--to", tmp_path / spec, "--spec", spec)
    assert {path: path.read_bytes() for path in before} == before
    moves = (roll / "takewell" / "moves.csv").read_text("utf-8-sig").splitlines()
    handed = (tmp_path / "editorial" / "report" / "moves.csv").read_text("utf-8-sig").splitlines()
    assert handed == moves


def test_a_track_that_is_no_longer_used_loses_its_moves(takewell, roll):
    assert takewell("level", roll).code == 0
    (roll / "takewell" / "tracks.csv").write_text("take,track,role\n7-2,2,unused\n")
    moves = takewell("level", roll, "--json").lines[0]["moves"]
    assert ("7-2", 2) not in {(m["take"], m["track"]) for m in moves}


@pytest.mark.parametrize("command", ["takes", "examine", "level", "mix", "report"])
def test_a_folder_without_sound_is_refused_and_left_alone(takewell, tmp_path, command):
    (tmp_path / "empty").mkdir()
    answer = takewell(command, tmp_path / "empty")
    assert answer.code == REFUSED
    assert len(answer.err.strip().splitlines()) == 1
    assert not any((tmp_path / "empty").iterdir())


def test_a_byte_for_byte_duplicate_is_one_file_from_the_first_reading_on(takewell, card, tmp_path):
    source = tmp_path / "card"
    shutil.copytree(card, source)
    shutil.copy(source / "DAY1" / "7T1.wav", source / "DAY1" / "copy of 7T1.wav")
    assert takewell("checkin", source, "--to", tmp_path / "roll").code == 0
    first = takewell("takes", tmp_path / "roll", "--json")
    assert [len(line["tracks"]) for line in first.lines] == [2, 2]
    assert "copy of 7T1.wav" in first.err


def test_report_of_a_file_that_cannot_be_read_is_exit_2(takewell, tmp_path):
    (tmp_path / "empty.wav").write_bytes(b"")
    assert takewell("report", tmp_path / "empty.wav", "--to", tmp_path / "r").code == REFUSED
