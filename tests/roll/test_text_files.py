"""The three text files of a roll: what goes out comes back, and what a spreadsheet does to them is forgiven."""

import csv
import io
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from takewell.errors import SettingError
from takewell.roll.labels import ROLES, labels_path, read_labels, write_labels
from takewell.roll.moves import moves_path, read_moves, write_moves
from takewell.roll.notes import notes_path, read_notes, write_notes
from takewell.roll.values import Move, Note, TrackLabel

same_folder = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
takes = texts.map(str.strip).filter(bool)
positions = st.integers(0, 10**14).map(lambda n: n / 10**9)
gains = st.integers(-(10**12), 10**12).map(lambda n: n / 10**9)


@st.composite
def moves(draw: st.DrawFn) -> Move:
    start, length = draw(st.integers(0, 10**14)), draw(st.integers(1, 10**13))
    return Move(
        take=draw(takes),
        track=draw(st.integers(1, 64)),
        start_s=start / 10**9,
        end_s=(start + length) / 10**9,
        gain_db=draw(gains),
        fade_in_s=draw(positions),
        fade_out_s=draw(positions),
        fixed=draw(st.booleans()),
        reason=draw(texts),
    )


notes = st.builds(
    Note, take=takes, scene=texts, take_name=texts, circled=st.none() | st.booleans(), note=texts
)


@st.composite
def labels(draw: st.DrawFn) -> TrackLabel:
    gain = draw(st.none() | gains)
    return TrackLabel(
        draw(st.just("*") | takes),
        draw(st.integers(1, 64)),
        draw(texts),
        draw(st.none() | st.sampled_from(ROLES)),
        draw(texts),
        None if gain is None else draw(st.none() | positions),
        gain,
    )


@same_folder
@given(st.lists(moves(), max_size=5))
def test_moves_come_back_equal(tmp_path: Path, lines: list[Move]) -> None:
    written = write_moves(tmp_path, lines, keep_fixed=False)
    assert sorted(written, key=repr) == sorted(lines, key=repr)
    assert read_moves(tmp_path) == written


@same_folder
@given(st.lists(notes, max_size=5, unique_by=lambda note: note.take))
def test_notes_come_back_equal(tmp_path: Path, lines: list[Note]) -> None:
    write_notes(tmp_path, lines)
    assert read_notes(tmp_path) == tuple(lines)


@same_folder
@given(st.lists(labels(), max_size=5))
def test_labels_come_back_equal(tmp_path: Path, lines: list[TrackLabel]) -> None:
    write_labels(tmp_path, lines)
    assert read_labels(tmp_path) == tuple(lines)


@same_folder
@given(st.lists(st.sampled_from("=+-@'\t\r\n＝a 1\""), min_size=1, max_size=6).map("".join))
def test_no_cell_begins_like_a_formula(tmp_path: Path, text: str) -> None:
    """OWASP, "CSV Injection": cells must not begin with = + - @ tab or a line end."""
    write_notes(tmp_path, [Note("1", note=text)])
    cells = list(csv.reader(io.StringIO(notes_path(tmp_path).read_text(encoding="utf-8"), newline="")))[1]
    assert not cells[-1].startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝"))
    assert read_notes(tmp_path)[0].note == text


def test_a_position_at_384_khz_comes_back_to_its_sample(tmp_path: Path) -> None:
    rate, position = 384_000, 24 * 3600 * 384_000 - 1
    write_moves(tmp_path, [Move("1", 1, position / rate, position / rate + 1, -3.5, 0, 0, False, "")])
    assert round(read_moves(tmp_path)[0].start_s * rate) == position


def test_without_files_there_is_nothing(tmp_path: Path) -> None:
    assert read_moves(tmp_path) == read_notes(tmp_path) == read_labels(tmp_path) == ()
    assert list(tmp_path.iterdir()) == []


PLAIN = "take,track,start_s,end_s,gain_db,fade_in_s,fade_out_s,fixed,reason\n14-2,1,0,10.5,-3.25,0.5,0,yes,too close\n"
EXPECTED = Move("14-2", 1, 0.0, 10.5, -3.25, 0.5, 0.0, True, "too close")
AS_A_SPREADSHEET_SAVES_IT = {
    "plain": PLAIN.encode(),
    "byte-order mark": PLAIN.encode("utf-8-sig"),
    "utf-16": PLAIN.replace(",", "\t").encode("utf-16"),
    "crlf": PLAIN.replace("\n", "\r\n").encode(),
    "old mac line ends": PLAIN.replace("\n", "\r").encode(),
    "no last line end": PLAIN.rstrip("\n").encode(),
    "semicolons and decimal commas": PLAIN.replace(",", ";").replace(".", ",").encode(),
    "sep line": b"sep=;\r\n" + PLAIN.replace(",", ";").encode(),
    "tabs": PLAIN.replace(",", "\t").encode(),
    "everything quoted": "\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in PLAIN.splitlines()
    ).encode(),
    "empty lines and columns": (PLAIN.replace("\n", ",,\n") + ",,,,,,,,,,\n\n").encode(),
    "capitals and spaces": PLAIN.replace("start_s", " Start S").replace("take,", "Take,", 1).encode(),
    "typographic minus": PLAIN.replace("-3", "\u22123").encode(),
    "other order": b"gain_db,reason,fixed,take,track,end_s,start_s,fade_in_s\n-3.25,too close,TRUE,14-2,1.0,10.5,0,0.5\n",
    "short line": PLAIN.replace("-3.25,0.5,0,yes,too close", "-3.25,0.5,,x,too close").encode(),
}


@pytest.mark.parametrize("raw", AS_A_SPREADSHEET_SAVES_IT.values(), ids=AS_A_SPREADSHEET_SAVES_IT.keys())
def test_what_spreadsheets_do_is_forgiven(tmp_path: Path, raw: bytes) -> None:
    moves_path(tmp_path).parent.mkdir()
    moves_path(tmp_path).write_bytes(raw)
    assert read_moves(tmp_path) == (EXPECTED,)


def test_an_old_code_page_is_read(tmp_path: Path) -> None:
    notes_path(tmp_path).parent.mkdir()
    notes_path(tmp_path).write_bytes("take;note\n1;Tür zu früh – laut\n".encode("cp1252"))
    assert read_notes(tmp_path)[0].note == "Tür zu früh – laut"


def test_a_field_over_two_lines_keeps_later_line_numbers_right(tmp_path: Path) -> None:
    notes_path(tmp_path).parent.mkdir()
    notes_path(tmp_path).write_text('take,circled,note\n1,,"two\nlines"\n2,perhaps,\n', encoding="utf-8")
    with pytest.raises(SettingError, match=r"notes\.csv, line 4: circled 'perhaps' is neither yes nor no\."):
        read_notes(tmp_path)


MOVES_HEADER = "take,track,start_s,end_s,gain_db\n"
WRONG = [
    (MOVES_HEADER + "a,1,0,1,loud\n", r"line 2: gain_db 'loud' is not a number"),
    (MOVES_HEADER + "a,1,0,1,nan\n", r"line 2: gain_db 'nan' is not a number"),
    (MOVES_HEADER + "a,1,0,1,1e999\n", r"is not a number"),
    (MOVES_HEADER + "a,1,0,1,\n", r"line 2: gain_db '' is empty"),
    (MOVES_HEADER + "a,0,0,1,1\n", r"line 2: track '0' is not a whole number from 1 up"),
    (MOVES_HEADER + "a,1.5,0,1,1\n", r"track '1\.5' is not a whole number"),
    (MOVES_HEADER + "a,1,5,5,1\n", r"end_s '5' is not after start_s 5"),
    (MOVES_HEADER + "a,1,-1,5,1\n", r"start_s '-1' is less than 0"),
    (MOVES_HEADER + " ,1,0,5,1\n", r"line 2: take ' ' is empty"),
    (MOVES_HEADER + "a,1,0,1,3,5\n", r"line 2: 6 cells where the first line names 5 columns"),
    (MOVES_HEADER + '"a,1,0,1,3\n', r"line 2: unexpected end of data"),
    ("take,track,start_s,end_s\n", r"line 1: the column 'gain_db' is missing"),
    ("take,track,start_s,end_s,gain_db,colour\n", r"the column 'colour' is not known"),
    ("take,take,track,start_s,end_s,gain_db\n", r"the column 'take' stands there twice"),
    ("\x00\x01\x02\udcff", r"is not a text file"),
]


@pytest.mark.parametrize(("text", "reason"), WRONG)
def test_a_wrong_line_is_one_sentence_with_file_and_line(tmp_path: Path, text: str, reason: str) -> None:
    moves_path(tmp_path).parent.mkdir()
    moves_path(tmp_path).write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(SettingError, match=reason) as caught:
        read_moves(tmp_path)
    assert str(moves_path(tmp_path)) in str(caught.value)
    assert "\n" not in str(caught.value)
    with pytest.raises(SettingError):
        write_moves(tmp_path, [EXPECTED])
    assert moves_path(tmp_path).read_bytes() == text.encode("utf-8", "surrogateescape"), "left alone"


def test_a_role_nobody_knows_is_refused(tmp_path: Path) -> None:
    labels_path(tmp_path).parent.mkdir()
    labels_path(tmp_path).write_text("take,track,role\n*,1,Mix\n*,2,lead\n", encoding="utf-8")
    with pytest.raises(SettingError, match=r"line 3: role 'lead' is none of iso, safety, mix"):
        read_labels(tmp_path)


def test_two_notes_of_one_take_are_refused(tmp_path: Path) -> None:
    notes_path(tmp_path).parent.mkdir()
    notes_path(tmp_path).write_text("take,note\n1,a\n1,b\n", encoding="utf-8")
    with pytest.raises(SettingError, match="line 3: take '1' has a line already"):
        read_notes(tmp_path)


def move(start_s: float, end_s: float, gain_db: float, *, fixed: bool = False, track: int = 1) -> Move:
    return Move("14-2", track, start_s, end_s, gain_db, 0.0, 0.0, fixed, "")


def test_fixed_lines_outlive_a_new_proposal(tmp_path: Path) -> None:
    write_moves(tmp_path, [move(0, 10, 3), move(10, 20, 4, fixed=True)])
    standing = write_moves(tmp_path, [move(0, 30, 6), move(0, 30, 7, track=2)])
    assert standing == (move(0, 10, 6), move(10, 20, 4, fixed=True), move(20, 30, 6), move(0, 30, 7, track=2))
    assert read_moves(tmp_path) == standing
    assert write_moves(tmp_path, standing) == standing, "fixed lines given again are not doubled"
    assert write_moves(tmp_path, [], keep_fixed=False) == ()


def test_the_examples_of_the_manual_are_read(tmp_path: Path) -> None:
    manual = (Path(__file__).parents[2] / "docs" / "roll.md").read_text(encoding="utf-8")
    examples = re.findall(r"### (\w+\.csv)\n.*?```csv\n(.*?)```", manual, re.DOTALL)
    assert [name for name, _ in examples] == ["tracks.csv", "notes.csv", "moves.csv"]
    labels_path(tmp_path).parent.mkdir()
    for name, text in examples:
        (labels_path(tmp_path).parent / name).write_text(text, encoding="utf-8")
    assert [label.gain_db for label in read_labels(tmp_path) if label.take == "14-2"] == [42.0, 36.0]
    assert [note.circled for note in read_notes(tmp_path)] == [True, False]
    assert [move.fixed for move in read_moves(tmp_path)] == [False, True]
