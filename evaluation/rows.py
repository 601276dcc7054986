"""What does a part of the evaluation hand in, so that one run can print one page?

A part is a module of this folder that is listed in `evaluation.detectors.PARTS`. It has four names:

``TITLE``
    The heading its tables stand under, such as ``"Noises of the set"``.
``CLEAN``
    Kinds of finding that undamaged sound must not raise. Single clean tracks of every source (speech, music, ambience)
    are examined once, by the page itself, and counted for the kinds of all parts; a kind that such recordings may
    rightly have (noise, room, level) is left out.
``AIMS``
    A tuple of `Aim`: what has to be reached, told beside what was.
``jobs(salt, voices)``
    Returns an iterable of `Job` for one set: `salt` is ``"tuned"`` or ``"held apart"``, `voices` the set's sources of speech.
    Each job is a function of its module with its arguments (it runs in another process), and returns a list of
    `Planted` and `Clean`. Draw everything from ``rng_of(salt, ...)``, so that any case can be made again, and
    tune nothing on what ``"held apart"`` gives.

Everything a part does for one set has to fit in two minutes of one core: put several events, 11 s apart or more, into one
track where that serves. 299 events without a miss give a lower bound of 99 % (Clopper and Pearson, 95 %); 59 give 95 %.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from evaluation.sources import Source


@dataclass(frozen=True)
class Planted:
    """What became of one planted event."""

    kind: str
    """Kind of the finding that has to tell it."""
    severity: str
    """How hard it is, in words for the table: ``"zeros 1 ms"``, ``"speech 5 dB over"``."""
    rank: float
    """The order of the severities: the larger, the plainer. What a detector finds reliably is told from it, and aims refer to it."""
    found: bool
    timing_ms: float | None = None
    """How far the finding's start lies off, None where the kind has no start of its own or nothing was found."""
    off: float | None = None
    """How far the finding's number lies off, without a sign: rail, frequency, delay, gain ..."""
    unit: str = ""
    """What that number is, and its unit: ``"rail, dB"``."""
    way: str = ""
    """In which way it was planted; misses are listed by it."""
    family: str = ""
    """Where a kind has several manners, each with severities of its own: ``"zeros"``, ``"collapse"``."""
    asked: bool = True
    """False for events that are planted to show where a detector ends: those are printed, and count for no reliable least."""


@dataclass(frozen=True)
class Clean:
    """Undamaged sound and what was told of it all the same."""

    source: str
    hours: float
    """Hours of a track, or of a take times its tracks."""
    kinds: tuple[str, ...]
    """Kinds it was listened to for."""
    alarms: tuple[tuple[str, str, str], ...]
    """(kind, name of the recording, sentence) of each finding of those kinds."""


Row = Planted | Clean


@dataclass(frozen=True)
class Job:
    """One piece of work for one core: ``function(*arguments)`` returns rows. Both travel to another process."""

    function: Callable[..., list[Row]]
    arguments: tuple[object, ...]


@dataclass(frozen=True)
class Aim:
    """What is to be reached: of the events of `kind` whose rank is `least_rank` or more, at least `share` are found."""

    text: str
    kind: str
    least_rank: float
    share: float = 0.99
    families: tuple[str, ...] = ()
    """Which manners are meant; all where none is named."""
    most_off: float | None = None
    """Largest error of the number, where the aim names one; events found farther off count as missed."""


class Part(Protocol):
    """A module of this folder that plants damage of some kinds."""

    TITLE: str
    CLEAN: tuple[str, ...]
    AIMS: tuple[Aim, ...]

    def jobs(self, salt: str, voices: Sequence[Source]) -> Iterable[Job]:
        """Return the work of one set."""
        ...
