"""What a check-in reports: files, copies, cards, destinations, and how far it has come.

Conventions: paths are relative to the card and to the roll's folder, with "/"; a name that is no valid text
shows its odd bytes as ``\\xNN``. Sizes are bytes. Everything is plain, so that ``dataclasses.asdict`` gives JSON.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

CopyState = Literal["copied", "identical", "refused", "failed", "planned"]
Action = Literal["copy", "compare", "resume", "mirror", "refuse"]


@dataclass(frozen=True)
class Copy:
    """One file at one destination.

    ``copied`` and ``identical`` (it was there already) are verified: read back from the medium and equal to the card.
    ``refused`` left everything as it was; ``failed`` was tried and left nothing behind.
    """

    destination: str
    state: CopyState
    sentence: str = ""
    """What is the matter, for a person; empty where all is well."""

    @property
    def verified(self) -> bool:
        """Whether this copy was read back and is what the card holds."""
        return self.state in ("copied", "identical")


@dataclass(frozen=True)
class CheckedInFile:
    """One file of one card."""

    card: str
    path: str
    size_bytes: int
    hashes: Mapping[str, str]
    """Format -> digest of what the card holds; empty where it was not read to its end."""
    copies: tuple[Copy, ...]
    note: str = ""
    """What else there is to know, such as the other slot that holds the same file."""


@dataclass(frozen=True)
class LeftOut:
    """Something on a card that is not copied, and why."""

    card: str
    path: str
    reason: str
    matters: bool
    """Whether erasing the card would lose it: False for what operating systems leave behind."""


@dataclass(frozen=True)
class UnreadableSound:
    """A sound file that is copied and verified but could not be measured."""

    path: str
    sentence: str


@dataclass(frozen=True)
class CardReport:
    """One card, and whether it may be erased."""

    folder: str
    files: int
    size_bytes: int
    safe_to_erase: bool
    sentence: str


@dataclass(frozen=True)
class DestinationReport:
    """One destination: the roll's folder, what reached it, and its new manifest."""

    folder: str
    disks: tuple[str, ...]
    copied_files: int
    identical_files: int
    copied_bytes: int
    manifest: str | None


@dataclass(frozen=True)
class PlannedStep:
    """One line of the plan: what shall happen with a file of a card at a destination."""

    card: str
    path: str
    size_bytes: int
    destination: str
    action: Action
    sentence: str


@dataclass(frozen=True)
class CheckinReport:
    """Everything a check-in has to say."""

    cards: tuple[CardReport, ...]
    destinations: tuple[DestinationReport, ...]
    files: tuple[CheckedInFile, ...]
    left_out: tuple[LeftOut, ...]
    unreadable_sound: tuple[UnreadableSound, ...]
    measured_files: int
    problems: tuple[str, ...]
    """One sentence for everything that was asked for and not done."""
    notes: tuple[str, ...]
    """One sentence for everything worth knowing that is no failure of the copying."""
    complete: bool
    """Whether every file of every card lies verified at every destination."""
    safe_to_erase: bool
    """Whether every card may be erased."""
    sentence: str
    dry_run: bool = False
    plan: tuple[PlannedStep, ...] = field(default=(), repr=False)
    seconds: float = 0.0


@dataclass(frozen=True)
class CheckinProgress:
    """How far a check-in has come; `done_bytes` and `total_bytes` count reading the cards and reading the copies back."""

    done_bytes: int
    total_bytes: int
    read_bytes: int
    """Read from the cards."""
    rate_bytes_per_s: float
    """Of reading the cards, over the last seconds."""
    seconds_left: float | None
    """None until there is a rate to tell it from."""
    file: str
    """What is at hand: a path, or a word for what happens at the end."""


ProgressReport = Callable[[CheckinProgress], None]
