"""One passage with its gain, and the figures that led to it.

Conventions: times in seconds of the take, gains in decibels.
"""

import math
from dataclasses import dataclass, field
from typing import Literal

from takewell.level.passages import Passage
from takewell.roll.values import Move

Kind = Literal["speech", "ride", "peaks", "silence", "fixed"]
Limit = Literal["floor", "rise", "peaks", "jump"]


@dataclass(frozen=True)
class Decision:
    """One passage with its gain, and the figures that led to it.

    A ride is two decisions of kind ``ride``, one for each half of its passage: the gain travels from the first one's to the
    second one's all the way. `limit` names what kept the gain from what was wanted (`held_db` = gain - wanted), None where nothing did.
    """

    start_s: float
    end_s: float
    kind: Kind
    passage: Passage
    wanted_db: float
    gain_db: float
    most_db: float = math.inf
    most_by: Limit | None = None
    limit: Limit | None = None
    drama_lu: float = 0.0
    shouted: bool = False
    pause: tuple[float, float] = (0.0, 0.0)
    move: Move | None = field(default=None, compare=False)
    """The person's line, where `kind` is ``fixed``."""

    @property
    def held_db(self) -> float:
        """How far the gain lies from what was wanted."""
        return self.gain_db - self.wanted_db

    def rides_with(self, other: "Decision") -> bool:
        """Return whether this and the next decision are the two halves of one ride."""
        return self.kind == other.kind == "ride" and self.passage.start_s == other.passage.start_s

    @property
    def floor_after(self) -> float | None:
        """A-weighted floor after gain in dBFS."""
        floor = self.passage.setting.floor_dbfs_a
        return None if floor is None else floor + self.gain_db
