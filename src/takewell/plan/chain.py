"""What becomes of a level, or of a sample, on its way through the stages of a recording?

One model for both: a stage multiplies, may limit, and gives way at its limit. `Stage.drive` is what comes out
before it gives way, `Stage.output` what really comes out; both take a single amplitude or an array of samples.
The plan drives the peak of a source through it, a simulation every sample of a recording.

Conventions: an amplitude of 1.0 is the crest of a sine that reads 0 dB in the unit at hand, whatever the unit
(dB SPL, dBV, dBu, dBFS). So levels follow AES17 everywhere: the RMS and the peak of a sine read the same, and a peak
level lies (crest factor − 3.01 dB) above the RMS. Noise is A-weighted RMS at the stage's output.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from takewell.errors import SettingError
from takewell.units import amplitude, decibels

F64 = NDArray[np.float64]

Part = Literal["sound", "microphone", "transmitter", "preamplifier", "converter", "file"]
"""What a stage is; the words of the examination's stages, with the air and the radio link added."""


@dataclass(frozen=True)
class Limiter:
    """A limiter by its static curve and its times; levels on the output scale of the stage it stands in.

    `range_db` is what it takes away at most. Attack and release are time constants of one pole each.
    """

    kind: Literal["analogue", "deferred"]
    threshold_db: float
    ratio: float
    range_db: float
    attack_ms: float
    release_ms: float

    def gain_db(self, level_db: ArrayLike, rise_ms: float = math.inf) -> F64:
        """Return what the limiter adds to peaks of these levels, in dB (zero or less).

        Parameters
        ----------
        level_db : array
            Peak levels before the limiter.
        rise_ms : float
            How long the sound takes to reach its peak: by then a limiter with one pole of attack has
            done ``1 - exp(-rise / attack)`` of its work.
        """
        over = np.maximum(np.asarray(level_db, dtype=np.float64) - self.threshold_db, 0.0)
        return -self._share(rise_ms) * np.minimum(over * self._slope, self.range_db)

    def level_before(self, level_db: float, rise_ms: float = math.inf) -> float:
        """Return the peak level ahead of the limiter that leaves it at `level_db`; the inverse of the curve."""
        if level_db <= self.threshold_db:
            return level_db
        share, slope = self._share(rise_ms), self._slope
        if share * slope < 1:
            before = (level_db - share * slope * self.threshold_db) / (1 - share * slope)
            if (before - self.threshold_db) * slope <= self.range_db:
                return before
        return level_db + share * self.range_db

    @property
    def _slope(self) -> float:
        return 1 - 1 / self.ratio

    def _share(self, rise_ms: float) -> float:
        return 1.0 if self.attack_ms == 0 else -math.expm1(-rise_ms / self.attack_ms)


@dataclass(frozen=True)
class FinerConverter:
    """The second converter of a stage: more gain, in use up to `handover_db` (all on the stage's output scale)."""

    handover_db: float
    noise_db_a: float


@dataclass(frozen=True)
class Stage:
    """One stage: from the output of the one before to its own, in `unit`.

    `gain_db` turns the level before into the level behind, change of unit included. The order inside is
    gain, limiter, limit. `limit_db` is infinite where nothing gives way, as in a float file.
    """

    name: str
    part: Part
    unit: str
    gain_db: float
    limit_db: float = math.inf
    noise_db_a: float = -math.inf
    limiter: Limiter | None = None
    finer: FinerConverter | None = None
    bits: int | None = None
    """Word length where samples are rounded to whole numbers; the rounding's noise is in `noise_db_a`."""

    def drive(
        self, before: ArrayLike, *, limiter_gain_db: ArrayLike | None = None, rise_ms: float = math.inf
    ) -> F64:
        """Return amplitudes behind gain and limiter, before anything gives way.

        Parameters
        ----------
        before : array
            Amplitudes at the output of the stage before: one peak, or samples.
        limiter_gain_db : array, optional
            What the limiter does at each sample, where its times were reckoned with; the static curve if not given.
        rise_ms : float
            As for `Limiter.gain_db`.
        """
        driven = np.asarray(before, dtype=np.float64) * amplitude(self.gain_db)
        if self.limiter is None:
            return driven
        gain_db = (
            self.limiter.gain_db(decibels(driven), rise_ms) if limiter_gain_db is None else limiter_gain_db
        )
        return np.asarray(driven * amplitude(gain_db))

    def output(
        self, before: ArrayLike, *, limiter_gain_db: ArrayLike | None = None, rise_ms: float = math.inf
    ) -> F64:
        """Return amplitudes at the stage's output: as `drive`, cut off at the limit."""
        driven = self.drive(before, limiter_gain_db=limiter_gain_db, rise_ms=rise_ms)
        if math.isinf(self.limit_db):
            return driven
        rail = float(amplitude(self.limit_db))
        return np.clip(driven, -rail, rail)

    def noise_at(self, level_db: ArrayLike) -> F64:
        """Return the noise in dB A of the converter path in use while the output has these peak levels."""
        level = np.asarray(level_db, dtype=np.float64)
        if self.finer is None:
            return np.full(level.shape, self.noise_db_a)
        return np.where(level > self.finer.handover_db, self.noise_db_a, self.finer.noise_db_a)

    @property
    def quiet_noise_db_a(self) -> float:
        """Noise while nothing sounds: the finer converter's, where there are two."""
        return self.noise_db_a if self.finer is None else self.finer.noise_db_a


Chain = tuple[Stage, ...]


def outputs(chain: Sequence[Stage], before: ArrayLike, *, rise_ms: float = math.inf) -> Iterator[F64]:
    """Yield the amplitudes behind each stage, each fed with what really came out of the one before."""
    signal = np.asarray(before, dtype=np.float64)
    for stage in chain:
        signal = stage.output(signal, rise_ms=rise_ms)
        yield signal


@dataclass(frozen=True)
class Passing:
    """One source at one stage. `unclipped_*` is the level as if no stage before had given way."""

    stage: Stage
    rms_db: float
    peak_db: float
    limiter_db: float
    headroom_peak_db: float
    headroom_rms_db: float
    gives_way_at_db: float
    """Peak level of the source at the chain's entrance at which this stage gives way."""
    margin_db: float
    """`gives_way_at_db` less the source's peak: what is left, or missing, at the source."""


def carry(
    chain: Sequence[Stage], rms_db: float, peak_db: float, *, rise_ms: float = math.inf
) -> tuple[Passing, ...]:
    """Return a source's levels at every stage, in its unit.

    Parameters
    ----------
    chain : sequence of Stage
        From the sound on.
    rms_db, peak_db : float
        Levels at the chain's entrance, as AES17 counts them.
    rise_ms : float
        Time the source takes to reach its peak.

    Returns
    -------
    tuple of Passing
        Levels as if no stage gave way, so that each shows its own excess.
    """
    passed: list[Passing] = []
    rms, peak = np.asarray(amplitude(rms_db)), np.asarray(amplitude(peak_db))
    for index, stage in enumerate(chain):
        unlimited = float(decibels(peak)) + stage.gain_db
        rms, peak = stage.drive(rms), stage.drive(peak, rise_ms=rise_ms)
        rms_here, peak_here = float(decibels(rms)), float(decibels(peak))
        limit_at = level_at_entrance(chain, index, stage.limit_db, rise_ms=rise_ms)
        passed.append(
            Passing(
                stage=stage,
                rms_db=rms_here,
                peak_db=peak_here,
                limiter_db=peak_here - unlimited,
                headroom_peak_db=stage.limit_db - peak_here,
                headroom_rms_db=stage.limit_db - rms_here,
                gives_way_at_db=limit_at,
                margin_db=limit_at - peak_db,
            )
        )
    return tuple(passed)


def level_at_entrance(
    chain: Sequence[Stage], index: int, level_db: float, *, rise_ms: float = math.inf
) -> float:
    """Return the peak level at the chain's entrance that gives `level_db` behind stage `index`."""
    for stage in reversed(chain[: index + 1]):
        if stage.limiter is not None and math.isfinite(level_db):
            level_db = stage.limiter.level_before(level_db, rise_ms)
        level_db -= stage.gain_db
    return level_db


def gives_way_first(passed: Sequence[Passing]) -> Passing:
    """Return the stage that gives way first as the source grows louder: the one with the least margin."""
    return min(passed, key=lambda p: p.margin_db)


def gain_through(chain: Sequence[Stage], upto: int | None = None) -> float:
    """Return the gain from the chain's entrance to behind stage `upto` (to the end where not given), in dB, limiters at rest."""
    return sum(stage.gain_db for stage in (chain if upto is None else chain[: upto + 1]))


def with_more_gain(chain: Sequence[Stage], part: Part, gain_db: float) -> Chain:
    """Return the chain with `gain_db` more in one part.

    Raises
    ------
    SettingError
        If the chain has no such part.
    """
    if part not in {stage.part for stage in chain}:
        raise SettingError(f"the chain has no {part}.")
    return tuple(replace(s, gain_db=s.gain_db + gain_db) if s.part == part else s for s in chain)
