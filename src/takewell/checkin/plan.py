"""What has to be done to check cards in, before anything is done?

Pure: listings in, steps out. A dry run prints the same steps that a run carries out.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from takewell.checkin.card import Card, Facts, history_place, is_history
from takewell.checkin.place import Place
from takewell.checkin.values import Action, PlannedStep
from takewell.checkin.wording import amount, shown
from takewell.manifest.values import History


@dataclass(frozen=True)
class Target:
    """What shall happen with a file at one destination."""

    place: int
    action: Action
    sentence: str = ""


@dataclass(frozen=True)
class Step:
    """One file of one card, with a target per destination; one read of the file serves them all."""

    card: int
    path: str
    facts: Facts
    targets: tuple[Target, ...]


@dataclass(frozen=True)
class Plan:
    """The steps in order, and what was decided besides."""

    steps: tuple[Step, ...]
    notes: tuple[str, ...]

    def needed_bytes(self, place: int) -> int:
        """Return how much will be written to a destination."""
        return sum(
            step.facts.size_bytes
            for step in self.steps
            for target in step.targets
            if target.place == place and target.action == "copy"
        )

    def described(self, cards: Sequence[Card], places: Sequence[Place]) -> tuple[PlannedStep, ...]:
        """Return the plan as lines for a person."""
        return tuple(
            PlannedStep(
                str(cards[step.card].root),
                shown(step.path),
                step.facts.size_bytes,
                str(places[target.place].root),
                target.action,
                target.sentence or _WORDS[target.action].format(size=amount(step.facts.size_bytes)),
            )
            for step in self.steps
            for target in step.targets
        )


_WORDS = {
    "copy": "copy {size} and read it back",
    "compare": "is there already: compare by hash",
    "resume": "was finished before the last check-in stopped: read it back",
    "mirror": "lies on another card, too: compare by hash",
}


def plan_check_in(cards: Sequence[Card], places: Sequence[Place]) -> Plan:
    """Return what has to be done to bring the cards into the destinations.

    A file is copied where its name is free, compared where a file of its name and size is there, refused where
    something else has its name: nothing that is there is ever replaced. A file of a second card that an earlier
    card also holds (mirrored slots) is compared with that one's copy.
    """
    books = [_Book(place) for place in places]
    steps, notes = [], []
    for number, card in enumerate(cards):
        for path, facts in card.files.items():
            targets = []
            for index, book in enumerate(books):
                if is_history(path):
                    target, note = _history_target(index, book, card, path, facts, number)
                    notes += [note] if note and note not in notes else []
                else:
                    target = _media_target(index, book, card, path, facts, number)
                if target is not None:
                    targets.append(target)
            if targets:
                steps.append(Step(number, path, facts, tuple(targets)))
    return Plan(tuple(steps), tuple(notes))


class _Book:
    """What a destination will hold once the steps planned so far are done."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.names = {place.key(path): path for path in place.files}
        self.folders = {place.key(path): path for path in place.folders}
        self.planned: dict[str, tuple[int, Facts]] = {}
        self.histories: dict[str, tuple[int, History | None]] = {}
        """Where a card's own history is copied to -> that card and the history."""

    def take(self, path: str, facts: Facts, card: int) -> None:
        self.names[self.place.key(path)] = path
        self.planned[path] = (card, facts)
        for parent in _parents(path):
            self.folders.setdefault(self.place.key(parent), parent)


def _media_target(index: int, book: _Book, card: Card, path: str, facts: Facts, number: int) -> Target:
    place = book.place
    if why := _in_the_way(book, path):
        return Target(index, "refuse", why)
    planned = book.planned.get(path)
    there = planned[1] if planned else place.files.get(path)
    if there is None:
        book.take(path, facts, number)
        return Target(index, "copy")
    if there.size_bytes != facts.size_bytes:
        return Target(
            index,
            "refuse",
            different(place, path, card, f"{amount(there.size_bytes)} long, not {amount(facts.size_bytes)}"),
        )
    if planned:
        return Target(index, "mirror")
    book.planned[path] = (number, facts)
    finished = place.finished.get(path)
    if finished and (finished.size_bytes, finished.modified_ns) == (facts.size_bytes, facts.modified_ns):
        return Target(index, "resume")
    return Target(index, "compare")


def _history_target(
    index: int, book: _Book, card: Card, path: str, facts: Facts, number: int
) -> tuple[Target | None, str]:
    """Plan for a manifest of the card: copied where no history is, passed over where it is already part of one."""
    where = history_place(path)
    theirs = _history_at(card.history, where)
    copied_from, ours = book.histories.get(where, (None, _history_at(book.place.history, where)))
    if copied_from is None and (ours is None or not ours.generations):
        book.histories[where] = (number, theirs)
        copied_from = number
    if copied_from == number:
        return _media_target(index, book, card, path, facts, number), ""
    if ours is not None and theirs is not None and _begins_with(ours, theirs):
        return None, ""
    spot = f" in {shown(where)}" if where else ""
    return None, (
        f"{shown(book.place.root)} has a manifest history{spot} of its own: the one on {shown(card.root)} stays there; its hashes are held against the files."
    )


def _history_at(history: History, where: str) -> History | None:
    for folder, found in history.histories():
        if folder == where:
            return found
    return None


def _begins_with(longer: History, shorter: History) -> bool:
    ours = [generation.c4 for generation in longer.generations]
    theirs = [generation.c4 for generation in shorter.generations]
    return ours[: len(theirs)] == theirs


def _in_the_way(book: _Book, path: str) -> str:
    """Return why a name cannot be used at a destination, or nothing."""
    place, key = book.place, book.place.key(path)
    full = shown(place.root / path)
    if key in book.folders:
        return f"{full} is a folder there, so the file of that name was not copied; check this card in to another folder."
    for parent in _parents(path):
        if place.key(parent) in book.names:
            return f"{shown(place.root / parent)} is a file there, so {shown(path)} was not copied; check this card in to another folder."
    other = book.names.get(key, path)
    if other != path:
        return f"{full} was not copied: the disk takes its name for that of {shown(other)}, which is there already; check it in to another disk."
    return ""


def different(place: Place, path: str, card: Card, how: str) -> str:
    """Return the sentence for a name that something else has already."""
    return (
        f"{shown(place.root / path)} is there already and is another file ({how}); it was left as it is and the one on "
        f"{shown(card.root)} was not copied: check this card in to another folder."
    )


def _parents(path: str) -> Iterator[str]:
    return (str(parent) for parent in PurePosixPath(path).parents if str(parent) != ".")
