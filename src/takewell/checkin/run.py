"""How is a plan carried out?

The calling thread reads the card, file after file, and keeps the books; the copies of the file before are still
being finished and read back meanwhile.
"""

import os
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future, wait
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from takewell.checkin.card import Card, is_history, still_there
from takewell.checkin.copying import CopyWriter, same_ends
from takewell.checkin.finishing import Finisher
from takewell.checkin.measuring import Measurer, MeasuringTaker
from takewell.checkin.place import Place
from takewell.checkin.plan import Plan, Step, Target
from takewell.checkin.relay import Lane, ReadError, relay
from takewell.checkin.tally import SAY_EVERY_S, Tally
from takewell.checkin.values import CheckedInFile, Copy, ProgressReport, UnreadableSound
from takewell.checkin.wording import shown
from takewell.errors import DestinationError, TakewellError
from takewell.files import make_folder
from takewell.manifest.hashing import Hasher, check_formats, same_digests
from takewell.manifest.ignore import PATTERNS, IgnoreRule
from takewell.manifest.values import HashedFile
from takewell.manifest.writing import can_be_recorded, formats_for, write_generation

if TYPE_CHECKING:
    from takewell.engine.results import FileMeasurement


@dataclass
class Outcome:
    """What came of a run."""

    files: list[CheckedInFile] = field(default_factory=list)
    verified: dict[tuple[int, str], frozenset[int]] = field(default_factory=dict)
    """(card, path) -> the destinations where the file lies verified."""
    manifests: dict[int, Path] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    doubts: dict[int, list[str]] = field(default_factory=dict)
    """Card -> what speaks against erasing it though all was copied."""
    unreadable: list[UnreadableSound] = field(default_factory=list)
    measured: int = 0

    def verified_places(self, card: int, path: str) -> frozenset[int]:
        """Return the destinations where a file of a card lies verified."""
        return self.verified.get((card, path), frozenset())


@dataclass
class _Pending:
    """A file that was dealt with, while its copies are being finished."""

    step: Step
    copies: dict[int, "Future[Copy]"]
    hashes: dict[str, str] = field(default_factory=dict)
    hashed: datetime = field(default_factory=lambda: datetime.now(UTC))
    measurement: "Future[FileMeasurement | None] | None" = None
    note: str = ""


class Run:
    """Carries a plan out; `go` may be called once."""

    def __init__(
        self,
        cards: Sequence[Card],
        places: Sequence[Place],
        plan: Plan,
        formats: Sequence[str],
        *,
        measure: bool,
        progress: ProgressReport | None,
    ) -> None:
        self._cards = cards
        self._plan = plan
        self._formats = formats
        self._outcome = Outcome()
        self._tally = Tally(_work(plan), progress)
        self._pending: deque[_Pending] = deque()
        self._gone: dict[int, str] = {}
        self._finishers = [Finisher(place, self._tally.verified) for place in places]
        self._measurer = Measurer([place.root for place in places], wanted=measure)
        self._entries: list[dict[str, HashedFile]] = [{} for _ in places]

    def go(self) -> Outcome:
        """Copy, verify, measure, write the manifests."""
        whole = False
        try:
            for step in self._plan.steps:
                self._carry_out(step)
                self._settle(wait_for_all=False)
            self._settle(wait_for_all=True)
            self._make_folders()
            self._measurer.measure_the_rest(lambda path: self._say_at_hand(f"measuring {shown(path)}"))
            self._write_manifests()
            whole = True
        finally:
            self._shut_down(whole=whole)
        outcome = self._outcome
        outcome.unreadable, outcome.measured = self._measurer.unreadable, self._measurer.measured
        outcome.notes += self._measurer.notes
        return outcome

    # One file.

    def _carry_out(self, step: Step) -> None:
        self._say_at_hand(shown(step.path))
        done = _Pending(step, {})
        waiting: list[Target] = []
        for target in step.targets:
            finisher = self._finishers[target.place]
            sentence = self._gone.get(step.card) or finisher.refusal
            if target.action == "refuse":
                done.copies[target.place] = finisher.settled("refused", target.sentence)
            elif sentence:
                done.copies[target.place] = finisher.settled("failed", sentence)
            else:
                waiting.append(target)
        if waiting and all(self._can_resume(step, target) for target in waiting):
            self._resume(done, [target.place for target in waiting])
        elif waiting:
            self._read_card(done, waiting)
        else:
            self._tally.verified(step.facts.size_bytes)
        self._pending.append(done)

    def _can_resume(self, step: Step, target: Target) -> bool:
        if target.action != "resume":
            return False
        place = self._finishers[target.place].place
        ends = same_ends(self._cards[step.card].root / step.path, place.root / step.path, step.facts)
        return ends and set(self._formats) <= set(place.finished[step.path].hashes)

    def _resume(self, done: _Pending, places: Sequence[int]) -> None:
        """Pass a file over whose copies were finished before, once each is read back and still the same."""
        step, card = done.step, self._cards[done.step.card]
        finished = {place: self._finishers[place].place.finished[step.path] for place in places}
        first = finished[places[0]]
        done.hashes, done.hashed = dict(first.hashes), datetime.fromisoformat(first.hashed)
        self._tally.read(step.facts.size_bytes)
        for place, entry in finished.items():
            finisher = self._finishers[place]
            if same_digests(entry.hashes, first.hashes):
                done.copies[place] = finisher.compare(card, step, entry.hashes)
            else:
                done.copies[place] = finisher.settled("refused", finisher.changed(step.path))

    def _read_card(self, done: _Pending, targets: Sequence[Target]) -> None:
        """Read a file once for all its targets."""
        step, card = done.step, self._cards[done.step.card]
        writers, compared = self._begin(done, targets)
        if not writers and not compared:
            self._tally.read(step.facts.size_bytes)
            return
        hasher = _HashTaker(self._formats_of(step))
        taker = self._measurer.taker(step.path, step.facts.size_bytes)
        lanes = {place: Lane(writer) for place, writer in writers.items()}
        hashing = Lane(hasher)
        measuring = [Lane(taker)] if taker else []
        try:
            size, stat = relay(
                card.root / step.path, [hashing, *lanes.values(), *measuring], self._count_read
            )
            sentence = self._as_listed(step, (size, stat.st_size, stat.st_mtime_ns))
        except ReadError as error:
            sentence = self._card_failed(step, error.cause)
        if hashing.error is not None:
            raise hashing.error
        if sentence:
            for place in [*writers, *compared]:
                done.copies[place] = self._finishers[place].settled("failed", sentence)
            for place, writer in writers.items():
                self._finishers[place].give_up(writer)
            return
        done.hashes = hasher.hashes()
        self._hold_against_the_card(step, done.hashes)
        for place, writer in writers.items():
            if (failure := lanes[place].error) is None:
                done.copies[place] = self._finishers[place].finish(writer, step, done.hashes)
            else:
                self._finishers[place].give_up(writer)
                done.copies[place] = self._finishers[place].failed(failure)
        for place in compared:
            done.copies[place] = self._finishers[place].compare(card, step, done.hashes)
        if any(target.action == "mirror" for target in targets):
            done.note = "lies on an earlier card, too"
        if isinstance(taker, MeasuringTaker) and measuring[0].error is None:
            done.measurement = self._measurer.finish(taker)

    def _begin(self, done: _Pending, targets: Sequence[Target]) -> tuple[dict[int, CopyWriter], list[int]]:
        """Return a writer for every destination that lacks the file, and the destinations that have one to compare."""
        writers: dict[int, CopyWriter] = {}
        compared: list[int] = []
        for target in targets:
            finisher = self._finishers[target.place]
            if target.action == "mirror":
                self._wait_until_there(target.place, done.step.path)
            try:
                if target.action != "copy" and os.path.lexists(finisher.place.root / done.step.path):
                    compared.append(target.place)
                else:
                    writers[target.place] = finisher.begin(done.step.path)
            except DestinationError as error:
                done.copies[target.place] = finisher.failed(error)
        return writers, compared

    def _formats_of(self, step: Step) -> tuple[str, ...]:
        """Return the formats asked for and those in which the file is on record, here or on the card."""
        histories = [self._finishers[target.place].place.history for target in step.targets]
        formats = tuple(self._formats)
        for history in [self._cards[step.card].history, *histories]:
            known = history.first(step.path)
            formats = formats_for(formats, known.hashes if known else {})
        return check_formats(formats)

    def _hold_against_the_card(self, step: Step, hashes: dict[str, str]) -> None:
        card = self._cards[step.card]
        known = card.history.first(step.path)
        if known and same_digests(hashes, known.hashes) is False:
            sentence = f"{shown(card.root / step.path)} is not what the card's own manifest recorded; it was copied as it is."
            self._outcome.notes.append(sentence)
            self._outcome.doubts.setdefault(step.card, []).append(sentence)

    def _as_listed(self, step: Step, found: tuple[int, int, int]) -> str:
        facts = step.facts
        if found == (facts.size_bytes, facts.size_bytes, facts.modified_ns):
            return ""
        path = shown(self._cards[step.card].root / step.path)
        return f"{path} changed while it was being read and was not copied; is the recorder still writing?"

    def _card_failed(self, step: Step, error: OSError) -> str:
        card = self._cards[step.card]
        if still_there(card):
            path, reason = shown(card.root / step.path), error.strerror or error
            return f"{path} cannot be read ({reason}), so it was not copied; try another reader."
        self._gone[step.card] = (
            f"The card at {shown(card.root)} is gone; what was copied stays and is verified: "
            "put it back and run the same line again to go on."
        )
        return self._gone[step.card]

    # Keeping the books.

    def _count_read(self, size_bytes: int) -> None:
        self._tally.read(size_bytes)
        self._tally.say()

    def _say_at_hand(self, what: str) -> None:
        self._tally.file = what
        self._tally.say(now=True)

    def _wait_until_there(self, place: int, path: str) -> None:
        for pending in self._pending:
            if pending.step.path == path and place in pending.copies:
                wait([pending.copies[place]])

    def _settle(self, *, wait_for_all: bool) -> None:
        """Enter finished files into the books, in order."""
        while self._pending:
            head = self._pending[0]
            while not all(copy.done() for copy in head.copies.values()):
                if not wait_for_all:
                    return
                self._tally.file = f"reading {shown(head.step.path)} back"
                wait(head.copies.values(), timeout=SAY_EVERY_S)
                self._tally.say()
            self._pending.popleft()
            self._enter(head)

    def _enter(self, done: _Pending) -> None:
        step, hashes = done.step, done.hashes
        copies = {place: copy.result() for place, copy in sorted(done.copies.items())}
        verified = [place for place, copy in copies.items() if copy.verified]
        card, size = str(self._cards[step.card].root), step.facts.size_bytes
        self._outcome.files.append(
            CheckedInFile(card, shown(step.path), size, hashes, tuple(copies.values()), done.note)
        )
        self._outcome.verified[step.card, step.path] = frozenset(verified)
        self._measurer.keep(step.path, verified, hashes, done.measurement)
        modified = datetime.fromtimestamp(step.facts.modified_ns / 1e9, UTC)
        for place in verified:
            self._entries[place][step.path] = HashedFile(step.path, size, modified, hashes, done.hashed)

    # At the end.

    def _make_folders(self) -> None:
        """Bring the folders along that hold no file."""
        for finisher in self._finishers:
            for folder in (folder for card in self._cards for folder in card.folders):
                path = finisher.place.root / folder
                if finisher.refusal or is_history(f"{folder}/x") or path.exists():
                    continue
                try:
                    make_folder(path)
                except DestinationError as error:
                    self._outcome.problems.append(str(error))

    def _write_manifests(self) -> None:
        for index, (finisher, entries) in enumerate(zip(self._finishers, self._entries, strict=True)):
            place = finisher.place
            rule = IgnoreRule([*PATTERNS, *place.history.ignore])
            media = [e for path, e in entries.items() if not is_history(path) and not rule.leaves_out(path)]
            recorded = [entry for entry in media if can_be_recorded(entry.path)]
            self._outcome.notes += [
                f"{shown(entry.path)} is copied and verified, but a manifest cannot hold its name."
                for entry in media
                if not can_be_recorded(entry.path)
            ]
            if not recorded:
                continue
            self._say_at_hand("writing the manifest")
            try:
                self._outcome.manifests[index] = write_generation(place.root, recorded, process="transfer")
            except TakewellError as error:
                sentence = f"{shown(place.root)} got no manifest for this check-in: {error}"
                self._outcome.problems.append(sentence)

    def _shut_down(self, *, whole: bool) -> None:
        for finisher in self._finishers:
            finisher.stop()
        self._measurer.close()
        done = [self._outcome.verified_places(step.card, step.path) for step in self._plan.steps]
        for index, finisher in enumerate(self._finishers):
            recorded = whole and index in self._outcome.manifests
            finisher.close(complete=recorded and all(index in places for places in done))


class _HashTaker:
    def __init__(self, formats: Sequence[str]) -> None:
        self._hasher = Hasher(formats)

    def take(self, block: bytes) -> None:
        self._hasher.update(block)

    def hashes(self) -> dict[str, str]:
        return self._hasher.hexdigests()


def _work(plan: Plan) -> int:
    """Return the bytes to read: each file once from its card, and once back from every copy."""
    total = 0
    for step in plan.steps:
        reads = sum(target.action != "refuse" for target in step.targets)
        total += step.facts.size_bytes * (1 + reads)
    return total
