"""May a card be erased?

Only when every file on it lies verified on at least two different disks, neither of them the card's own and
neither made of memory. Otherwise the sentence says what is missing.
"""

from collections.abc import Mapping, Sequence
from itertools import combinations

from takewell.checkin.disks import Disks
from takewell.checkin.wording import amount, count_of

ENOUGH = 2
"""Verified copies on different disks. Two besides the card is common practice, no source."""


def judge(
    card: str,
    card_disks: Disks,
    verified: Mapping[str, frozenset[int]],
    places: Sequence[tuple[str, Disks]],
    *,
    size_bytes: int,
    left_behind: Sequence[str],
    doubts: Sequence[str],
) -> tuple[bool, str]:
    """Return whether a card may be erased, and the sentence that says so.

    Parameters
    ----------
    card, card_disks
        The card's folder and disks.
    verified : mapping
        Every file that had to be copied -> the destinations (by index) where it lies verified.
    places : sequence of (folder, disks)
        The destinations.
    size_bytes : int
        Of all files together.
    left_behind : sequence of str
        What is on the card and was not copied though erasing would lose it.
    doubts : sequence of str
        Anything else that speaks against erasing, as full sentences.
    """
    if not verified:
        return False, f"Do not erase {card} yet: nothing of it had to be copied, so nothing was verified."
    usable = {i for i, (_, disks) in enumerate(places) if disks.lasting and disks.apart_from(card_disks)}
    short = [path for path, where in verified.items() if not _apart(where & usable, places)]
    if not short and not left_behind and not doubts:
        everywhere = set.intersection(*(set(where) for where in verified.values())) & usable
        if _apart(everywhere, places):
            named = sorted(everywhere)
            count = {2: "two", 3: "three"}.get(len(_separate(named, places)), "several")
            disks = f"{count} different disks"
        else:  # no two destinations hold everything, but each file has a pair of its own
            named, disks = sorted(usable), "two different disks each"
        size = f"{count_of(len(verified), 'file')} ({amount(size_bytes)})"
        caution = "" if all(places[i][1].known for i in named) else _UNCERTAIN
        where = " and ".join(places[i][0] for i in named)
        return True, f"Safe to erase {card}: {size} verified on {disks}, {where}.{caution}"
    reasons = [*_what_is_missing(short, verified, places, card_disks), *doubts]
    if left_behind:
        what = (
            f"{left_behind[0]} is"
            if len(left_behind) == 1
            else f"{len(left_behind)} things, such as {left_behind[0]}, are"
        )
        reasons.append(f"{what} on the card and not copied.")
    return False, f"Do not erase {card} yet: {' '.join(reasons)}"


_UNCERTAIN = " Whether these are two separate drives cannot be told on this system: make sure of it."


def _apart(where: frozenset[int] | set[int], places: Sequence[tuple[str, Disks]]) -> bool:
    return any(places[a][1].apart_from(places[b][1]) for a, b in combinations(sorted(where), ENOUGH))


def _separate(indices: Sequence[int], places: Sequence[tuple[str, Disks]]) -> list[int]:
    """Return those destinations that share no disk with one before them."""
    apart: list[int] = []
    for index in indices:
        if all(places[index][1].apart_from(places[other][1]) for other in apart):
            apart.append(index)
    return apart


def _what_is_missing(
    short: Sequence[str],
    verified: Mapping[str, frozenset[int]],
    places: Sequence[tuple[str, Disks]],
    card_disks: Disks,
) -> list[str]:
    if not short:
        return []
    everywhere = set(range(len(places)))
    unfinished = [path for path in short if set(verified[path]) != everywhere]
    reasons = []
    if unfinished:
        first = unfinished[0]
        others = f" and {count_of(len(unfinished) - 1, 'other file')}" if len(unfinished) > 1 else ""
        plural = "are" if len(unfinished) > 1 else "is"
        reasons.append(f"{first}{others} {plural} not verified at every destination.")
    volatile = [name for name, disks in places if not disks.lasting]
    beside = [name for name, disks in places if disks.lasting and not disks.apart_from(card_disks)]
    if volatile:
        reasons.append(
            f"{_each(volatile, 'lies', 'lie')} in memory, gone when the machine is switched off, and {_does_not(volatile)} count."
        )
    if beside:
        reasons.append(
            f"{_each(beside, 'lies', 'lie')} on the card's own disk and {_does_not(beside)} count."
        )
    usable = [i for i, (_, d) in enumerate(places) if d.lasting and d.apart_from(card_disks)]
    if len(usable) == 1:
        reasons.append(
            f"The only other copy is {places[usable[0]][0]}; check the card in to a second disk as well."
        )
    elif len(usable) > 1 and not _apart(set(usable), places):
        together = _each([places[i][0] for i in usable], "lies", "lie")
        reasons.append(f"{together} on one disk; a copy on a second disk is missing.")
    elif not usable:
        reasons.append("Check it in to two disks of their own.")
    return reasons


def _each(names: Sequence[str], one: str, many: str) -> str:
    return f"{' and '.join(names)} {one if len(names) == 1 else many}"


def _does_not(names: Sequence[str]) -> str:
    return "does not" if len(names) == 1 else "do not"
