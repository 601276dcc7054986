"""``takewell plan``: tables, JSON, the page, what is stored, exit codes."""

import json

import pypdf
import pytest

from takewell.cli.main import DONE, NEEDS_A_PERSON, REFUSED
from takewell.plan import example_day


@pytest.fixture
def day(tmp_path):
    path = tmp_path / "day.toml"
    path.write_text(example_day(), encoding="utf-8")
    return path


@pytest.fixture
def sound_day(day):
    """The example, mended as the plan says."""
    text = example_day().replace('encoding = "int24"\ngain_db = 46', 'encoding = "int24"\ngain_db = 26').replace("gain_db = 36", "gain_db = 24")  # fmt: skip
    day.write_text(text, encoding="utf-8")
    return day


def test_a_day_that_does_not_hold_ends_with_1_and_says_why(takewell, day):
    answer = takewell("plan", day)
    assert answer.code == NEEDS_A_PERSON
    assert "2 things do not hold" in answer.out
    assert "Safety Boom: Mira acts the storm: the file gives way first" in answer.out


def test_a_day_that_holds_ends_with_0(takewell, sound_day):
    answer = takewell("plan", sound_day)
    assert answer.code == DONE
    assert "The plan holds" in answer.out


def test_the_example_is_a_day(takewell, tmp_path):
    answer = takewell("plan", "--example")
    assert answer.code == DONE
    (tmp_path / "d.toml").write_text(answer.out, encoding="utf-8")
    assert takewell("plan", tmp_path / "d.toml", "--json").code == NEEDS_A_PERSON


def test_json_is_one_document(takewell, day):
    answer = takewell("plan", day, "--json")
    (document,) = answer.lines
    assert document["holds"] is False
    assert [p["where"] for p in document["problems"]] == [
        "kitchen, interview, Safety Boom",
        "instrument room, stove out, Plant by the door",
    ]
    assert {s["name"] for s in document["set_ups"]} == {
        "kitchen, interview",
        "hall, panel",
        "instrument room, stove out",
    }


def test_stages_show_every_source_at_every_stage_and_what_limiters_cost(takewell, day):
    plain, full = takewell("plan", day).out, takewell("plan", day, "--stages").out
    assert "levels at each stage" not in plain
    for words in ("Boom: levels at each stage", "noise at the microphone", "what a limiter does", "deferred"):
        assert words in full


def test_the_page_and_the_predictions_are_written(takewell, day, tmp_path):
    roll = tmp_path / "roll"
    roll.mkdir()
    answer = takewell("plan", day, "--pdf", tmp_path / "plan.pdf", "--into", roll, "--json")
    assert answer.code == NEEDS_A_PERSON
    assert len(pypdf.PdfReader(tmp_path / "plan.pdf").pages) == 1
    assert json.loads((roll / "takewell" / "plan.json").read_text(encoding="utf-8"))["tracks"]
    assert len(answer.err.splitlines()) == 2


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("gain_db = 46", "gain = 46", "there is no field 'gain'"),
        ('rate = "25"', 'rate = "x"', "timecode rate 'x'"),
    ],
)
def test_a_mistake_is_one_sentence_with_its_line_and_exit_2(takewell, day, old, new, words):
    text = example_day()
    day.write_text(text.replace(old, new, 1), encoding="utf-8")
    answer = takewell("plan", day)
    assert answer.code == REFUSED
    assert answer.out == ""
    assert len(answer.err.strip().splitlines()) == 1
    line = 1 + text[: text.index(old)].count("\n")
    assert f"day.toml, line {line}: {words}" in answer.err


@pytest.mark.parametrize("arguments", [(), ("gone.toml",)])
def test_no_day_is_one_sentence(takewell, arguments):
    answer = takewell("plan", *arguments)
    assert answer.code == REFUSED
    assert len(answer.err.strip().splitlines()) == 1
