"""How is a plan carried out?

The calling thread reads the card, file after file, and keeps the books. Each destination has a writer thread for the
file at hand and one that finishes the file before: flush, rename, read back. So the card is read while
the last file is still being verified.
"""

import errno
import os
import threading
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from takewell.checkin.card import Card, is_history, still_there
from takewell.checkin.copying import CopyWriter, VerificationError, read_back, same_ends, verify_copy
from takewell.checkin.journal import JOURNAL, Finished, Journal
from takewell.checkin.measuring import Measurer
from takewell.checkin.place import Place
from takewell.checkin.plan import Plan, Step, Target, different
from takewell.checkin.relay import Lane, ReadError, relay
from takewell.checkin.tally import SAY_EVERY_S, Tally
from takewell.checkin.values import CheckedInFile, Copy, CopyState, ProgressReport, UnreadableSound
from takewell.checkin.wording import shown
from takewell.errors import DestinationError, TakewellError
from takewell.files import destination_error, make_folder
from takewell.manifest.hashing import Hasher, check_formats, same_digests
from takewell.manifest.ignore import PATTERNS, IgnoreRule
from takewell.manifest.values import HashedFile
from takewell.manifest.writing import can_be_recorded, formats_for, write_generation

if TYPE_CHECKING:
    from takewell.engine.results import FileMeasurement


_DEAD = {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENODEV, errno.ENXIO, errno.EIO, errno.ESTALE}
"""Errors after which a destination takes nothing more: full, read-only or gone."""


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
    """A file that was read, while its copies are being finished."""

    step: Step
    hashes: dict[str, str]
    hashed: datetime
    copies: dict[int, "Future[Copy]"]
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
        self._places = places
        self._plan = plan
        self._formats = formats
        self._outcome = Outcome()
        self._tally = Tally(_work(plan), progress)
        self._pending: deque[_Pending] = deque()
        self._open: set[CopyWriter] = set()
        self._dead: dict[int, str] = {}
        self._gone: dict[int, str] = {}
        self._stopped = threading.Event()
        self._finishers = [ThreadPoolExecutor(1, "finisher") for _ in places]
        self._journals = [Journal(place.root) for place in places]
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
        copies: dict[int, Future[Copy]] = {}
        waiting: list[Target] = []
        for target in step.targets:
            sentence = self._gone.get(step.card) or self._dead.get(target.place)
            if target.action == "refuse":
                copies[target.place] = self._settled(target.place, "refused", target.sentence)
            elif sentence:
                copies[target.place] = self._settled(target.place, "failed", sentence)
            else:
                waiting.append(target)
        if waiting and all(self._can_resume(step, target) for target in waiting):
            self._resume(step, waiting, copies)
        elif waiting:
            self._read_card(step, waiting, copies)
        else:
            self._tally.verified(step.facts.size_bytes)
            self._wait_for(step, {}, copies)

    def _can_resume(self, step: Step, target: Target) -> bool:
        if target.action != "resume":
            return False
        place = self._places[target.place]
        finished = place.finished[step.path]
        ends = same_ends(self._cards[step.card].root / step.path, place.root / step.path, step.facts)
        return ends and set(self._formats) <= set(finished.hashes)

    def _resume(self, step: Step, targets: Sequence[Target], copies: dict[int, "Future[Copy]"]) -> None:
        """Pass a file over whose copies were finished before, once each is read back and still the same."""
        finished = {t.place: self._places[t.place].finished[step.path] for t in targets}
        first = next(iter(finished.values()))
        self._tally.read(step.facts.size_bytes)
        for place, entry in finished.items():
            if same_digests(entry.hashes, first.hashes):
                copies[place] = self._finishers[place].submit(self._compare, place, step, dict(entry.hashes))
            else:
                copies[place] = self._settled(place, "refused", self._changed(place, step.path))
        self._wait_for(step, dict(first.hashes), copies, hashed=datetime.fromisoformat(first.hashed))

    def _read_card(self, step: Step, targets: Sequence[Target], copies: dict[int, "Future[Copy]"]) -> None:
        """Read a file once for all its targets."""
        card = self._cards[step.card]
        writers: dict[int, CopyWriter] = {}
        compared: list[int] = []
        for target in targets:
            if target.action == "mirror":
                self._wait_until_there(target.place, step.path)
            try:
                there = os.path.lexists(self._places[target.place].root / step.path)
                if there and target.action != "copy":
                    compared.append(target.place)
                else:
                    writers[target.place] = CopyWriter(self._places[target.place].root / step.path)
                    self._open.add(writers[target.place])
            except DestinationError as error:
                copies[target.place] = self._failed(target.place, error)
        if not writers and not compared:
            self._tally.read(step.facts.size_bytes)
            self._wait_for(step, {}, copies)
            return
        hasher = Hasher(self._formats_of(step))
        taker = self._measurer.taker(step.path, step.facts.size_bytes)
        lanes = {place: Lane(writer) for place, writer in writers.items()}
        measuring = Lane(taker) if taker else None
        hashing = Lane(_HashTaker(hasher))
        try:
            size, stat = relay(
                card.root / step.path,
                [hashing, *lanes.values(), *([measuring] if measuring else [])],
                self._count_read,
            )
        except ReadError as error:
            sentence = self._card_failed(step, error.cause)
        else:
            as_listed = (size, stat.st_size, stat.st_mtime_ns) == (
                step.facts.size_bytes,
                step.facts.size_bytes,
                step.facts.modified_ns,
            )
            sentence = (
                ""
                if as_listed
                else (
                    f"{shown(card.root / step.path)} changed while it was being read and was not copied; is the recorder still writing?"
                )
            )
        if sentence:
            for place, writer in writers.items():
                self._give_up(writer)
                copies[place] = self._settled(place, "failed", sentence)
            for place in compared:
                copies[place] = self._settled(place, "failed", sentence)
            self._wait_for(step, {}, copies)
            return
        hashes = hasher.hexdigests()
        self._hold_against_the_card(step, hashes)
        for place, writer in writers.items():
            if (failure := lanes[place].error) is not None:
                self._give_up(writer)
                copies[place] = self._failed(place, failure)
            else:
                copies[place] = self._finishers[place].submit(self._finish, place, writer, step, hashes)
        for place in compared:
            copies[place] = self._finishers[place].submit(self._compare, place, step, hashes)
        note = ""
        if any(target.action == "mirror" for target in targets):
            note = "lies on an earlier card, too"
        measurement = None
        if taker and measuring and measuring.error is None:
            measurement = self._measurer.finish(taker)
        self._wait_for(step, hashes, copies, measurement=measurement, note=note)

    def _formats_of(self, step: Step) -> tuple[str, ...]:
        """Return the formats asked for and those in which the file is on record, here or on the card."""
        histories = [self._cards[step.card].history, *(self._places[t.place].history for t in step.targets)]
        formats = tuple(self._formats)
        for history in histories:
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

    # On the finishers' threads.

    def _finish(self, place: int, writer: CopyWriter, step: Step, hashes: dict[str, str]) -> Copy:
        name = str(self._places[place].root)
        known = self._places[place].history.first(step.path)
        if known and same_digests(hashes, known.hashes) is False:
            self._give_up(writer)
            sentence = f"The manifest of {shown(name)} knows {shown(step.path)} as another file, so it was not copied; check this card in to another folder."
            return Copy(name, "refused", sentence)
        try:
            writer.finish(step.facts.modified_ns)
            self._open.discard(writer)
            verify_copy(writer.target, hashes, self._count_verified)
            self._note_down(place, step, hashes)
        except (DestinationError, VerificationError) as error:
            self._open.discard(writer)
            return self._failed(place, error).result()
        return Copy(name, "copied")

    def _compare(self, place: int, step: Step, hashes: dict[str, str]) -> Copy:
        there = self._places[place]
        path = there.root / step.path
        try:
            same = path.stat().st_size == step.facts.size_bytes and read_back(
                path, hashes, self._count_verified
            )
            if same:
                self._note_down(place, step, hashes)
                return Copy(str(there.root), "identical")
        except DestinationError as error:
            return self._failed(place, error).result()
        except OSError as error:
            sentence = f"{shown(path)} is there already but cannot be read ({error.strerror or error}); check this disk."
            return Copy(str(there.root), "failed", sentence)
        known = there.history.first(step.path)
        earlier = there.finished.get(step.path)
        if (known and same_digests(hashes, known.hashes)) or (
            earlier and same_digests(hashes, earlier.hashes)
        ):
            return Copy(str(there.root), "refused", self._changed(place, step.path))
        sentence = different(there, step.path, self._cards[step.card], "other content")
        return Copy(str(there.root), "refused", sentence)

    def _changed(self, place: int, path: str) -> str:
        return (
            f"{shown(self._places[place].root / path)} has changed since it was copied from the card; "
            "move it away and run the same line again to copy it anew."
        )

    def _note_down(self, place: int, step: Step, hashes: dict[str, str]) -> None:
        facts = step.facts
        now = datetime.now(UTC).isoformat()
        try:
            self._journals[place].add(Finished(step.path, facts.size_bytes, facts.modified_ns, hashes, now))
        except OSError as error:
            raise destination_error(self._places[place].root / JOURNAL, error) from error

    def _count_verified(self, size_bytes: int) -> None:
        if self._stopped.is_set():
            raise _Stopped
        self._tally.verified(size_bytes)

    # What goes wrong.

    def _settled(self, place: int, state: CopyState, sentence: str) -> "Future[Copy]":
        done: Future[Copy] = Future()
        done.set_result(Copy(str(self._places[place].root), state, sentence))
        return done

    def _failed(self, place: int, error: Exception) -> "Future[Copy]":
        cause = error.__cause__
        if isinstance(cause, OSError) and cause.errno in _DEAD:
            self._dead.setdefault(
                place,
                f"{shown(self._places[place].root)} takes no more files; what was copied there stays and is verified: make room or mend the disk and run the same line again.",
            )
        return self._settled(place, "failed", str(error))

    def _card_failed(self, step: Step, error: OSError) -> str:
        card = self._cards[step.card]
        if still_there(card):
            return f"{shown(card.root / step.path)} cannot be read ({error.strerror or error}), so it was not copied; try another reader."
        self._gone[step.card] = (
            f"The card at {shown(card.root)} is gone; what was copied stays and is verified: put it back and run the same line again to go on."
        )
        return self._gone[step.card]

    def _give_up(self, writer: CopyWriter) -> None:
        writer.abandon()
        self._open.discard(writer)

    # Keeping the books, on the calling thread.

    def _count_read(self, size_bytes: int) -> None:
        self._tally.read(size_bytes)
        self._tally.say()

    def _say_at_hand(self, what: str) -> None:
        self._tally.file = what
        self._tally.say(now=True)

    def _wait_for(
        self,
        step: Step,
        hashes: dict[str, str],
        copies: dict[int, "Future[Copy]"],
        *,
        hashed: datetime | None = None,
        measurement: "Future[FileMeasurement | None] | None" = None,
        note: str = "",
    ) -> None:
        moment = hashed or datetime.now(UTC)
        self._pending.append(_Pending(step, hashes, moment, copies, measurement, note))

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
        step = done.step
        copies = {place: copy.result() for place, copy in sorted(done.copies.items())}
        verified = [place for place, copy in copies.items() if copy.verified]
        name = str(self._cards[step.card].root)
        hashes = done.hashes if done.hashes else {}
        self._outcome.files.append(
            CheckedInFile(
                name, shown(step.path), step.facts.size_bytes, hashes, tuple(copies.values()), done.note
            )
        )
        self._outcome.verified[step.card, step.path] = frozenset(verified)
        self._measurer.keep(step.path, verified, hashes, done.measurement)
        modified = datetime.fromtimestamp(step.facts.modified_ns / 1e9, UTC)
        for place in verified:
            self._entries[place][step.path] = HashedFile(
                step.path, step.facts.size_bytes, modified, hashes, done.hashed
            )

    # At the end.

    def _make_folders(self) -> None:
        for card in self._cards:
            for index, place in enumerate(self._places):
                if index in self._dead:
                    continue
                for folder in card.folders:
                    if is_history(f"{folder}/x") or (place.root / folder).exists():
                        continue
                    try:
                        make_folder(place.root / folder)
                    except DestinationError as error:
                        self._outcome.problems.append(str(error))

    def _write_manifests(self) -> None:
        for index, (place, entries) in enumerate(zip(self._places, self._entries, strict=True)):
            rule = IgnoreRule([*PATTERNS, *place.history.ignore])
            recorded = []
            for path, entry in entries.items():
                if is_history(path) or rule.leaves_out(path):
                    continue
                if can_be_recorded(path):
                    recorded.append(entry)
                else:
                    self._outcome.notes.append(
                        f"{shown(path)} is copied and verified, but a manifest cannot hold its name."
                    )
            if not recorded:
                continue
            self._say_at_hand("writing the manifest")
            try:
                self._outcome.manifests[index] = write_generation(place.root, recorded, process="transfer")
            except TakewellError as error:
                self._outcome.problems.append(
                    f"{shown(place.root)} got no manifest for this check-in: {error}"
                )

    def _shut_down(self, *, whole: bool) -> None:
        self._stopped.set()
        for finisher in self._finishers:
            finisher.shutdown(cancel_futures=True)
        for writer in list(self._open):
            self._give_up(writer)
        self._measurer.close()
        for index, journal in enumerate(self._journals):
            done = [self._outcome.verified.get((s.card, s.path), frozenset()) for s in self._plan.steps]
            journal.close(remove=whole and index in self._outcome.manifests and all(index in v for v in done))


class _Stopped(Exception):
    """The check-in is being stopped."""


class _HashTaker:
    def __init__(self, hasher: Hasher) -> None:
        self._hasher = hasher

    def take(self, block: bytes) -> None:
        self._hasher.update(block)


def _work(plan: Plan) -> int:
    """Return the bytes to read: each file once from its card, and once back from every copy."""
    total = 0
    for step in plan.steps:
        reads = sum(target.action != "refuse" for target in step.targets)
        total += step.facts.size_bytes * (1 + reads)
    return total
