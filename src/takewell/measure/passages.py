"""Where was the gain of the recorder moved?

Moving a gain moves everything by the same number of decibels, from one moment to the next: what is loud and what is
left when nothing is. A talker moves only the one, a fan that is switched on only the other. So a place counts
when, between the stretches on both sides of it, the level and the floor step together.

Method (ours), on K-weighted levels (no offset and no rumble in them):

1. Candidates: places where the lowest 100 ms of the 3 s before and of the 3 s after differ by 4 dB or more. Between the
   last quiet moment before and the first after, the place is still open.
2. Stretches of some seconds on both sides are compared: floor = 8th percentile, level = 97th percentile of
   their 100 ms levels. Together means: both step by 4.5 dB or more in the same direction, by the same amount within 6 dB
   or a quarter of it. The floor must be one: a fair share of the stretch rests within 2 dB of it. Its colour
   (A-weighted and unweighted against K-weighted level) must be the same on both sides, unless it stepped by less than
   the level: then a floor of the recorder's own lies under the lower side. A candidate that fits at no length falls out.
3. The others divide the track; now each is compared over the whole stretches to its neighbours (up to 30 s),
   and the least fitting is dropped and its two stretches become one, until all fit.
4. The place itself is where three things together are likeliest: each moment before it has a level that is
   common before, each behind it one that is common behind (the levels of both sides, brought to one setting, say which
   are); the level steps there by just the gain; and the wave has a kink there that stands out from the bends before and behind.

In a pause, or where the wave was cut over in full swing, that is right to 10 ms; a move that falls between two sounds of a
word may be put to the other side of one of them.

Digital silence belongs to no setting and is passed over.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

FINE_PER_STEP = FINE_STEPS_PER_SECOND // STEPS_PER_SECOND

NEAR_STEPS = 3 * STEPS_PER_SECOND
FAR_STEPS = 30 * STEPS_PER_SECOND
LEAST_STEPS = 12
"""Steps of 100 ms on each side: a shorter stretch is no setting of its own."""

GUARD_STEPS = 1
"""Steps beside a place that are in neither stretch."""

CANDIDATE_DB = 4.0
LEAST_RISE_DB, SAME_PART = 3.5, 0.6
"""The highest level must rise along: over ten seconds or more by 3.5 dB, or over three by a fair part of the floor's step."""

LEAST_MOVE_DB = 4.5
ALIKE_DB, ALIKE_PART = 6.0, 0.25
FLOOR_QUANTILE, LEVEL_QUANTILE = 0.08, 0.97
FLOOR_SPREAD_DB, FLOOR_SHARE, FLOOR_STEPS = 2.0, 0.08, 4
"""A floor is where the levels rest: a share of the stretch lies this near. A sound that dies away passes through all alike."""

QUIET_DB = 3.0
"""Above the floor, where its colour is read."""

COLOUR_DB = 2.0
RECORDER_DB = 2.0
"""A floor that steps by this much less than the level shows the recorder's own noise."""

WIDTHS = (4 * STEPS_PER_SECOND, 10 * STEPS_PER_SECOND, FAR_STEPS)
GAPS = (0, 12, NEAR_STEPS)
"""How long the stretches beside a candidate are, and how far its place may be from the quiet moment that showed it."""

BATCH = 256
"""Candidates that are compared at once."""

ROUNDS = 2
SEARCH_STEPS = 4 * FINE_STEPS_PER_SECOND
"""Fine steps on each side of a candidate in which its place is looked for."""

BIN_DB = 3.0
LEVEL_WEIGHT = 0.2
"""What the level of one 10 ms step says, against independent ones: neighbours say much the same."""

JUMP_DB, SPIKE_DB = 3.0, 4.0
"""Decibels of misfit of the step in level, and of a kink, that weigh as much as one factor e of likelihood."""

SPIKE_STEPS = 3
SPIKE_MOST_DB = 20.0
TINY = 1e-38


class _Sides(NamedTuple):
    """What stretches show, in dB, one entry each."""

    floor: F64
    level: F64
    colours: F64
    steady: NDArray[np.bool_]


class _Place(NamedTuple):
    """A fine step at which the gain may have been moved, and how well the best stretches beside it fit, in dB."""

    fine: int
    fit: float


class _Hint(NamedTuple):
    """Entries of two stretches that step together, and how well, in dB."""

    fit: float
    start: int
    before_end: int
    after_start: int
    end: int


class _Steps(NamedTuple):
    """The 100 ms steps that are not digital silence: where they lie, their K-weighted level, and against it the
    A-weighted and the unweighted one, in dB."""

    where: I64
    level: F64
    colours: F64

    def at(self, fine: int) -> int:
        """Return the entry that a fine step falls into."""
        return int(np.searchsorted(self.where, fine // FINE_PER_STEP))


def gain_moves(trace: Trace, bend: F32) -> list[int]:
    """Return the 10 ms steps at which another gain setting begins, in order.

    Parameters
    ----------
    trace : Trace
        Levels of one track.
    bend : (m,) float32 array
        Largest second difference of the samples in each fine step.

    Returns
    -------
    list of int
        Indices into the fine steps; empty where nothing moved.
    """
    heard = np.flatnonzero((trace.k_rms > 0) & (trace.zeros < np.diff(trace.edges)))
    if len(heard) < 2 * LEAST_STEPS:
        return []
    level = _decibels(trace.k_rms[heard])
    square = np.square(trace.rms[heard], dtype=np.float64) - np.square(trace.mean[heard], dtype=np.float64)
    moving = np.sqrt(np.maximum(square, 0))
    steps = _Steps(
        heard, level, np.stack([_decibels(trace.a_rms[heard]), _decibels(moving)], axis=1) - level[:, None]
    )
    hints = _fitting(steps, _candidates(level))
    if not hints:
        return []
    places = _apart(steps, _first_places(trace, bend, steps, hints))
    for _ in range(ROUNDS):
        places = _settled(steps, _apart(steps, _placed_again(trace, bend, steps, places)))
    return [place.fine for place in places]


def _decibels(amplitude: F32 | F64) -> F64:
    return np.asarray(20 * np.log10(np.maximum(amplitude.astype(np.float64), TINY)))


def _candidates(level: F64) -> I64:
    """Return the entries where the lowest levels before and after differ."""
    edge = np.full(NEAR_STEPS, np.inf)
    at = np.arange(LEAST_STEPS // 2, len(level) - LEAST_STEPS // 2)
    lowest = _running_minimum(np.concatenate([edge, level, edge]), NEAR_STEPS)
    before, after = lowest[at], lowest[at + NEAR_STEPS + 1]
    rises = _rises(level)[at]
    found = []
    for sign in (1, -1):
        jump = sign * (after - before)
        strong = np.flatnonzero(jump >= CANDIDATE_DB)
        for group in np.split(strong, np.flatnonzero(np.diff(strong) > 1) + 1):
            if not len(group):
                continue
            # The plateau begins with the last quiet step before a move up, and ends with the first after one down.
            high = group[jump[group] >= jump[group].max() - 1]
            k = high[0] if sign > 0 else high[-1]
            near = rises[max(k - NEAR_STEPS, 0) : k + NEAR_STEPS + 1] * sign
            if (near[:, 0] >= SAME_PART * jump[k]).any() or (near[:, 1:] >= LEAST_RISE_DB).any():
                found.append(at[k])
    return np.array(sorted(found), np.int64)


def _rises(level: F64) -> F64:
    """Return by how much the highest level of some seconds rises from before to after each entry, for three lengths."""
    found = []
    for steps in (NEAR_STEPS, *WIDTHS[1:]):
        edge = np.full(steps, np.inf)
        highest = -_running_minimum(np.concatenate([edge, -level, edge]), steps)
        found.append(highest[steps + 1 : steps + 1 + len(level)] - highest[: len(level)])
    return np.stack(found, axis=1)


def _running_minimum(level: F64, steps: int) -> F64:
    """Return the minimum of every `steps` values, in linear time (running minima within blocks, both ways)."""
    padded = np.append(level, np.full(-len(level) % steps + steps, np.inf)).reshape(-1, steps)
    forward = np.minimum.accumulate(padded, axis=1).ravel()
    backward = np.minimum.accumulate(padded[:, ::-1], axis=1)[:, ::-1].ravel()
    return np.minimum(backward[: len(level)], forward[steps - 1 : steps - 1 + len(level)])


def _fitting(steps: _Steps, candidates: I64) -> list[_Hint]:
    """Return where the stretches of some length beside a candidate step together."""
    found = []
    for first in range(0, len(candidates), BATCH):
        part = candidates[first : first + BATCH]
        best = np.full(len(part), -np.inf)
        hints = np.zeros((len(part), 4), np.int64)
        for width in WIDTHS:
            ends = [part - GUARD_STEPS - gap for gap in GAPS]
            starts = [part + 1 + GUARD_STEPS + gap for gap in GAPS]
            before = [_sides(steps, end - width, end) for end in ends]
            after = [_sides(steps, start, start + width) for start in starts]
            # A move up lies behind the last quiet moment of the setting before, a move down before the first of the
            # one after: one of the stretches touches the candidate, the other may be further off.
            for k, m in {(0, m) for m in range(len(GAPS))} | {(k, 0) for k in range(len(GAPS))}:
                fit = _fit(before[k], after[m])
                better = fit > best
                best[better] = fit[better]
                edges = np.stack([ends[k] - width, ends[k], starts[m], starts[m] + width], axis=1)
                hints[better] = np.clip(edges[better], 0, len(steps.level))
        found += [_Hint(float(best[k]), *map(int, hints[k])) for k in np.flatnonzero(best >= 0)]
    return found


def _first_places(trace: Trace, bend: F32, steps: _Steps, hints: list[_Hint]) -> list[_Place]:
    """Return the likeliest place within each hint's stretches; several hints may mean the same."""
    found = []
    for fit, start, before_end, after_start, end in hints:
        before, after = (
            _sides(steps, np.array([a]), np.array([b])) for a, b in ((start, before_end), (after_start, end))
        )
        gain = float(after.floor[0] - before.floor[0])
        both = np.concatenate([steps.level[start:before_end], steps.level[after_start:end] - gain])
        first, last = (int(steps.where[k]) * FINE_PER_STEP for k in (start, min(end, len(steps.where) - 1)))
        nearby = _decibels(trace.fine_k_rms[first:last])
        found.append(_Place(_likeliest(trace, bend, first, gain, _likelihood(both, nearby, gain)), fit))
    return found


def _apart(steps: _Steps, places: list[_Place]) -> list[_Place]:
    """Return the places in order; of those too near each other for a setting between them, the best fitting."""
    kept: list[_Place] = []
    for place in sorted(places, key=lambda one: -one.fit):
        entry = steps.at(place.fine)
        inside = 0 < entry < len(steps.level)
        if inside and all(abs(entry - steps.at(other.fine)) >= LEAST_STEPS for other in kept):
            kept.append(place)
    return sorted(kept)


def _windows(steps: _Steps, places: list[_Place]) -> I64:
    """Return (start of the stretch before, place, end of the stretch after) in entries, for each place."""
    bounds = np.array([0, *(steps.at(place.fine) for place in places), len(steps.level)])
    middle = bounds[1:-1]
    return np.stack(
        [np.maximum(bounds[:-2], middle - FAR_STEPS), middle, np.minimum(bounds[2:], middle + FAR_STEPS)],
        axis=1,
    )


def _beside(steps: _Steps, windows: I64) -> tuple[_Sides, _Sides]:
    """Return what the stretches before and after each place show."""
    start, at, end = windows.T
    return _sides(steps, start, at - GUARD_STEPS), _sides(steps, at + 1 + GUARD_STEPS, end)


def _sides(steps: _Steps, start: I64, end: I64) -> _Sides:
    """Return what the entries from each `start` to its `end` show; what lies outside the track is left out."""
    start, end = np.clip(start, 0, len(steps.level)), np.clip(end, 0, len(steps.level))
    count = np.maximum(end - start, 0)
    at = start[:, None] + np.arange(max(int(count.max(initial=0)), 1))
    inside = at < end[:, None]
    at = np.minimum(at, len(steps.level) - 1)
    level = np.where(inside, steps.level[at], np.inf)
    ranked = np.sort(level, axis=1)
    rows, last = np.arange(len(start)), np.maximum(count - 1, 0)
    floor, loud = (ranked[rows, (part * last).astype(np.int64)] for part in (FLOOR_QUANTILE, LEVEL_QUANTILE))
    with np.errstate(invalid="ignore"):  # an empty stretch has an infinite floor
        above = level - floor[:, None]
        near = np.count_nonzero(np.abs(above) <= FLOOR_SPREAD_DB, axis=1)
        quiet = (above <= QUIET_DB) & inside
    colours = np.where(quiet[:, :, None], steps.colours[at], 0.0).sum(axis=1)
    colours /= np.maximum(np.count_nonzero(quiet, axis=1), 1)[:, None]
    enough = (near >= np.maximum(FLOOR_STEPS, FLOOR_SHARE * count)) & (count >= LEAST_STEPS)
    return _Sides(floor, loud, colours, enough)


def _fit(before: _Sides, after: _Sides) -> F64:
    """Return by how many decibels each place is a move of the gain; negative where it is none."""
    with np.errstate(invalid="ignore"):  # empty stretches, which are not steady
        floor, level = after.floor - before.floor, after.level - before.level
        size, least = np.maximum(abs(floor), abs(level)), np.minimum(abs(floor), abs(level))
        apart = abs(floor - level) - np.maximum(ALIKE_DB, ALIKE_PART * size)
        other_colour = np.abs(after.colours - before.colours).max(axis=1) > COLOUR_DB
        wrong = (floor * level <= 0) | (other_colour & (abs(floor) >= abs(level) - RECORDER_DB))
        fit = np.minimum(least - LEAST_MOVE_DB, -apart)
    return np.where(before.steady & after.steady & ~wrong, fit, -np.inf)


def _settled(steps: _Steps, places: list[_Place]) -> list[_Place]:
    """Drop places until all fit over whole stretches; of those that do not, the one that fits worst by itself goes first.

    A place that is none spoils the stretches of the true ones beside it, so how these fit says little before it is gone.
    """
    fits = list(_fit(*_beside(steps, _windows(steps, places))))
    while places:
        failing = [k for k in range(len(places)) if fits[k] < 0]
        if not failing:
            break
        worst = min(failing, key=lambda k: places[k].fit)
        del places[worst], fits[worst]
        near = [k for k in (worst - 1, worst) if 0 <= k < len(places)]
        if near:
            for k, fit in zip(near, _fit(*_beside(steps, _windows(steps, places)[near])), strict=True):
                fits[k] = fit
    return places


def _placed_again(trace: Trace, bend: F32, steps: _Steps, places: list[_Place]) -> list[_Place]:
    """Return the places moved to where the stretches on both sides say they are likeliest."""
    if not places:
        return []
    bounds = [0, *(place.fine for place in places), len(bend)]
    before, after = _beside(steps, _windows(steps, places))
    again = []
    for k, (place, fit) in enumerate(places):
        gain = float(after.floor[k] - before.floor[k])
        if not np.isfinite(gain):
            continue
        far, guard = FAR_STEPS * FINE_PER_STEP, GUARD_STEPS * FINE_PER_STEP
        quieter = trace.fine_k_rms[max(bounds[k], place - far) : place - guard]
        louder = trace.fine_k_rms[place + guard : min(bounds[k + 2], place + far)]
        both = np.concatenate([_decibels(quieter), _decibels(louder) - gain])
        first = max(place - SEARCH_STEPS, 0)
        nearby = _decibels(trace.fine_k_rms[first : place + SEARCH_STEPS])
        again.append(_Place(_likeliest(trace, bend, first, gain, _likelihood(both, nearby, gain)), fit))
    return again


def _likelihood(before: F64, level: F64, gain: float) -> F64:
    """Return for each level the logarithm of how much commoner it is before the move than behind it."""
    lowest = min(before.min(), level.min() - max(gain, 0), level.min()) - BIN_DB
    highest = max(before.max(), level.max() - min(gain, 0), level.max()) + BIN_DB
    bins = np.arange(lowest, highest + 2 * BIN_DB, BIN_DB)
    counts = np.histogram(before[before > 20 * np.log10(TINY)], bins)[0] + 1.0
    log = np.log(np.convolve(counts, [0.25, 0.5, 0.25], "same") + 0.25)
    middle = bins[:-1] + BIN_DB / 2
    return np.asarray(np.interp(level, middle, log) - np.interp(level - gain, middle, log))


def _likeliest(trace: Trace, bend: F32, origin: int, gain: float, likelihood: F64) -> int:
    """Return the likeliest fine step for a move by `gain` dB.

    `likelihood` belongs to the fine steps from `origin` on, among which it is looked for.
    """
    edge = SPIKE_STEPS + 1
    first, last = max(origin, edge), min(origin + len(likelihood), len(bend) - edge)
    if last <= first:
        return origin
    around = slice(first - edge, last + edge)
    levels = [_decibels(part[around]) for part in (trace.fine_k_rms, trace.fine_rms)]
    bends = _decibels(bend[around])
    places = np.arange(edge, edge + last - first)
    # The move falls into fine step `place` or on its first edge: level before it against the level behind it.
    off = np.mean(
        [
            np.minimum(
                abs(one[places] - one[places - 1] - gain), abs(one[places + 1] - one[places - 1] - gain)
            )
            for one in levels
        ],
        axis=0,
    )
    # A wave cut over from one gain to another has a kink that stands out from what bends before and behind it.
    beside = np.max([bends[places - k] for k in range(1, SPIKE_STEPS + 1)], axis=0) + max(gain, 0)
    behind = np.max([bends[places + k] for k in range(1, SPIKE_STEPS + 1)], axis=0) + max(-gain, 0)
    spike = np.clip(bends[places] - np.maximum(beside, behind), 0, SPIKE_MOST_DB)
    sofar = np.append(0, np.cumsum(likelihood))[first - origin : last - origin]
    worth = LEVEL_WEIGHT * sofar - np.minimum(off, abs(gain)) / JUMP_DB + spike / SPIKE_DB
    return first + int(np.argmax(worth))
