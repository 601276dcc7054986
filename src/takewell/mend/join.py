"""How is one hurt place bridged: laid from where, at which gain, faded where?

The twin is lined up in the loudest half second near the place on both sides, where both are whole, by least
squares; the gain is followed through the place wherever enough samples are whole. The fades lie at the quietest
moment within reach, where what differs is least.

Conventions: positions are samples of the track's take.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from takewell.mend.alignment import ONE_CLOCK, fit
from takewell.mend.damage import Places, overlapping
from takewell.mend.laid import Laid, Points, value_at
from takewell.mend.sound import Clock, Sound
from takewell.mend.values import Fit, Join
from takewell.units import amplitude, decibels, power_decibels

F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

WINDOW_S = 0.5
"""Stretch in which the twin is lined up."""

HOP_S = 0.25
LOOK_S = 12.0
"""How far from a place the twin is lined up."""

LOUD_SHARE = 0.1
"""A stretch within 10 dB of the loudest within reach is loud; the nearest such is taken."""

TRIES = 3
"""Loud stretches tried on a side."""

WHOLE_SHARE = 0.5
"""Least share of whole samples in such a stretch."""

FITS_DB = -20.0
"""What may be left of the track after the twin is taken away, where both are whole; else it is no twin there."""

JUMP_SAMPLES = 0.5
"""Delays on both sides that differ by more than this (and what the clocks' drift explains) mean lost or doubled samples."""

DRIFT_PPM = 150.0
"""Most by which two clocks drift apart around what the pair says; two free-running crystals of ±50 ppm each and some."""

GAIN_S = 0.25
"""Stretch in which the gain is followed through a place."""

STEADY_DB = 0.1
"""Gains within this of each other are one."""

QUIET_S = 0.3
"""How far from a place a quiet moment for the fade is looked for."""

FADE_S = 0.01
LEAST_FADE_S = 0.001
CELL_S = 0.0025
"""Cells in which track and twin are compared."""

DIFFERS = 4.0
"""A cell is hurt whose rest stands this many times above what is left where both are whole ..."""

DIFFERS_DB = -26.0
"""... and above this against the sound itself."""

BLOCK = 1 << 17


class Unfit(Exception):
    """Why a place cannot be bridged, as the end of a sentence."""


@dataclass(frozen=True)
class Bench:
    """A track and a twin side by side, with what is known to be hurt on either."""

    track: Sound
    twin: Sound
    clock: Clock
    hurt: Places
    twin_hurt: Places
    """In the track's positions."""
    moved: tuple[int, ...] = ()
    """Where the examination saw the gain between the two moved."""
    fits: dict[int, Fit | None] = field(default_factory=dict)
    """Found so far, by the start of the stretch; places near each other share them."""


def lay(bench: Bench, start: int, stop: int) -> tuple[Laid, float]:
    """Return the twin laid over a stretch of the track, and what is left in dB where both are whole.

    Raises
    ------
    Unfit
        If there is too little sound in common beside the stretch, or time jumps across it.
    """
    sides = [
        side for side in (_fit_beside(bench, start, -1), _fit_beside(bench, stop, 1)) if side is not None
    ]
    if not sides:
        raise Unfit("too little sound in common around it to line them up")
    if len(sides) == 2:
        apart = sides[1].at_samples - sides[0].at_samples
        allowed = JUMP_SAMPLES + (DRIFT_PPM * 1e-6 * apart if bench.clock.step != 1 else 0.0)
        if abs(sides[1].delay_samples - sides[0].delay_samples) > allowed:
            jump = sides[1].delay_samples - sides[0].delay_samples
            raise Unfit(f"time jumps by {jump:+.1f} samples against it across the place")
    delays: Points = tuple((float(s.at_samples), s.delay_samples) for s in sides)
    if bench.clock.step == 1 and all(abs(d - round(d)) <= ONE_CLOCK for _, d in delays):
        delays = tuple((at, float(round(d))) for at, d in delays)
    gains: Points = tuple((float(s.at_samples), s.gain_db) for s in sides)
    laid = Laid(bench.twin, bench.clock, delays, gains)
    return replace(laid, gains_db=_gains(bench, laid, start, stop)), max(s.left_db for s in sides)


def differing(bench: Bench, laid: Laid, start: int, stop: int, left_db: float) -> list[Places]:
    """Return the cells of a stretch in which the track differs from the twin laid over it."""
    cell = max(8, round(CELL_S * bench.track.rate))
    found = []
    typical = _rest_beside(bench, laid, start, stop)
    for first in range(start, stop, BLOCK // cell * cell):
        last = min(first + BLOCK // cell * cell, stop)
        cells = (last - first) // cell
        if not cells:
            break
        a, b = (read(first, cells * cell).reshape(cells, cell) for read in (bench.track.clean, laid.read))
        rest, sound = np.sqrt(np.mean((a - b) ** 2, axis=1)), np.sqrt(np.mean(b**2, axis=1))
        marked = (rest > DIFFERS * typical) & (rest > amplitude(max(DIFFERS_DB, left_db + 12)) * sound)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
        found.append(first + cell * edges.reshape(-1, 2).astype(np.int64))
    return [places for places in found if len(places)]


def join(bench: Bench, place: tuple[int, int], kinds: tuple[str, ...]) -> Join:
    """Return how one hurt place is bridged.

    Raises
    ------
    Unfit
        As `lay`, or if the twin is hurt there or does not reach so far.
    """
    start, stop = place
    laid, left_db = lay(bench, start, stop)
    reach = [bench.clock.step * at + float(value_at(laid.delays, at)) for at in place]
    if reach[0] < 0 or reach[1] > bench.twin.length_samples:
        raise Unfit("its recording does not reach so far")
    rate = bench.track.rate
    length = bench.track.length_samples
    before, after = _neighbours(bench.hurt, start, stop, length)
    begin, fade_in = _quiet(laid, rate, (before + start) // 2 if before else 0, start, rising=True)
    end, fade_out = _quiet(
        laid, rate, stop, (after + stop + 1) // 2 if after < length else length, rising=False
    )
    if overlapping(bench.twin_hurt, begin, end):
        raise Unfit("it is hurt at the same moment")
    peak = 0.0
    for first in range(begin, end, BLOCK):
        peak = max(peak, float(np.abs(laid.read(first, min(BLOCK, end - first))).max(initial=0.0)))
    return Join(begin, end, fade_in, fade_out, kinds, stop - start, laid.delays, laid.gains_db, left_db, peak)


def _fit_beside(bench: Bench, edge: int, side: int) -> Fit | None:
    """Return the fit of the nearest loud stretch within reach before (-1) or behind (+1) a position."""
    rate, length = bench.track.rate, bench.track.length_samples
    size, hop = round(WINDOW_S * rate), round(HOP_S * rate)
    for look_s in (LOOK_S / 4, LOOK_S):
        look = round(look_s * rate)
        low, high = (max(edge - look, 0), edge) if side < 0 else (edge, min(edge + look, length))
        # On a grid of the take, so that places near each other ask for the same stretches.
        starts = range(-(-low // hop) * hop, high - size + 1, hop)
        if not len(starts):
            continue
        track, usable = bench.track.clean(low, high - low), _whole(bench, low, high)
        heard = [
            (at, _energy(track[at - low : at - low + size], usable[at - low : at - low + size]))
            for at in starts
        ]
        loudest = max(energy for _, energy in heard)
        loud = [at for at, energy in heard if energy > 0 and energy >= LOUD_SHARE * loudest]
        for at in (loud[::-1] if side < 0 else loud)[:TRIES]:
            found = _fit_at(bench, at, size)
            if found is not None:
                return found
    return None


def _energy(samples: F64, usable: Bools) -> float:
    """Return the mean square of what is usable, 0 where too little is."""
    if np.count_nonzero(usable) < WHOLE_SHARE * len(samples):
        return 0.0
    return float(np.mean(samples[usable] ** 2))


def _fit_at(bench: Bench, at: int, size: int) -> Fit | None:
    if at not in bench.fits:
        clock = bench.clock
        usable = _whole(bench, at, at + size)
        found = fit(bench.track.clean(at, size), bench.twin.clean, at, clock.delay, clock.step, usable)
        bench.fits[at] = found if found is not None and found.left_db <= FITS_DB else None
    return bench.fits[at]


def _whole(bench: Bench, low: int, high: int) -> Bools:
    """Return which samples of a stretch are whole on both."""
    usable = np.ones(high - low, bool)
    for places in (bench.hurt, bench.twin_hurt):
        first, last = np.searchsorted(places[:, 1], low, "right"), np.searchsorted(places[:, 0], high)
        for start, stop in places[first:last].tolist():
            usable[max(start - low, 0) : max(stop - low, 0)] = False
    return usable


def _gains(bench: Bench, laid: Laid, start: int, stop: int) -> Points:
    """Return the gain at both sides and, where enough is whole, through a stretch."""
    sides = list(laid.gains_db)
    inside = _gains_inside(bench, laid, start, stop)
    every = sorted([*sides, *inside])
    values = np.array([gain for _, gain in every])
    if values.max() - values.min() <= STEADY_DB:
        return ((every[0][0], float(decibels(np.mean(amplitude(values))))),)
    points = list(every)
    for moved in bench.moved:
        before = [gain for at, gain in every if at < moved]
        after = [gain for at, gain in every if at >= moved]
        if before and after:
            points += [(moved - 0.5, before[-1]), (moved + 0.5, after[0])]
    return tuple(sorted(points))


def _gains_inside(bench: Bench, laid: Laid, start: int, stop: int) -> list[tuple[float, float]]:
    size = round(GAIN_S * bench.track.rate)
    found = []
    for first in range(start, stop - size + 1, size):
        whole = _whole(bench, first, first + size)
        if np.count_nonzero(whole) < WHOLE_SHARE * size:
            continue
        a, b = bench.track.clean(first, size)[whole], laid.read(first, size)[whole]
        bb, aa = float(np.dot(b, b)), float(np.dot(a, a))
        if bb <= 0 or aa <= 0:
            continue
        gain = float(np.dot(a, b)) / bb
        rest = aa - gain * gain * bb
        if gain > 0 and float(power_decibels(max(rest, 0) / aa)) <= FITS_DB:
            at = first + size / 2
            found.append((at, float(value_at(laid.gains_db, at)) + float(decibels(gain))))
    return found


def _rest_beside(bench: Bench, laid: Laid, start: int, stop: int) -> float:
    """Return the RMS of what is left between track and twin beside a stretch, where both are whole."""
    size = round(WINDOW_S * bench.track.rate)
    rests = []
    for low in (start - 2 * size, start - size, stop, stop + size):
        if low < 0 or low + size > bench.track.length_samples:
            continue
        whole = _whole(bench, low, low + size)
        if np.count_nonzero(whole) >= WHOLE_SHARE * size:
            rest = (bench.track.clean(low, size) - laid.read(low, size))[whole]
            rests.append(float(np.sqrt(np.mean(rest**2))))
    return max(rests, default=0.0)


def _neighbours(hurt: Places, start: int, stop: int, length: int) -> tuple[int, int]:
    """Return where the hurt place before ends and the one after begins; 0 and the length where there is none."""
    before = hurt[hurt[:, 1] <= start, 1]
    after = hurt[hurt[:, 0] >= stop, 0]
    return (int(before.max()) if len(before) else 0), (int(after.min()) if len(after) else length)


def _quiet(laid: Laid, rate: int, low: int, high: int, *, rising: bool) -> tuple[int, int]:
    """Return the outer end of a fade at the quietest moment between low and high, and the fade's length.

    `rising`: the fade ends at `high` or before; else it begins at `low` or behind.
    """
    reach, fade = round(QUIET_S * rate), round(FADE_S * rate)
    low, high = (max(low, high - reach), high) if rising else (low, min(high, low + reach))
    room = high - low
    if room < round(LEAST_FADE_S * rate):
        return (high, 0) if rising else (low, 0)
    fade = min(fade, room)
    power = np.concatenate(([0.0], np.cumsum(laid.read(low, room) ** 2)))
    quietest = low + int(np.argmin(power[fade:] - power[:-fade]))
    return (quietest, fade) if rising else (quietest + fade, fade)


def weight(join: Join, start: int, count: int) -> F64:
    """Return the twin's share (0 to 1, raised cosines) over samples of the track."""
    at: F64 = np.arange(start, start + count, dtype=np.float64) + 0.5
    rise = _share(np.asarray((at - join.start_samples) / max(join.fade_in_samples, 1e-9), np.float64))
    fall = _share(np.asarray((join.end_samples - at) / max(join.fade_out_samples, 1e-9), np.float64))
    return np.asarray(np.minimum(rise, fall))


def _share(along: F64) -> F64:
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(along, 0.0, 1.0)))
