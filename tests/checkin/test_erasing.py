"""When a card may be erased, and what is said when it may not."""

import pytest

from takewell.checkin.disks import Disks
from takewell.checkin.erasing import judge

CARD = Disks(frozenset({"card"}))
A, B, C = (Disks(frozenset({name})) for name in ("sda", "sdb", "sdc"))
MEMORY = Disks(frozenset({"memory"}), lasting=False)
RAID = Disks(frozenset({"sda", "sdb"}))
UNKNOWN = Disks(frozenset({"device 7"}), known=False)


def told(
    *places: Disks,
    files: dict[str, set[int]] | None = None,
    left: tuple[str, ...] = (),
    doubts: tuple[str, ...] = (),
) -> tuple[bool, str]:
    everywhere = set(range(len(places)))
    verified = files if files is not None else {"1.wav": everywhere, "2.wav": everywhere}
    return judge(
        "/card",
        CARD,
        {path: frozenset(where) for path, where in verified.items()},
        [(f"/{index}", disks) for index, disks in enumerate(places)],
        size_bytes=31_000_000_000,
        left_behind=left,
        doubts=doubts,
    )


def test_two_verified_copies_on_two_disks_are_enough() -> None:
    assert told(A, B) == (
        True,
        "Safe to erase /card: 2 files (31.0 GB) verified on two different disks, /0 and /1.",
    )


def test_three_are_three() -> None:
    assert "three different disks, /0 and /1 and /2" in told(A, B, C)[1]


@pytest.mark.parametrize(
    ("places", "sentence"),
    [
        ((A,), "The only other copy is /0; check the card in to a second disk as well."),
        ((A, A), "/0 and /1 lie on one disk; a copy on a second disk is missing."),
        ((A, RAID), "/0 and /1 lie on one disk; a copy on a second disk is missing."),
        ((A, CARD), "/1 lies on the card's own disk and does not count."),
        ((A, MEMORY), "/1 lies in memory, gone when the machine is switched off, and does not count."),
        (
            (MEMORY, MEMORY),
            "/0 and /1 lie in memory, gone when the machine is switched off, and do not count.",
        ),
        ((CARD, CARD), "Check it in to two disks of their own."),
    ],
)
def test_too_few_disks_are_named(places: tuple[Disks, ...], sentence: str) -> None:
    safe, said = told(*places)
    assert not safe
    assert said.startswith("Do not erase /card yet: ")
    assert sentence in said


def test_every_single_file_counts() -> None:
    safe, said = told(A, B, files={"1.wav": {0, 1}, "2.wav": {0}})
    assert not safe
    assert "2.wav is not verified at every destination." in said
    safe, said = told(A, B, files={"1.wav": set(), "2.wav": {0}, "3.wav": {1}})
    assert not safe
    assert "1.wav and 2 other files are not verified at every destination." in said


def test_two_of_three_destinations_are_enough() -> None:
    assert told(A, B, C, files={"1.wav": {0, 2}, "2.wav": {0, 2}})[0]
    # Also when it is not the same two for every file.
    safe, said = told(A, B, C, files={"1.wav": {0, 2}, "2.wav": {1, 2}, "3.wav": {0, 1}})
    assert safe
    assert said.endswith("3 files (31.0 GB) verified on two different disks each, /0 and /1 and /2.")


def test_the_same_disk_and_another_make_two() -> None:
    assert told(A, A, B)[0]


def test_what_is_left_behind_speaks_against_it() -> None:
    safe, said = told(A, B, left=("link.wav",))
    assert not safe
    assert said == "Do not erase /card yet: link.wav is on the card and not copied."
    assert "2 things, such as a, are on the card and not copied." in told(A, B, left=("a", "b"))[1]


def test_a_doubt_speaks_against_it() -> None:
    assert told(A, B, doubts=("1.wav is odd.",)) == (False, "Do not erase /card yet: 1.wav is odd.")


def test_where_disks_cannot_be_told_apart_for_sure_it_is_said() -> None:
    safe, said = told(A, UNKNOWN)
    assert safe
    assert said.endswith(
        "Whether these are two separate drives cannot be told on this system: make sure of it."
    )
