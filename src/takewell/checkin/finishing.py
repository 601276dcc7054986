"""How are the copies at one destination finished while the card is read on?

Each destination has a thread of its own that takes finished files one after the other: flush, rename, read
back, note down. What goes wrong at a destination is said here, and after an error that no further file
would survive the destination takes no more.
"""

import errno
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, datetime

from takewell.checkin.card import Card
from takewell.checkin.copying import CopyWriter, VerificationError, read_back, verify_copy
from takewell.checkin.journal import JOURNAL, Finished, Journal
from takewell.checkin.place import Place
from takewell.checkin.plan import Step, different
from takewell.checkin.values import Copy, CopyState
from takewell.checkin.wording import shown
from takewell.errors import DestinationError
from takewell.files import destination_error
from takewell.manifest.hashing import same_digests

_LASTING_TROUBLE = {
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EROFS,
    errno.ENODEV,
    errno.ENXIO,
    errno.EIO,
    errno.ESTALE,
}
"""Full, read-only or gone: the next file would fare no better."""


class Finisher:
    """Finishes the copies at one destination.

    Parameters
    ----------
    place : Place
        The destination.
    count : callable
        Called with the size of each block read back, on the finisher's thread.
    """

    def __init__(self, place: Place, count: Callable[[int], None]) -> None:
        self.place = place
        self.refusal = ""
        """Why the destination takes no more files; empty while it does."""
        self._count = count
        self._stopped = threading.Event()
        self._journal = Journal(place.root)
        self._open: set[CopyWriter] = set()
        self._thread = ThreadPoolExecutor(1, "finisher")

    def begin(self, path: str) -> CopyWriter:
        """Begin a copy.

        Raises
        ------
        DestinationError
            If that is not possible.
        """
        writer = CopyWriter(self.place.root / path)
        self._open.add(writer)
        return writer

    def give_up(self, writer: CopyWriter) -> None:
        """Take a half-written copy away."""
        writer.abandon()
        self._open.discard(writer)

    def finish(self, writer: CopyWriter, step: Step, hashes: Mapping[str, str]) -> "Future[Copy]":
        """Finish a copy whose blocks are all written."""
        return self._thread.submit(self._finish, writer, step, hashes)

    def compare(self, card: Card, step: Step, hashes: Mapping[str, str]) -> "Future[Copy]":
        """Hold what is there already against what the card holds."""
        return self._thread.submit(self._compare, card, step, hashes)

    def settled(self, state: CopyState, sentence: str) -> "Future[Copy]":
        """Return a copy about which nothing is left to do."""
        return _done(Copy(str(self.place.root), state, sentence))

    def failed(self, error: Exception) -> "Future[Copy]":
        """Return a copy that failed, and close the destination where the next would fail, too."""
        return _done(self._failed(error))

    def changed(self, path: str) -> str:
        """Return the sentence for a copy that is not any more what it was."""
        return (
            f"{shown(self.place.root / path)} has changed since it was copied from the card; "
            "move it away and run the same line again to copy it anew."
        )

    def stop(self) -> None:
        """End the thread; what is not finished is taken away."""
        self._stopped.set()
        self._thread.shutdown(cancel_futures=True)
        for writer in list(self._open):
            self.give_up(writer)

    def close(self, *, complete: bool) -> None:
        """Close the journal; where the check-in is complete it is not needed any more."""
        self._journal.close(remove=complete)

    def _finish(self, writer: CopyWriter, step: Step, hashes: Mapping[str, str]) -> Copy:
        name = str(self.place.root)
        known = self.place.history.first(step.path)
        if known and same_digests(hashes, known.hashes) is False:
            self.give_up(writer)
            sentence = (
                f"The manifest of {shown(name)} knows {shown(step.path)} as another file, so it was not copied; "
                "check this card in to another folder."
            )
            return Copy(name, "refused", sentence)
        try:
            writer.finish(step.facts.modified_ns)
            verify_copy(writer.target, hashes, self._count_block)
            self._note_down(step, hashes)
        except (DestinationError, VerificationError) as error:
            return self._failed(error)
        finally:
            self._open.discard(writer)
        return Copy(name, "copied")

    def _compare(self, card: Card, step: Step, hashes: Mapping[str, str]) -> Copy:
        name, path = str(self.place.root), self.place.root / step.path
        try:
            if path.stat().st_size == step.facts.size_bytes and read_back(path, hashes, self._count_block):
                self._note_down(step, hashes)
                return Copy(name, "identical")
        except DestinationError as error:
            return self._failed(error)
        except OSError as error:
            reason = error.strerror or error
            return Copy(
                name,
                "failed",
                f"{shown(path)} is there already but cannot be read ({reason}); check this disk.",
            )
        known, earlier = self.place.history.first(step.path), self.place.finished.get(step.path)
        if any(on_record and same_digests(hashes, on_record.hashes) for on_record in (known, earlier)):
            return Copy(name, "refused", self.changed(step.path))
        return Copy(name, "refused", different(self.place, step.path, card, "other content"))

    def _failed(self, error: Exception) -> Copy:
        cause = error.__cause__
        if isinstance(cause, OSError) and cause.errno in _LASTING_TROUBLE:
            self.refusal = (
                f"{shown(self.place.root)} takes no more files; what was copied there stays and is verified: "
                "make room or mend the disk and run the same line again."
            )
        return Copy(str(self.place.root), "failed", str(error))

    def _note_down(self, step: Step, hashes: Mapping[str, str]) -> None:
        now = datetime.now(UTC).isoformat()
        entry = Finished(step.path, step.facts.size_bytes, step.facts.modified_ns, dict(hashes), now)
        try:
            self._journal.add(entry)
        except OSError as error:
            raise destination_error(self.place.root / JOURNAL, error) from error

    def _count_block(self, size_bytes: int) -> None:
        if self._stopped.is_set():
            raise _Stopped
        self._count(size_bytes)


def _done(copy: Copy) -> "Future[Copy]":
    done: Future[Copy] = Future()
    done.set_result(copy)
    return done


class _Stopped(Exception):
    """The check-in is being stopped."""
