"""What is already known of a roll, so that nothing is read or measured twice?

Conventions: one SQLite file, ``takewell/logbook.sqlite`` in the roll's folder. Everything in it can be computed
again from the media and the text files, so it may be deleted at any time; it never holds what a person wrote.
Paths are relative to the roll's folder. What belongs to a file counts only while the file has the size and the
time of change it had, and only for the program version that computed it.

Several processes may use it at once (write-ahead log, SQLite documentation "WAL"), and several threads may share
one `Logbook`. Where the folder cannot be written to, a logbook that is there is read and nothing is kept.
"""

import contextlib
import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import takewell
from takewell.engine.results import FileMeasurement
from takewell.errors import FileError
from takewell.roll.database import Database
from takewell.roll.labels import labels_path
from takewell.roll.said import FileHeader
from takewell.roll.sheet import TEXT_FOLDER
from takewell.roll.stored import (
    TRACE_COLUMNS,
    finding_from_cells,
    info_from_json,
    info_to_json,
    measurement_from_json,
    measurement_to_json,
    pairs_from_json,
    pairs_to_json,
    text_from_cell,
    text_to_cell,
    trace_from_columns,
    trace_to_columns,
    value_to_cells,
    verdict_from_cells,
)
from takewell.roll.values import BestTrack, Examination, Finding, Verdict

APPLICATION_ID = 0x54574C42
"""Marks the file as ours in its header ("TWLB"), as SQLite's ``PRAGMA application_id`` is meant to."""

SCHEMA = 4
"""Raised whenever tables change; a logbook of another schema is made anew."""

_COMMA = '", "'
_FINDING = [field.name for field in fields(Finding)]
_VERDICT = [field.name for field in fields(Verdict)]
_TABLES = (
    "CREATE TABLE media (path PRIMARY KEY, size_bytes INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, "
    "digest TEXT NOT NULL, version TEXT NOT NULL, header TEXT) WITHOUT ROWID",
    "CREATE TABLE measurements (path PRIMARY KEY, size_bytes INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, "
    "version TEXT NOT NULL, measurement TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE traces (path NOT NULL, channel INTEGER NOT NULL, rate INTEGER NOT NULL, "
    f"length_samples INTEGER NOT NULL, {' BLOB, '.join(TRACE_COLUMNS)} BLOB, PRIMARY KEY (path, channel))",
    "CREATE TABLE examinations (of_state TEXT NOT NULL, unreadable TEXT NOT NULL, best TEXT NOT NULL, "
    "pairs TEXT NOT NULL)",
    f'CREATE TABLE findings ("{_COMMA.join(_FINDING)}")',
    f'CREATE TABLE verdicts ("{_COMMA.join(_VERDICT)}")',
    "CREATE TABLE steps (id INTEGER PRIMARY KEY, name TEXT NOT NULL, detail TEXT NOT NULL, state TEXT NOT NULL, "
    "begun_s REAL NOT NULL, ended_s REAL, done REAL NOT NULL DEFAULT 0, whole REAL NOT NULL, "
    "sentence TEXT NOT NULL DEFAULT '')",
    "CREATE TABLE kept (room TEXT NOT NULL, key TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (room, key)) "
    "WITHOUT ROWID",
)


@dataclass(frozen=True)
class Step:
    """One run of a step of the work: what, when (seconds since 1970), how far and how it ended."""

    id: int
    name: str
    detail: Mapping[str, Any]
    state: str
    """``running``, ``done`` or ``failed``."""
    begun_s: float
    ended_s: float | None
    done: float
    whole: float
    sentence: str


class Logbook:
    """A roll's logbook; opens or makes ``takewell/logbook.sqlite`` in `folder`.

    Never fails: a file that is corrupt or not a logbook is set aside under another name, and where nothing
    can be written nothing is kept. `warnings` says so in sentences.
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(folder)
        self.path = self.folder / TEXT_FOLDER / "logbook.sqlite"
        self._file = Database(self.path, _TABLES, application_id=APPLICATION_ID, schema=SCHEMA)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences about what happened to the logbook since it was opened."""
        return tuple(self._file.warnings)

    @property
    def writable(self) -> bool:
        """Whether anything is kept."""
        return self._file.writable

    def close(self) -> None:
        """Close the file; the object is of no use afterwards."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # Media and their headers.

    def headers(self) -> dict[str, FileHeader]:
        """Return the headers known to this version of the program, by path."""
        rows = self._file.read("SELECT * FROM media WHERE version = ?", (takewell.__version__,))
        found = {}
        for row in rows:
            path = text_from_cell(row["path"])
            with contextlib.suppress(ValueError, TypeError, KeyError):
                info = info_from_json(row["header"], self.folder / path)
                found[path] = FileHeader(path, row["size_bytes"], row["mtime_ns"], info, row["digest"])
        return found

    def media_state(self) -> list[tuple[str, int, int, str]]:
        """Return path, size, time of change and hash of each file known to this version of the program, by path."""
        query = "SELECT path, size_bytes, mtime_ns, digest FROM media WHERE version = ? ORDER BY path"
        rows = self._file.read(query, (takewell.__version__,))
        return [
            (text_from_cell(row["path"]), row["size_bytes"], row["mtime_ns"], row["digest"]) for row in rows
        ]

    def save_headers(self, headers: Iterable[FileHeader]) -> None:
        """Keep headers, and forget everything about media that are not in the folder any more."""
        version = takewell.__version__
        rows = [
            (text_to_cell(h.path), h.size_bytes, h.mtime_ns, h.digest, version, info_to_json(h.info))
            for h in headers
        ]

        def write(db: sqlite3.Connection) -> None:
            db.executemany(
                "INSERT INTO media VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (path) DO UPDATE SET "
                "digest = CASE WHEN excluded.digest != '' THEN excluded.digest "
                "WHEN size_bytes = excluded.size_bytes AND mtime_ns = excluded.mtime_ns THEN digest ELSE '' END, "
                "size_bytes = excluded.size_bytes, mtime_ns = excluded.mtime_ns, version = excluded.version, "
                "header = excluded.header",
                rows,
            )
            known = db.execute("SELECT path FROM media UNION SELECT path FROM measurements").fetchall()
            gone = [row for row in known if not os.path.lexists(self.folder / text_from_cell(row["path"]))]
            for table in ("media", "measurements", "traces"):
                db.executemany(f"DELETE FROM {table} WHERE path = ?", gone)

        self._file.write(write, None)

    def save_digest(self, file: str, digest: str) -> None:
        """Keep the hash of a whole file, as ``name:hexadecimal``.

        Raises
        ------
        FileError
            If the file is not in the roll's folder.
        """
        size_bytes, mtime_ns = self._stat(file)
        row = (text_to_cell(file), size_bytes, mtime_ns, digest)
        self._change(
            "INSERT INTO media VALUES (?, ?, ?, ?, '', NULL) ON CONFLICT (path) DO UPDATE SET "
            "version = CASE WHEN size_bytes = excluded.size_bytes AND mtime_ns = excluded.mtime_ns "
            "THEN version ELSE '' END, "
            "size_bytes = excluded.size_bytes, mtime_ns = excluded.mtime_ns, digest = excluded.digest",
            row,
        )

    def digest(self, file: str) -> str | None:
        """Return the hash kept for a file, None where there is none or the file has changed since."""
        cell = self._cell_of("media", "digest", file)
        return cell or None

    # Measurements and traces.

    def save_measurement(self, file: str, measurement: FileMeasurement) -> None:
        """Keep the measurement of a file of the roll, with its traces.

        Raises
        ------
        FileError
            If the file is not in the roll's folder.
        """
        size_bytes, mtime_ns = self._stat(file)
        key = text_to_cell(file)
        kept = (key, size_bytes, mtime_ns, takewell.__version__, measurement_to_json(measurement))

        def write(db: sqlite3.Connection) -> None:
            db.execute("INSERT OR REPLACE INTO measurements VALUES (?, ?, ?, ?, ?)", kept)
            db.execute("DELETE FROM traces WHERE path = ?", (key,))
            db.executemany(
                f"INSERT INTO traces VALUES (?, ?, ?, ?{', ?' * len(TRACE_COLUMNS)})",
                (
                    (key, channel, trace.rate, trace.length_samples, *trace_to_columns(trace).values())
                    for channel, trace in enumerate(measurement.traces, start=1)
                ),
            )

        self._file.write(write, None)

    def measured(self, file: str) -> bool:
        """Return whether a measurement of the file as it is now is kept."""
        return self._cell_of("measurements", "version", file) is not None

    def measurement(self, file: str) -> FileMeasurement | None:
        """Return the measurement kept for a file, traces restored; None where it must be measured (again)."""
        text = self._cell_of("measurements", "measurement", file)
        if text is None:
            return None
        rows = self._file.read("SELECT * FROM traces WHERE path = ? ORDER BY channel", (text_to_cell(file),))
        try:
            traces = tuple(
                trace_from_columns(
                    row["rate"], row["length_samples"], {name: row[name] for name in TRACE_COLUMNS}
                )
                for row in rows
            )
            measurement = replace(measurement_from_json(text, traces), file=str(self.folder / file))
        except (ValueError, TypeError, KeyError):
            return None
        return measurement if len(traces) == len(measurement.tracks) else None

    # The examination.

    def save_examination(self, examination: Examination) -> None:
        """Keep the findings and verdicts of the roll as it is now, in place of earlier ones."""

        def write(db: sqlite3.Connection) -> None:
            db.execute("DELETE FROM examinations")
            db.execute(
                "INSERT INTO examinations (of_state, unreadable, best, pairs) VALUES (?, ?, ?, ?)",
                (
                    self._state(db),
                    json.dumps(examination.unreadable),
                    json.dumps([asdict(best) for best in examination.best]),
                    pairs_to_json(examination.pairs),
                ),
            )
            for table, columns, values in (
                ("findings", _FINDING, examination.findings),
                ("verdicts", _VERDICT, examination.verdicts),
            ):
                db.execute(f"DELETE FROM {table}")
                marks = ", ".join("?" * len(columns))
                db.executemany(f"INSERT INTO {table} VALUES ({marks})", map(value_to_cells, values))

        self._file.write(write, None)

    def examination(self) -> Examination | None:
        """Return what was found, None where nothing was or where files, track labels or the program changed."""

        def read(db: sqlite3.Connection) -> Examination | None:
            row = db.execute("SELECT * FROM examinations").fetchone()
            if row is None or row["of_state"] != self._state(db):
                return None
            return Examination(
                findings=tuple(map(finding_from_cells, db.execute("SELECT * FROM findings ORDER BY rowid"))),
                verdicts=tuple(map(verdict_from_cells, db.execute("SELECT * FROM verdicts ORDER BY rowid"))),
                unreadable=tuple(json.loads(row["unreadable"])),
                best=tuple(BestTrack(**best) for best in json.loads(row["best"])),
                pairs=pairs_from_json(row["pairs"]),
            )

        return self._file.run(read, None)

    def _state(self, db: sqlite3.Connection) -> str:
        """Return a hash of what an examination rests on: media, track labels, program."""
        state = hashlib.sha256(takewell.__version__.encode())
        for row in db.execute("SELECT path, size_bytes, mtime_ns FROM media ORDER BY path"):
            state.update(repr(tuple(row)).encode())
        with contextlib.suppress(OSError):
            state.update(labels_path(self.folder).read_bytes())
        return state.hexdigest()

    # Steps of the work.

    def begin_step(self, name: str, detail: Mapping[str, Any] | None = None, *, whole: float = 0) -> int:
        """Write down that a step of the work begins, and return its number (0 where nothing is kept)."""
        row = (name, json.dumps(detail or {}), time.time(), whole)

        def write(db: sqlite3.Connection) -> int:
            columns = "name, detail, state, begun_s, whole"
            done = db.execute(f"INSERT INTO steps ({columns}) VALUES (?, ?, 'running', ?, ?)", row)
            return done.lastrowid or 0

        return self._file.write(write, 0)

    def progress_step(self, number: int, done: float, whole: float) -> None:
        """Write down how far a step is."""
        row = (done, whole, number)
        self._change("UPDATE steps SET done = ?, whole = ? WHERE id = ?", row)

    def end_step(self, number: int, sentence: str = "", *, failed: bool = False) -> None:
        """Write down how a step ended."""
        row = ("failed" if failed else "done", time.time(), sentence, number)
        self._change("UPDATE steps SET state = ?, ended_s = ?, sentence = ? WHERE id = ?", row)

    def steps(self) -> tuple[Step, ...]:
        """Return the steps in the order they were begun."""
        rows = self._file.read("SELECT * FROM steps ORDER BY id")
        return tuple(Step(**dict(row) | {"detail": json.loads(row["detail"])}) for row in rows)

    # Small things that a room wants to find again, such as how far a check-in has come.

    def keep(self, room: str, values: Mapping[str, Any]) -> None:
        """Keep JSON values of a room by key; None forgets a key."""
        rows = [(room, key, json.dumps(value)) for key, value in values.items() if value is not None]
        forgotten = [(room, key) for key, value in values.items() if value is None]

        def write(db: sqlite3.Connection) -> None:
            db.executemany("INSERT OR REPLACE INTO kept VALUES (?, ?, ?)", rows)
            db.executemany("DELETE FROM kept WHERE room = ? AND key = ?", forgotten)

        self._file.write(write, None)

    def kept(self, room: str) -> dict[str, Any]:
        """Return the values a room has kept, by key."""
        rows = self._file.read("SELECT key, value FROM kept WHERE room = ? ORDER BY key", (room,))
        return {row["key"]: json.loads(row["value"]) for row in rows}

    # The file itself.

    def _change(self, statement: str, values: Sequence[Any]) -> None:
        self._file.write(lambda db: db.execute(statement, values), None)

    def _cell_of(self, table: str, column: str, file: str) -> str | None:
        """Return a cell of a file's row, if the row speaks of the file as it is now."""
        try:
            size_bytes, mtime_ns = self._stat(file)
        except FileError:
            return None
        query = f"SELECT {column} FROM {table} WHERE path = ? AND size_bytes = ? AND mtime_ns = ?"
        values: tuple[Any, ...] = (text_to_cell(file), size_bytes, mtime_ns)
        if table == "measurements":
            query, values = f"{query} AND version = ?", (*values, takewell.__version__)
        rows = self._file.read(query, values)
        return rows[0][0] if rows else None

    def _stat(self, file: str) -> tuple[int, int]:
        try:
            status = (self.folder / file).stat()
        except OSError as error:
            raise FileError(f"{self.folder / file} cannot be read: {error.strerror or error}.") from error
        return status.st_size, status.st_mtime_ns
