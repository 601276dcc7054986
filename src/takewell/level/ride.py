"""How does a gain follow speech that slowly grows louder or softer?

One ride is one way of the gain from one value to another over the whole of a long passage, along the curve of the
joins: in ``moves.csv`` two lines that meet in the middle, whose fades reach to the passage's ends. What it follows is
the straight line that the change-point search found. Over the whole passage the raised cosine

    c(u) = (1 - cos(pi u)) / 2,  0 <= u <= 1

lies nearest to the line u (least squares) when it is taken 8 / pi^2 = 0.81 of the line's height; it is then never
further off than 0.095 of that height, and in its middle pi/2 times 0.81 = 4/pi as steep as the line.

Conventions: LU and decibels, rising positive; seconds of the take.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from takewell.level.settings import LevelSettings
from takewell.roll.values import Move
from takewell.shape import GainEnvelope, JoinShape

F64 = NDArray[np.float64]
Gains = Callable[[F64], F64]
"""Decibels at each of some moments."""

LEAST_RIDE_LU = 3.0
"""Speech that changes by less in all is steady: one gain is off by no more than half of it (our choice, about what a
listener notices between sentences)."""

_HEIGHT = {"raised_cosine": 8 / math.pi**2, "db_linear": 1.0}
_STEEPER = {"raised_cosine": math.pi / 2, "db_linear": 1.0}


def steepest_line(settings: LevelSettings) -> float:
    """Return the steepest line of speech (LU a second) that a gain can follow at the rate allowed."""
    return settings.ride_db_per_s / _STEEPER[settings.joins] / _HEIGHT[settings.joins]


def farthest(seconds: float, settings: LevelSettings) -> float:
    """Return the most a gain may travel in that time, dB; room is left for the joins at both ends."""
    path_s = max(seconds - 2 * settings.longest_fade_s, 0.0)
    return settings.ride_db_per_s * path_s / _STEEPER[settings.joins]


def ridden(slope: float, seconds: float, settings: LevelSettings) -> float:
    """Return by how much the speech of a passage changes along the gain's curve, 0 where a ride is not worth it."""
    most = farthest(seconds, settings)
    travel = min(max(slope * seconds * _HEIGHT[settings.joins], -most), most)
    return travel if abs(travel) >= LEAST_RIDE_LU else 0.0


def way(start_s: float, end_s: float, from_db: float, to_db: float, shape: JoinShape) -> Gains:
    """Return the gains of a ride from one moment to another."""

    def gains(at_s: F64) -> F64:
        u = np.clip((at_s - start_s) / max(end_s - start_s, 1e-9), 0.0, 1.0)
        along = (1 - np.cos(np.pi * u)) / 2 if shape == "raised_cosine" else u
        return np.asarray(from_db + (to_db - from_db) * along)

    return gains


def gains_of(move: Move, others: Sequence[Move], rate: int, length: int, shape: JoinShape) -> Gains:
    """Return the gains inside a move, with the way from the line it meets before and to the one after.

    Parameters
    ----------
    move : Move
    others : sequence of Move
        Any lines; those of its track that meet it count.
    rate, length : int
        Of the track.
    shape : {"raised_cosine", "db_linear"}
    """
    mine = [m for m in others if (m.take, m.track) == (move.take, move.track)]
    beside = [
        next((m for m in mine if abs(m.end_s - move.start_s) < 0.5 / rate), None),
        next((m for m in mine if abs(m.start_s - move.end_s) < 0.5 / rate), None),
    ]
    envelope = GainEnvelope.from_moves(
        [move, *(m for m in beside if m is not None)], rate, length, shape=shape
    )

    def gains(at_s: F64) -> F64:
        positions = np.clip(np.round(at_s * rate), move.start_s * rate, max(move.end_s * rate - 1, 0))
        return np.asarray(20 * np.log10(envelope.factors_at(positions.astype(np.int64))))

    return gains
