"""What is at hand of the rolls that are being looked at, so that a page costs a query and not a measurement?

Conventions: everything is read from the roll's folder when it changed since (sizes and times of the text files and
the logbook), and may be forgotten at any time. Nothing is measured here: what was not measured yet is said so.
"""

import itertools
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TypeVar

from takewell.desk import Levels, levels
from takewell.errors import FileError, TakewellError
from takewell.handover.over_take import over_take
from takewell.handover.sheet import MeasuredTrack, SheetTake, take_sheet
from takewell.level.forecast import Forecast
from takewell.page.places import Places
from takewell.plan import DayPlan, parse_day, plan_day
from takewell.roll import (
    Examination,
    Finding,
    Logbook,
    MeasuredTake,
    Move,
    Roll,
    Take,
    Verdict,
    is_roll,
    measured_take,
    read_moves,
    read_roll,
)
from takewell.roll.moves import PROPOSED

TARGET_LUFS = -23.0
"""Where dialogue should lie (EBU R 128), unless a hand-over says otherwise."""

MOST_PLANS = 4

T = TypeVar("T")
OfTake = TypeVar("OfTake", Verdict, Finding, Move)


class Kept:
    """The last few of something, each made once even when several ask at the same time."""

    def __init__(self, most: int, let_go: Callable[[object], None] | None = None) -> None:
        self._most = most
        self._let_go = let_go
        self._lock = threading.RLock()
        self._values: OrderedDict[Hashable, object] = OrderedDict()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what is kept under a key, making it first where there is nothing."""
        with self._lock:
            if key not in self._values:
                self._values[key] = make()
                while len(self._values) > self._most:
                    _, old = self._values.popitem(last=False)
                    if self._let_go is not None:
                        self._let_go(old)
            self._values.move_to_end(key)
            return self._values[key]  # type: ignore[return-value]


@dataclass(frozen=True)
class OpenRoll:
    """A roll as it stands now."""

    roll: Roll
    examination: Examination | None
    moves: tuple[Move, ...]
    proposed: tuple[Move, ...]
    copies_sentence: str
    serial: int
    """Grows with every reading of any roll."""
    moves_sentence: str
    """What is wrong with ``moves.csv``; empty where it can be read."""

    @cached_property
    def verdicts_of(self) -> dict[str, list[Verdict]]:
        """The verdicts by take."""
        return _by_take(self.examination.verdicts if self.examination else ())

    @cached_property
    def findings_of(self) -> dict[str, list[Finding]]:
        """The findings by take, worst first."""
        return _by_take(self.examination.findings if self.examination else ())

    @cached_property
    def moves_of(self) -> dict[str, list[Move]]:
        """The moves by take."""
        return _by_take(self.moves)

    @cached_property
    def rows(self) -> list[tuple[Take, SheetTake]]:
        """Every take as a row of the day sheet, without pictures."""
        return [(take, sheet(self, take, None)) for take in self.roll.takes]


@dataclass(frozen=True)
class OpenTake:
    """A measured take with what is drawn of it."""

    take: Take
    measured: MeasuredTake
    tracks: dict[int, MeasuredTrack]
    levels: dict[int, Levels]


class Shelf:
    """Rolls and takes at hand."""

    def __init__(self, places: Places) -> None:
        self.places = places
        self._rolls = Kept(4)
        self._takes = Kept(3)
        self._forecasts = Kept(2, lambda forecast: forecast.close())  # type: ignore[attr-defined]
        self._strips = Kept(4000)
        self._serials = itertools.count()
        self._plans: OrderedDict[Path, DayPlan] = OrderedDict()

    def roll(self, folder: Path) -> OpenRoll:
        """Return a roll as it stands now.

        Raises
        ------
        FileError, SettingError
            As `read_roll`; also if the folder was never made a roll (nothing is written to a card by looking
            at it), or a link in it leads out of the allowed folders.
        """
        if not is_roll(folder):
            raise FileError(f"{folder} is no roll; open it on the start page, or check it in.")
        return self._rolls.get((folder, _state(folder)), lambda: self._read(folder))

    def _read(self, folder: Path) -> OpenRoll:
        roll = read_roll(folder)
        self.places.check_media(roll)
        with Logbook(folder) as logbook:
            examination = logbook.examination()
            copies = str(logbook.kept("checkin").get("sentence", ""))
        try:
            moves, proposed, wrong = read_moves(folder), read_moves(folder, PROPOSED), ""
        except TakewellError as error:
            moves, proposed, wrong = (), (), str(error)
        return OpenRoll(roll, examination, moves, proposed, copies, next(self._serials), wrong)

    def plan(self, path: Path, text: str) -> DayPlan:
        """Return the plan of a day's text; what stayed as it was since the last one is not reckoned again.

        Raises
        ------
        FileError, SettingError
            As `parse_day`; also if a profile lies outside the allowed folders.
        """
        plan = plan_day(parse_day(text, path, allowed=self.places.allowed), self._plans.get(path))
        self._plans[path] = plan
        while len(self._plans) > MOST_PLANS:
            self._plans.popitem(last=False)
        return plan

    def take(self, opened: OpenRoll, take: Take) -> OpenTake | None:
        """Return a take with its traces, None where it was not measured yet."""
        if not self.measured(opened, take):
            return None
        return self._takes.get(_take_key(opened.roll, take), lambda: _opened(opened.roll, take))

    def measured(self, opened: OpenRoll, take: Take) -> bool:
        """Return whether the logbook has every file of a take."""
        with Logbook(opened.roll.folder) as logbook:
            return all(logbook.measured(file.path) for file in take.files)

    def forecast(self, opened: OpenRoll, take: OpenTake) -> Forecast:
        """Return what can foretell the take's moves."""
        key = _take_key(opened.roll, take.take)
        return self._forecasts.get(key, lambda: Forecast(opened.roll, take.measured))

    def strips(self, opened: OpenRoll, take: Take, make: Callable[[], T]) -> T:
        """Return the strips of a take, drawn once as long as nothing in the roll changed."""
        return self._strips.get(
            (_take_key(opened.roll, take), opened.examination is not None, opened.serial), make
        )


def sheet(opened: OpenRoll, take: Take, measured: OpenTake | None) -> SheetTake:
    """Return a take in words and figures; with pictures where it is measured."""
    return take_sheet(
        take,
        measured.tracks if measured else {},
        opened.verdicts_of.get(take.id, []),
        opened.findings_of.get(take.id, []),
        opened.moves_of.get(take.id, []),
        target_lufs=TARGET_LUFS,
    )


def _by_take(values: Sequence[OfTake]) -> dict[str, list[OfTake]]:
    found: dict[str, list[OfTake]] = {}
    for value in values:
        found.setdefault(value.take, []).append(value)
    return found


def _opened(roll: Roll, take: Take) -> OpenTake:
    measured = measured_take(roll, take)
    tracks = {track.number: over_take(measured, track.number) for track in take.tracks}
    drawn = {
        number: levels(track.trace, [passage.start_s for passage in track.numbers.passages[1:]])
        for number, track in tracks.items()
    }
    return OpenTake(take, measured, tracks, drawn)


def _take_key(roll: Roll, take: Take) -> Hashable:
    return (roll.folder, take)


def _state(folder: Path) -> Hashable:
    """Return what tells whether anything in a roll's folder changed, without reading it."""
    own = folder / "takewell"
    names = (
        "moves.csv",
        "moves-proposed.csv",
        "notes.csv",
        "tracks.csv",
        "logbook.sqlite",
        "logbook.sqlite-wal",
    )
    return tuple(_stamp(path) for path in (folder, *(own / name for name in names)))


def _stamp(path: Path) -> tuple[int, int]:
    try:
        status = path.stat()
    except OSError:
        return 0, 0
    # An empty write-ahead log comes and goes with every reader.
    return (status.st_mtime_ns, status.st_size) if status.st_size else (0, 0)
