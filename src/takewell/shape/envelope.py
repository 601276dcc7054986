"""By how much is each sample of a track multiplied?

Conventions: positions are whole samples from the start of the track; gains are decibels, 0 where nothing
was said. A span holds one constant gain. Where two spans meet, the gain travels from the first to the
second between the start of the first one's fade-out and the end of the second one's fade-in; where a span
meets nothing it travels to or from 0 dB inside its own fade. At the very start and end of the track there
is nothing to travel from or to. The path is taken in decibels, so a join of 60 dB is as smooth at its
quiet end as at its loud one:

    raised cosine   g(u) = g0 + (g1 - g0) (1 - cos(pi u)) / 2
    dB-linear       g(u) = g0 + (g1 - g0) u

with u = (n - n0 + 1/2) / (n1 - n0) for the samples n0 <= n < n1 of the join. The factor of a sample
depends on its position alone, so any split into blocks gives the same numbers.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from takewell.errors import SettingError

JoinShape = Literal["raised_cosine", "db_linear"]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

MAX_GAIN_DB = 400.0
"""Beyond this a gain is a slip of the pen: 32-bit float itself spans about 1500 dB, sound far less."""


class GainMove(Protocol):
    """What a move must have to become gain; seconds from the start of the track."""

    @property
    def start_s(self) -> float: ...
    @property
    def end_s(self) -> float: ...
    @property
    def gain_db(self) -> float: ...
    @property
    def fade_in_s(self) -> float: ...
    @property
    def fade_out_s(self) -> float: ...


@dataclass(frozen=True)
class GainSpan:
    """One constant gain over ``[start, end)`` samples, with the fades inside it."""

    start: int
    end: int
    gain_db: float
    fade_in: int = 0
    fade_out: int = 0


@dataclass(frozen=True)
class GainEnvelope:
    """The gain of a track from its first sample to its last, as pieces that hold or travel.

    Piece k lies on ``[starts[k], starts[k + 1])``, the last one ends at `length_samples`; it holds
    ``from_db[k]`` or travels to ``to_db[k]``.
    """

    starts: tuple[int, ...]
    from_db: tuple[float, ...]
    to_db: tuple[float, ...]
    length_samples: int
    shape: JoinShape = "raised_cosine"

    @classmethod
    def constant(cls, gain_db: float, length_samples: int) -> "GainEnvelope":
        """Return one gain for the whole track."""
        return cls.from_spans([GainSpan(0, length_samples, gain_db)], length_samples)

    @classmethod
    def from_moves(
        cls, moves: Iterable[GainMove], rate: int, length_samples: int, *, shape: JoinShape = "raised_cosine"
    ) -> "GainEnvelope":
        """Return the envelope of one track's moves, each time taken to the nearest sample.

        Raises
        ------
        SettingError
            As `from_spans`.
        """

        def position(seconds: float) -> int:
            if not math.isfinite(seconds):
                raise SettingError(f"a gain move has the time {seconds}; times are seconds.")
            return min(max(math.floor(seconds * rate + 0.5), 0), length_samples)

        def span(move: GainMove) -> GainSpan:
            fades = move.fade_in_s, move.fade_out_s
            if not all(math.isfinite(fade) and fade >= 0 for fade in fades):
                raise SettingError(f"a gain move has the fades {fades}; fades are seconds, 0 or more.")
            start, end = position(move.start_s), position(move.end_s)
            fade_in, fade_out = (math.floor(fade * rate + 0.5) for fade in fades)
            return GainSpan(start, end, move.gain_db, fade_in, fade_out)

        return cls.from_spans([span(move) for move in moves], length_samples, shape=shape)

    @classmethod
    def from_spans(
        cls, spans: Iterable[GainSpan], length_samples: int, *, shape: JoinShape = "raised_cosine"
    ) -> "GainEnvelope":
        """Return the envelope of spans that do not overlap, in any order; fades too long for their span shrink.

        Raises
        ------
        SettingError
            If spans overlap, end before they start, or a gain is not a number within 400 dB.
        """
        ordered = sorted((s for s in spans if s.start != s.end), key=lambda s: s.start)
        last_end = 0
        for s in ordered:
            if s.end < s.start:
                raise SettingError(f"a gain move ends at sample {s.end}, before it starts at {s.start}.")
            if s.start < last_end:
                raise SettingError(
                    f"gain moves overlap: one starts at sample {s.start}, the one before ends at {last_end}."
                )
            if not abs(s.gain_db) <= MAX_GAIN_DB:
                raise SettingError(f"a gain of {s.gain_db} dB is not a number within {MAX_GAIN_DB:g} dB.")
            last_end = s.end
        return cls(*_pieces(ordered, length_samples), length_samples, shape)

    def factors(self, start: int, count: int) -> F64:
        """Return the linear factors of samples ``start ... start + count - 1`` of the track.

        Outside the track the nearest end's gain holds.
        """
        out = np.empty(count)
        _fill_factors(*self._arrays(), self.length_samples, self.shape == "raised_cosine", start, out)
        return out

    def factors_at(self, positions: I64) -> F64:
        """Return the linear factors of single samples, in the order of `positions`."""
        out = np.empty(len(positions))
        _fill_factors_at(*self._arrays(), self.length_samples, self.shape == "raised_cosine", positions, out)
        return out

    def constant_over(self, start: int, count: int) -> float | None:
        """Return the one factor of these samples, or None where the gain changes among them."""
        first = self._piece_at(start)
        if self._piece_at(start + max(count, 1) - 1) != first or self.from_db[first] != self.to_db[first]:
            return None
        return float(self.factors(start, 1)[0])

    def shifted(self, start: int, length_samples: int) -> "GainEnvelope":
        """Return the envelope as seen from sample `start`: what a continuation file needs.

        Factors agree with this envelope's exactly: only the counting of positions changes.
        """
        starts = tuple(at - start for at in self.starts)
        return GainEnvelope(starts, self.from_db, self.to_db, length_samples, self.shape)

    @property
    def is_unity(self) -> bool:
        """True where every gain is exactly 0 dB, so samples pass unchanged."""
        return not any(self.from_db) and not any(self.to_db)

    def _piece_at(self, position: int) -> int:
        return max(int(np.searchsorted(self.starts, position, side="right")) - 1, 0)

    def _arrays(self) -> tuple[I64, F64, F64]:
        return np.array(self.starts, np.int64), np.array(self.from_db), np.array(self.to_db)


def _pieces(
    spans: list[GainSpan], length_samples: int
) -> tuple[tuple[int, ...], tuple[float, ...], tuple[float, ...]]:
    """Return starts, gains and gains travelled to: spans, silence between them as 0 dB, and the joins."""
    filled: list[GainSpan] = []
    for s in spans:
        at = filled[-1].end if filled else 0
        if s.start > at:
            filled.append(GainSpan(at, s.start, 0.0))
        filled.append(s)
    at = filled[-1].end if filled else 0
    if at < length_samples or not filled:
        filled.append(GainSpan(at, length_samples, 0.0))

    fades = [_fades_within(s, index == 0, index == len(filled) - 1) for index, s in enumerate(filled)]
    starts, from_db, to_db = [], [], []
    for index, s in enumerate(filled):
        fade_in, fade_out = fades[index]
        starts.append(s.start + fade_in)
        from_db.append(s.gain_db)
        to_db.append(s.gain_db)
        if index + 1 < len(filled):
            following = filled[index + 1]
            if fade_out + fades[index + 1][0] and following.gain_db != s.gain_db:
                starts.append(s.end - fade_out)
                from_db.append(s.gain_db)
                to_db.append(following.gain_db)
    return tuple(starts), tuple(from_db), tuple(to_db)


def _fades_within(span: GainSpan, is_first: bool, is_last: bool) -> tuple[int, int]:
    fade_in = 0 if is_first else span.fade_in
    fade_out = 0 if is_last else span.fade_out
    length = span.end - span.start
    if fade_in + fade_out > length:
        fade_in = fade_in * length // (fade_in + fade_out)
        fade_out = min(fade_out, length - fade_in)
    return fade_in, fade_out


@njit(nogil=True, cache=True)
def _fill_factors(
    starts: I64, from_db: F64, to_db: F64, length: int, cosine: bool, first: int, out: F64
) -> None:
    count, piece, done = len(out), 0, 0
    while done < count:
        position = first + done
        while piece + 1 < len(starts) and starts[piece + 1] <= position:
            piece += 1
        stop = count
        if piece + 1 < len(starts) and starts[piece + 1] - first < count:
            stop = starts[piece + 1] - first
        g0, g1 = from_db[piece], to_db[piece]
        if g0 == g1:
            out[done:stop] = 10.0 ** (g0 / 20.0)
        else:
            n0 = starts[piece]
            n1 = starts[piece + 1] if piece + 1 < len(starts) else length
            for i in range(done, stop):
                out[i] = _travelling(g0, g1, (first + i - n0 + 0.5) / (n1 - n0), cosine)
        done = stop


@njit(nogil=True, cache=True)
def _fill_factors_at(
    starts: I64, from_db: F64, to_db: F64, length: int, cosine: bool, positions: I64, out: F64
) -> None:
    for i in range(len(out)):
        _fill_factors(starts, from_db, to_db, length, cosine, positions[i], out[i : i + 1])


@njit(nogil=True, cache=True)
def _travelling(g0: float, g1: float, u: float, cosine: bool) -> float:
    if cosine:
        u = 0.5 - 0.5 * math.cos(math.pi * u)
    return float(10.0 ** ((g0 + (g1 - g0) * u) / 20.0))
