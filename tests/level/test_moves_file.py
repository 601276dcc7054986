"""What is a person's stays a person's: moves.csv through edits and new runs."""

import itertools
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from takewell.errors import DestinationError, SettingError
from takewell.level import LevelSettings, explain, propose, render, roll_settings
from takewell.level.lines import TAKEN_OUT, past_the_end, persons_lines
from takewell.roll import Move, Roll, loose, read_moves, read_roll, write_moves

RATE = 48_000
LINE = Move("1-1", 1, 0.0, 10.0, 6.0, 0.0, 0.1, False, "speech at -29.0 LUFS to -23.0 LUFS")


@pytest.fixture
def two_talkers(sim, write_roll) -> Roll:  # type: ignore[no-untyped-def]
    whole = sim.speak("mira", 20) * sim.amplitude(-18) + sim.speak("tobin", 20) * sim.amplitude(-6)
    samples = whole.samples + sim.room(len(whole.samples), -90)
    return write_roll(samples[:, None], ["Boom"])


def edit(roll: Roll, old: str, new: str) -> None:
    path = roll.folder / "takewell" / "moves.csv"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_moves_are_written_and_read_back_as_they_are(two_talkers: Roll) -> None:
    moves = propose(two_talkers)
    assert [move.gain_db for move in moves] == pytest.approx([18.0, 6.0], abs=0.5)
    assert read_moves(two_talkers.folder) == moves


def test_running_again_changes_nothing(two_talkers: Roll) -> None:
    first = propose(two_talkers)
    path = two_talkers.folder / "takewell" / "moves.csv"
    before = path.read_bytes()
    assert propose(two_talkers) == first
    assert path.read_bytes() == before


def test_a_changed_gain_stays_and_is_marked(two_talkers: Roll) -> None:
    first, second = propose(two_talkers)
    edit(two_talkers, f"{second.gain_db:.9f}", "3.250000000")
    kept, changed = propose(two_talkers)
    assert (kept.gain_db, kept.start_s, kept.end_s) == (first.gain_db, first.start_s, first.end_s)
    assert (changed.gain_db, changed.start_s, changed.end_s, changed.fixed) == (
        3.25,
        second.start_s,
        second.end_s,
        True,
    )
    assert "changed by hand" in changed.reason
    # Other settings move what is not the person's, and only that.
    lower, still = propose(two_talkers, LevelSettings(target_lufs=-26.0))
    assert lower.gain_db == pytest.approx(first.gain_db - 3.0, abs=0.11)
    assert still == changed


def test_a_moved_boundary_stays_and_its_neighbour_gives_way(two_talkers: Roll) -> None:
    first, second = propose(two_talkers)
    write_moves(two_talkers.folder, [replace(first, end_s=first.end_s + 2.0), second], keep_fixed=False)
    kept, other = propose(two_talkers)
    assert (kept.end_s, kept.fixed) == (first.end_s + 2.0, True)
    assert other.start_s == first.end_s + 2.0
    assert other.gain_db == pytest.approx(second.gain_db, abs=0.2)


def test_a_line_taken_out_leaves_no_gain_there(two_talkers: Roll) -> None:
    first, second = propose(two_talkers)
    write_moves(two_talkers.folder, [second], keep_fixed=False)
    for _ in range(2):
        out, kept = propose(two_talkers)
        assert (out.start_s, out.end_s, out.gain_db, out.fixed) == (first.start_s, first.end_s, 0.0, True)
        assert out.reason == TAKEN_OUT
        assert kept.gain_db == second.gain_db
    # Taking that line out as well asks for a proposal again.
    write_moves(two_talkers.folder, [kept], keep_fixed=False)
    assert propose(two_talkers)[0] == first


def test_a_line_of_ones_own_is_respected(two_talkers: Roll) -> None:
    propose(two_talkers)
    own = Move("1-1", 1, 5.0, 8.0, -2.0, 0.1, 0.1, True, "a cough")
    write_moves(two_talkers.folder, [*read_moves(two_talkers.folder), own], keep_fixed=False)
    moves = propose(two_talkers)
    assert own in moves
    for before, after in itertools.pairwise(moves):
        assert before.end_s <= after.start_s


def test_starting_over_is_taking_the_file_away(two_talkers: Roll) -> None:
    first = propose(two_talkers)
    edit(two_talkers, f"{first[0].gain_db:.9f}", "1.0")
    propose(two_talkers)
    for name in ("moves.csv", "moves-proposed.csv"):
        (two_talkers.folder / "takewell" / name).unlink()
    assert propose(two_talkers) == first


def test_without_a_memory_every_line_is_a_persons(two_talkers: Roll) -> None:
    propose(two_talkers)
    (two_talkers.folder / "takewell" / "moves-proposed.csv").unlink()
    assert all(move.fixed for move in propose(two_talkers))


def test_other_takes_keep_their_lines(two_talkers: Roll) -> None:
    moves = propose(two_talkers)
    edit(two_talkers, f"{moves[1].gain_db:.9f}", "3.000000000")
    changed = read_moves(two_talkers.folder)
    assert propose(two_talkers, takes=[]) == changed
    assert [move.fixed for move in propose(two_talkers)] == [False, True]


def test_loose_files_get_moves_but_no_file(two_talkers: Roll, tmp_path: Path) -> None:
    folder = tmp_path / "somewhere"
    folder.mkdir()
    (folder / "a.wav").write_bytes((two_talkers.folder / "1-T01.wav").read_bytes())
    assert len(propose(loose([folder]))) == 2
    assert [path.name for path in folder.iterdir()] == ["a.wav"]


def test_lines_that_make_no_sense_are_one_sentence(two_talkers: Roll) -> None:
    propose(two_talkers)
    edit(two_talkers, ",no,", ",perhaps,")
    with pytest.raises(SettingError, match=r"moves\.csv, line 2: fixed 'perhaps' is neither yes nor no"):
        propose(two_talkers)


def test_an_unknown_take_is_named(two_talkers: Roll) -> None:
    with pytest.raises(SettingError, match="has no take 'none'; its takes are 1-1"):
        propose(two_talkers, takes=["none"])


@pytest.mark.parametrize(
    ("stands", "expected"),
    [
        ([LINE], []),
        ([replace(LINE, reason="other words")], []),
        ([replace(LINE, gain_db=5.0)], [5.0]),
        ([replace(LINE, fixed=True)], [6.0]),
        ([], [0.0]),
        ([replace(LINE, track=2)], [6.0, 0.0]),
    ],
)
def test_which_lines_are_a_persons(stands: list[Move], expected: list[float]) -> None:
    found = persons_lines(stands, [LINE])
    assert [move.gain_db for move in found] == expected
    assert all(move.fixed for move in found)


def test_the_reasons_are_told_in_sentences(two_talkers: Roll) -> None:
    lines = explain(read_roll(two_talkers.folder), "1-1")
    assert lines[0] == "Track 1 (Boom)"
    assert "of speech were recorded at -41" in lines[1]
    assert "bring it to -23.0 LUFS" in lines[1]
    assert "After gain: speech at -23.0 LUFS, floor at" in lines[1]
    assert "changes its level here, in a pause" in lines[2]


def test_a_quiet_track_is_said_to_be_left_alone(sim, write_roll) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 15)
    samples = np.stack(
        [spoken.samples + sim.room(len(spoken.samples), -90), np.zeros(len(spoken.samples))], 1
    )
    lines = explain(write_roll(samples, ["Lav", "Plant"]), "1-1")
    assert "LUFS and no passage would move by 1 LU or more" in lines[1]
    assert lines[3].strip() == "No speech was found, so it is left as it is."


@pytest.mark.parametrize(
    ("line", "what"),
    [
        (replace(LINE, take="9-9"), r"moves\.csv: the line of take '9-9', track 1, from 0:00.0 to 0:10.0 is for a take"),
        (replace(LINE, track=4), "is for a track that the take does not have; its tracks are 1 to 1"),
        (replace(LINE, start_s=900.0, end_s=901.0), "begins after the take has ended"),
        (replace(LINE, start_s=2.0, end_s=3.0), "from 0:00.0 to 0:10.0 and the one from 0:02.0 to 0:03.0 overlap"),
    ],
)  # fmt: skip
def test_lines_that_speak_of_nothing_here_are_one_sentence(two_talkers: Roll, line: Move, what: str) -> None:
    propose(two_talkers)
    before = (two_talkers.folder / "takewell" / "moves.csv").read_bytes()
    write_moves(two_talkers.folder, [replace(LINE, fixed=True), replace(line, fixed=True)], keep_fixed=False)
    for step in (propose, render):
        with pytest.raises(SettingError, match=what):
            step(two_talkers)
    assert before != (two_talkers.folder / "takewell" / "moves.csv").read_bytes()


def test_a_line_past_the_end_counts_up_to_the_end_and_is_told(two_talkers: Roll) -> None:
    write_moves(two_talkers.folder, [replace(LINE, end_s=9999.0, fixed=True)])
    moves = propose(two_talkers)
    assert [(m.end_s, m.gain_db) for m in moves] == [(9999.0, 6.0)]
    (sentence,) = past_the_end(two_talkers, moves)
    assert "runs on past the take's end, at 0:4" in sentence
    assert past_the_end(two_talkers, [LINE]) == ()


def test_proposals_for_a_take_that_is_gone_are_forgotten(two_talkers: Roll) -> None:
    (first, second) = propose(two_talkers)
    for name in ("moves.csv", "moves-proposed.csv"):
        write_moves(
            two_talkers.folder, [first, second, replace(LINE, take="0-1")], keep_fixed=False, name=name
        )
    assert propose(two_talkers) == (first, second)
    # Out of one file and still in the other it is no line that somebody took out.
    write_moves(two_talkers.folder, [first, second, replace(LINE, take="0-1")], name="moves-proposed.csv")
    assert propose(two_talkers) == (first, second)


def test_a_roll_that_cannot_be_written_to_keeps_its_moves_elsewhere(
    two_talkers: Roll, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sealed = two_talkers.folder / "takewell"
    ask = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != sealed and ask(path, mode))
    before = sorted(path.name for path in sealed.iterdir())
    with pytest.raises(
        DestinationError, match=r"moves\.csv has no place there\. Give a folder .*: --moves FOLDER"
    ):
        propose(two_talkers)
    elsewhere = tmp_path / "desk"
    moves = propose(two_talkers, LevelSettings(target_lufs=-20.0), texts=elsewhere)
    assert moves == read_moves(elsewhere)
    changed = replace(moves[0], gain_db=3.0)
    write_moves(elsewhere, [changed, *moves[1:]], keep_fixed=False)
    again = propose(two_talkers, LevelSettings(target_lufs=-20.0), texts=elsewhere)
    assert (again[0].gain_db, again[0].fixed) == (3.0, True)
    assert "fixed by hand" in explain(two_talkers, "1-1", texts=elsewhere)[1]
    assert roll_settings(elsewhere).target_lufs == -20.0
    assert sorted(path.name for path in sealed.iterdir()) == before


def test_a_file_in_the_place_of_the_folder_is_said(two_talkers: Roll, tmp_path: Path) -> None:
    (tmp_path / "desk").write_text("", encoding="utf-8")
    with pytest.raises(DestinationError, match="--moves FOLDER"):
        propose(two_talkers, texts=tmp_path / "desk")
