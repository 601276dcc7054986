"""Does the line-up tone hold what its note says?

The stated level and frequency are read from the take's note ("1 kHz at -20 dBFS"). A tone is held against them
within ±0.5 dB and ±1 % (ours: wider than any recorder's scale error, closer than an ear).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.handover.specs import Check
from takewell.measure.steady_tone import steady_tone
from takewell.roll.values import Take

LEVEL_TOLERANCE_DB = 0.5
FREQUENCY_TOLERANCE = 0.01
PURE_DB = -20.0
"""A residual above this is no line-up tone."""

_LEVEL = re.compile(r"([-+−–]?\s*\d+(?:[.,]\d+)?)\s*dB\s*FS", re.IGNORECASE)
_FREQUENCY = re.compile(r"(\d+(?:[.,]\d+)?)\s*(k?)Hz", re.IGNORECASE)


@dataclass(frozen=True)
class StatedTone:
    """What a note says of a tone; None where it says nothing."""

    level_dbfs: float | None
    frequency_hz: float | None


def stated_tone(note: str) -> StatedTone:
    """Return the level and frequency a note states."""
    level, frequency = _LEVEL.search(note), _FREQUENCY.search(note)
    return StatedTone(
        None
        if level is None
        else float(re.sub(r"\s", "", level[1]).replace("−", "-").replace("–", "-").replace(",", ".")),
        None if frequency is None else float(frequency[1].replace(",", ".")) * (1000 if frequency[2] else 1),
    )


def line_up_checks(take: Take, excerpts: Mapping[int, NDArray[np.floating]]) -> tuple[Check, ...]:
    """Return one check per track of a tone take that carries a tone.

    Parameters
    ----------
    take : Take
        Of kind ``tone``; its note states the level.
    excerpts : mapping of track number to (n,) float array
        A second or two from the middle of each track.
    """
    stated = stated_tone(take.note)
    if stated.level_dbfs is None:
        return (Check(f"line-up tone {take.id}", "a stated level", "its note states none", False),)
    checks = []
    for track in take.tracks:
        tone = steady_tone(excerpts[track.number], take.rate) if track.number in excerpts else None
        if tone is None or tone.residual_db > PURE_DB:
            continue
        right = abs(tone.level_dbfs - stated.level_dbfs) <= LEVEL_TOLERANCE_DB
        required, found = (
            f"{stated.level_dbfs:g} dBFS",
            f"{tone.level_dbfs:.2f} dBFS at {tone.frequency_hz:.1f} Hz",
        )
        if stated.frequency_hz is not None:
            right &= abs(tone.frequency_hz / stated.frequency_hz - 1) <= FREQUENCY_TOLERANCE
            required += f" at {stated.frequency_hz:g} Hz"
        name = track.name or f"track {track.number}"
        checks.append(
            Check(
                f"line-up tone {take.id}, {name}", required.replace("-", "−"), found.replace("-", "−"), right
            )
        )
    return tuple(checks) or (
        Check(
            f"line-up tone {take.id}",
            f"{stated.level_dbfs:g} dBFS".replace("-", "−"),
            "no tone on any track",
            False,
        ),
    )
