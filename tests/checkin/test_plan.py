"""The plan, from listings alone."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.checkin.card import Card, Facts
from takewell.checkin.disks import Disks
from takewell.checkin.journal import Finished
from takewell.checkin.place import Place
from takewell.checkin.plan import plan_check_in
from takewell.checkin.values import Action
from takewell.checkin.wording import amount, shown
from takewell.manifest.values import History

DISK = Disks(frozenset({"sda"}))


def card(files: dict[str, int], root: str = "/card") -> Card:
    facts = {path: Facts(size, 1) for path, size in files.items()}
    return Card(Path(root), 1, DISK, facts, (), (), History(Path(root)))


def place(
    files: dict[str, int] | None = None,
    folders: tuple[str, ...] = (),
    *,
    folds_case: bool = False,
    finished: dict[str, Finished] | None = None,
) -> Place:
    facts = {path: Facts(size, 1) for path, size in (files or {}).items()}
    parents = {str(p) for path in facts for p in Path(path).parents if str(p) != "."}
    return Place(
        Path("/roll"),
        DISK,
        facts,
        frozenset([*folders, *parents]),
        History(Path("/roll")),
        finished or {},
        folds_case,
    )


def actions(cards: list[Card], places: list[Place]) -> dict[tuple[int, str], list[Action]]:
    return {
        (step.card, step.path): [target.action for target in step.targets]
        for step in plan_check_in(cards, places).steps
    }


def test_each_destination_gets_what_it_needs() -> None:
    cards = [card({"a.wav": 1, "b.wav": 2, "c.wav": 3})]
    places = [place(), place({"a.wav": 1, "b.wav": 99})]
    assert actions(cards, places) == {
        (0, "a.wav"): ["copy", "compare"],
        (0, "b.wav"): ["copy", "refuse"],
        (0, "c.wav"): ["copy", "copy"],
    }
    plan = plan_check_in(cards, places)
    assert [plan.needed_bytes(index) for index in (0, 1)] == [6, 3]


def test_mirrored_slots_are_compared_or_refused_by_size() -> None:
    cards = [card({"a.wav": 1, "b.wav": 2}), card({"a.wav": 1, "b.wav": 3, "c.wav": 4}, "/slot b")]
    assert actions(cards, [place()]) == {
        (0, "a.wav"): ["copy"],
        (0, "b.wav"): ["copy"],
        (1, "a.wav"): ["mirror"],
        (1, "b.wav"): ["refuse"],
        (1, "c.wav"): ["copy"],
    }


@pytest.mark.parametrize(
    ("there", "expected"),
    [
        (Finished("a.wav", 5, 1, {"md5": "00"}, ""), "resume"),
        (Finished("a.wav", 5, 2, {"md5": "00"}, ""), "compare"),
        (Finished("a.wav", 4, 1, {"md5": "00"}, ""), "compare"),
        (Finished("b.wav", 5, 1, {"md5": "00"}, ""), "compare"),
    ],
)
def test_only_what_is_unchanged_on_the_card_is_resumed(there: Finished, expected: Action) -> None:
    found = actions([card({"a.wav": 5})], [place({"a.wav": 5}, finished={there.path: there})])
    assert found[0, "a.wav"] == [expected]
    # A copy that is not there any more is made again, whatever the journal says.
    assert actions([card({"a.wav": 5})], [place(finished={there.path: there})])[0, "a.wav"] == ["copy"]


def test_a_folder_or_file_in_the_way_is_refused() -> None:
    plan = plan_check_in([card({"x": 1, "y/z": 1})], [place({"y": 7}, ("x",))])
    sentences = {step.path: step.targets[0].sentence for step in plan.steps}
    assert "/roll/x is a folder there" in sentences["x"]
    assert "/roll/y is a file there" in sentences["y/z"]


def test_names_that_differ_in_case_alone_meet_on_a_disk_that_folds_case() -> None:
    files = {"DAY/A.wav": 1, "day/a.WAV": 1}
    assert actions([card(files)], [place()]) == {(0, path): ["copy"] for path in files}
    folding = plan_check_in([card(files)], [place(folds_case=True)])
    assert [step.targets[0].action for step in folding.steps] == ["copy", "refuse"]
    assert "the disk takes its name for that of DAY/A.wav" in folding.steps[1].targets[0].sentence


def test_names_that_differ_in_the_writing_of_accents_meet_too() -> None:
    files = {"\u00e9.wav": 1, "e\u0301.wav": 1}
    assert [s.targets[0].action for s in plan_check_in([card(files)], [place(folds_case=True)]).steps] == [
        "copy",
        "refuse",
    ]
    assert [s.targets[0].action for s in plan_check_in([card(files)], [place()]).steps] == ["copy", "copy"]


NAMES = st.sampled_from(["a", "A", "b", "b/c", "B/c", "d/e", "d"])
LISTINGS = st.dictionaries(NAMES, st.integers(0, 3), max_size=5).filter(
    lambda files: not any(other.startswith(f"{path}/") for path in files for other in files)
)


@given(st.lists(LISTINGS, min_size=1, max_size=3), st.lists(LISTINGS, min_size=1, max_size=2), st.booleans())
def test_no_plan_ever_writes_where_something_lies(
    on_cards: list[dict[str, int]], at_places: list[dict[str, int]], folds: bool
) -> None:
    cards = [card(files, f"/card {n}") for n, files in enumerate(on_cards)]
    places = [place(files, folds_case=folds) for files in at_places]
    plan = plan_check_in(cards, places)
    for index, where in enumerate(places):
        taken = {where.key(path) for path in where.files} | {where.key(path) for path in where.folders}
        for step in plan.steps:
            (target,) = (t for t in step.targets if t.place == index)
            if target.action == "copy":
                assert where.key(step.path) not in taken
                taken.add(where.key(step.path))
    # Every file of every card has a line for every destination.
    assert sum(len(step.targets) for step in plan.steps) == len(places) * sum(len(c.files) for c in cards)


def test_amounts_are_said_as_disks_are_sold() -> None:
    assert [amount(n) for n in (0, 1, 999, 1_000, 999_949, 999_950, 64_000_000_000)] == [
        "0 bytes",
        "1 byte",
        "999 bytes",
        "1.0 kB",
        "999.9 kB",
        "1.0 MB",
        "64.0 GB",
    ]


def test_any_name_can_be_printed() -> None:
    assert shown("Größe 日本.wav") == "Größe 日本.wav"
    assert shown("a\nb\x1b[31m") == r"a\nb\x1b[31m"
    assert shown(b"\xff".decode("utf-8", "surrogateescape")) == r"\xff"
