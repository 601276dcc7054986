"""A roll that did not change opens from its logbook as the very same roll; whatever changed, it is read anew."""

import json
import os
import sqlite3
import sys

import pytest

from small_card import speech, write_take
from takewell.roll import Note, TrackLabel, read_roll, write_labels, write_notes
from takewell.roll import folder as folder_module
from takewell.roll.kept_takes import takes_from_json, takes_to_json


@pytest.fixture
def roll(tmp_path):
    write_take(tmp_path / "A" / "7T1.wav", [speech(2, seed=1), speech(2, seed=2)], note="Quay")
    write_take(
        tmp_path / "A" / "7T2.wav", [speech(2, seed=3)] * 2, take="2", encoding="int24", start_s=36_100
    )
    (tmp_path / "A" / "copy of 7T2.wav").write_bytes((tmp_path / "A" / "7T2.wav").read_bytes())
    write_labels(tmp_path, [TrackLabel("7-1", 2, "Tobin", "iso", gain_from_s=0.0, gain_db=33.3)])
    write_notes(tmp_path, [Note("7-1", circled=True, note='Ünïcode 🎈 and "quotes"')])
    return tmp_path


@pytest.fixture
def grouped(monkeypatch):
    """How often takes were sorted out of headers."""
    calls = []
    sort = folder_module.group_takes
    monkeypatch.setattr(folder_module, "group_takes", lambda *given: calls.append(1) or sort(*given))
    return calls


def test_the_second_reading_is_the_first_one_again(roll, grouped):
    first = read_roll(roll)
    assert read_roll(roll) == read_roll(roll) == first
    assert len(grouped) <= 2  # hashes that a reading finds may make the second one anew


def test_takes_come_back_from_json_as_they_were(roll):
    takes = read_roll(roll).takes
    assert takes_from_json(json.loads(json.dumps(takes_to_json(takes)))) == takes


@pytest.mark.parametrize("what", ["note", "label", "file", "gone", "touched"])
def test_what_changed_is_seen(roll, what):
    read_roll(roll)
    before = read_roll(roll)
    match what:
        case "note":
            write_notes(roll, [Note("7-1", note="Another")])
        case "label":
            write_labels(roll, [TrackLabel("7-1", 2, "Mira")])
        case "file":
            write_take(roll / "A" / "8T1.wav", [speech(2, seed=5)] * 2, scene="8")
        case "gone":
            (roll / "A" / "7T1.wav").unlink()
        case "touched":
            write_take(roll / "A" / "7T1.wav", [speech(2, seed=9)] * 2, scene="9")
            os.utime(roll / "A" / "7T1.wav", ns=(1, 1))
    assert read_roll(roll) != before
    assert read_roll(roll) == read_roll(roll)


def test_what_is_kept_by_another_hand_is_not_believed(roll):
    first = read_roll(roll)
    read_roll(roll)
    with sqlite3.connect(roll / "takewell" / "logbook.sqlite") as db:
        kept = json.loads(db.execute("SELECT value FROM kept WHERE room = 'roll'").fetchone()[0])
        for wrong in ({**kept, "takes": [[1, 2]]}, {"state": kept["state"]}, [], 7, {**kept, "takes": "x"}):
            db.execute("UPDATE kept SET value = ? WHERE room = 'roll'", (json.dumps(wrong),))
            db.commit()
            assert read_roll(roll) == first
    db.close()


@pytest.mark.skipif(sys.platform == "win32", reason="names are text there")
def test_a_name_that_is_no_text_opens_again(roll):
    (roll / "A" / "7T1.wav").rename(roll / "A" / os.fsdecode(b"\xff7T1.wav"))
    assert read_roll(roll) == read_roll(roll) == read_roll(roll)
