"""One row of the check sheet: what a document says, and what we read."""

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Check:
    """One published figure.

    `low` and `high` are the tolerance under and over `expected` (both positive; infinite where the document sets no
    limit on that side). `expected` None means that there must be no value. `ours` computes the reading.
    """

    chapter: str
    case: str
    source: str
    expected: float | None
    low: float
    high: float
    unit: str
    ours: Callable[[], float | None]
    decimals: int = 2

    @property
    def name(self) -> str:
        """The row's name in a test report."""
        return f"{self.chapter}: {self.case}"


def share_left(check: Check, reading: float | None) -> float | None:
    """Return the share of the tolerance that is left: 1 for exact, negative for outside; None where none applies."""
    if check.expected is None or reading is None:
        return None if check.expected is None and reading is None else -math.inf
    off = reading - check.expected
    allowed = check.high if off > 0 else check.low
    if off == 0 or math.isinf(allowed):
        return 1.0
    return 1 - abs(off) / allowed if allowed else -math.inf


def within(*, plus_minus: float) -> dict[str, float]:
    """Return a tolerance that is the same both ways."""
    return {"low": plus_minus, "high": plus_minus}


def worst(readings: list[float], expected: list[float]) -> float:
    """Return, as an offset, the reading that lies furthest from what is expected of it."""
    offsets = [ours - wanted for ours, wanted in zip(readings, expected, strict=True)]
    return max(offsets, key=abs)
