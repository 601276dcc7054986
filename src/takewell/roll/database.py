"""How is a SQLite file used that may be lost, broken, locked by another process or read-only?

Conventions: what the file holds can be computed again, so nothing here ever fails for its sake. A file that is
no database, is corrupt or has other tables is set aside under another name; where it cannot be written, it is
read if it can be, and nothing is kept. Sentences say what happened. One object may be shared by threads; several
processes may have the file open (write-ahead log; SQLite documentation, "Write-Ahead Logging").
"""

import contextlib
import itertools
import os
import sqlite3
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

BUSY_S = 30.0
"""How long one process waits for another's write."""

_BROKEN = {sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT}
"""Results that mean the file is not, or no longer, a logbook."""

_OUT_OF_REACH = {
    sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH,
    sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_NOLFS,
}  # fmt: skip
"""Results that mean the file cannot be reached or written at the moment."""

T = TypeVar("T")


class Database:
    """An open SQLite file with the given tables, made where it is missing.

    Parameters
    ----------
    path : Path
        The file; its folder is made too.
    tables : sequence of str
        The statements that make the tables.
    application_id : int
        Marks the file as ours in its header, as SQLite means ``PRAGMA application_id`` to.
    schema : int
        Number of this set of tables; a file with another is set aside.
    """

    def __init__(self, path: Path, tables: Sequence[str], *, application_id: int, schema: int) -> None:
        self.path = path
        self.warnings: list[str] = []
        self._tables = tuple(tables)
        self._application_id = application_id
        self._schema = schema
        self._lock = threading.RLock()
        self._writable = True
        self._db: sqlite3.Connection | None = None
        self._open()

    @property
    def writable(self) -> bool:
        """Whether anything is kept."""
        return self._writable and self._db is not None

    def close(self) -> None:
        """Close the file; nothing is read or kept afterwards."""
        with self._lock:
            if self._db is not None:
                self._db.close()
                self._db = None

    def read(self, query: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """Return the rows a query gives, none where there is no database."""
        return self.run(lambda db: db.execute(query, values).fetchall(), [])

    def write(self, work: Callable[[sqlite3.Connection], T], otherwise: T) -> T:
        """Return what `work` gives in one transaction, or `otherwise` where nothing is kept."""

        def whole(db: sqlite3.Connection) -> T:
            db.execute("BEGIN IMMEDIATE")
            try:
                result = work(db)
                db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
                raise
            return result

        return self.run(whole, otherwise) if self._writable else otherwise

    def run(self, work: Callable[[sqlite3.Connection], T], otherwise: T) -> T:
        """Return what `work` gives, or `otherwise` where there is no logbook or it fails under our hands."""
        with self._lock:
            if self._db is None:
                return otherwise
            try:
                return work(self._db)
            except sqlite3.DatabaseError as error:
                code = _primary_code(error)
                if code in _BROKEN:
                    self._begin_anew(str(error))
                elif code in _OUT_OF_REACH:
                    self._keep_nothing(str(error))
                else:
                    raise
            return otherwise

    def _open(self) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            if not os.access(self.path.parent, os.W_OK) or (
                self.path.exists() and not os.access(self.path, os.W_OK)
            ):
                self._read_only("it is read-only")
                return
            self._db = self._connect()
        except _NotOursError as error:
            self._begin_anew(str(error))
        except sqlite3.DatabaseError as error:
            if _primary_code(error) in _BROKEN:
                self._begin_anew(str(error))
            else:
                self._read_only(str(error))
        except OSError as error:
            self._read_only(error.strerror or str(error))

    def _connect(self) -> sqlite3.Connection:
        db = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        try:
            db.row_factory = sqlite3.Row
            self._is_empty(db)  # before anything is written to a file that may be somebody else's
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = NORMAL")
            db.execute("BEGIN IMMEDIATE")
            if self._is_empty(db):
                for statement in self._tables:
                    db.execute(statement)
                db.execute(f"PRAGMA application_id = {self._application_id}")
                db.execute(f"PRAGMA user_version = {self._schema}")
            db.execute("COMMIT")
        except BaseException:
            db.close()
            raise
        return db

    def _is_empty(self, db: sqlite3.Connection) -> bool:
        """Return whether the file is new; raise where it is not ours."""
        application, schema = _marks(db)
        if application == self._application_id and schema == self._schema:
            return False
        if application == self._application_id:
            raise _NotOursError("another version of this program wrote it")
        if application or db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise _NotOursError("another program wrote it")
        return True

    def _begin_anew(self, reason: str) -> None:
        """Set the file aside under another name and make a new one."""
        if self._db is not None:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
            self._db = None
        if not self._writable:
            return
        aside = next(
            path
            for count in itertools.count(1)
            if not os.path.lexists(
                path := self.path.with_name(f"{self.path.stem}-set-aside-{count}{self.path.suffix}")
            )
        )
        try:
            for suffix in ("", "-wal", "-shm"):
                with contextlib.suppress(FileNotFoundError):
                    Path(f"{self.path}{suffix}").rename(f"{aside}{suffix}")
            self.warnings.append(
                f"{self.path} could not be used ({reason}) and was set aside as {aside.name}; "
                "a new one was begun, and what it held is computed again."
            )
            self._db = self._connect()
        except (OSError, sqlite3.Error, _NotOursError) as error:
            self._keep_nothing(str(error))

    def _read_only(self, reason: str) -> None:
        """Read what is there without writing anything beside it."""
        self._keep_nothing(reason)
        if not self.path.is_file():
            return
        # Without write access SQLite cannot make its side files: it must be told that nothing changes.
        address = f"{self.path.resolve().as_uri()}?mode=ro&immutable=1"
        try:
            db = sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False)
            db.row_factory = sqlite3.Row
            if _marks(db) == (self._application_id, self._schema):
                self._db = db
            else:
                db.close()
        except sqlite3.Error:
            self._db = None

    def _keep_nothing(self, reason: str) -> None:
        if self._writable:
            self._writable = False
            self.warnings.append(f"{self.path} cannot be written ({reason}); nothing is kept for next time.")


class _NotOursError(Exception):
    """The file is a database, but not a logbook of this version."""


def _marks(db: sqlite3.Connection) -> tuple[int, int]:
    """Return whose file it is, and of which schema."""
    application, schema = (
        int(db.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("application_id", "user_version")
    )
    return application, schema


def _primary_code(error: sqlite3.DatabaseError) -> int | None:
    """Return SQLite's primary result code, None for an error that does not come from SQLite."""
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF
