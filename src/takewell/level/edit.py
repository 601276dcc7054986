"""How does a person change a take's moves, one decision at a time?

Every change gives a new tuple of lines; what a person touched is fixed, so it is never computed again. Linked
tracks (`roll.linked`) keep their balance: what is done to one is done to all of them.

Conventions: a move is named by the take, one of its tracks and where it starts; times in seconds of the take.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from takewell.errors import SettingError
from takewell.level.sentences import clock
from takewell.roll.linked import link_keys
from takewell.roll.values import Move, Take

MOST_DB = 120.0
"""Beyond this a typed gain is a slip of the pen."""

SAME_S = 1e-6
"""Two starts nearer than this are one."""

SHORTEST_S = 0.1
"""The shortest passage a split may leave."""

BY_HAND_FADE_S = 0.05
"""Fade to each side of a place where a person split a passage."""

BY_HAND = "set by hand"

Moves = tuple[Move, ...]


def linked_tracks(take: Take, track: int) -> frozenset[int]:
    """Return the numbers of the tracks that move together with one, itself included.

    Raises
    ------
    SettingError
        If the take has no such track.
    """
    keys = link_keys(take.tracks)
    if track not in keys:
        raise SettingError(f"Take {take.id} has no track {track}; its tracks are 1 to {len(take.tracks)}.")
    return frozenset(number for number, key in keys.items() if key == keys[track])


def with_gain(moves: Sequence[Move], take: Take, track: int, start_s: float, gain_db: float) -> Moves:
    """Return the moves with another gain for the passage that starts at `start_s`."""
    gain = _checked_gain(gain_db)
    return _changed(
        moves, take, track, start_s, lambda m: replace(m, gain_db=gain, fixed=True, reason=_by_hand(m))
    )


def accepted(moves: Sequence[Move], take: Take, track: int, start_s: float) -> Moves:
    """Return the moves with one of them fixed as it is."""
    return _changed(moves, take, track, start_s, lambda m: replace(m, fixed=True))


def rejected(moves: Sequence[Move], take: Take, track: int, start_s: float) -> Moves:
    """Return the moves without the one that starts at `start_s`: there stays the level that was recorded."""
    out = _found(moves, take, track, start_s)
    return tuple(move for move in moves if move not in out)


def split(moves: Sequence[Move], take: Take, track: int, at_s: float) -> Moves:
    """Return the moves with the one around `at_s` cut in two, both with its gain, both fixed."""
    members = linked_tracks(take, track)
    wall = round(at_s, 9)
    cut = [
        m
        for m in moves
        if m.take == take.id and m.track in members and m.start_s + SHORTEST_S <= wall <= m.end_s - SHORTEST_S
    ]
    if not any(m.track == track for m in cut):
        raise SettingError(
            f"No passage of track {track} can be split at {clock(at_s)}: a split must lie inside a passage, "
            f"{SHORTEST_S:g} s or more from its ends."
        )
    result: list[Move] = []
    for move in moves:
        if move not in cut:
            result.append(move)
            continue
        one = replace(move, fixed=True, reason=_by_hand(move))
        result.append(replace(one, end_s=wall, fade_out_s=BY_HAND_FADE_S))
        result.append(replace(one, start_s=wall, fade_in_s=BY_HAND_FADE_S))
    return tuple(result)


def joined(moves: Sequence[Move], take: Take, track: int, start_s: float) -> Moves:
    """Return the moves with the one that starts at `start_s` run on over the next one, at its own gain, fixed."""
    result = list(moves)
    for first in _found(moves, take, track, start_s):
        later = [m for m in moves if _of(m, take, {first.track}) and m.start_s > first.start_s + SAME_S]
        following = min(later, key=lambda m: m.start_s, default=None)
        if following is None:
            raise SettingError(
                f"The passage at {clock(start_s)} is the last of track {track}; there is none to join."
            )
        result[result.index(first)] = replace(
            first, end_s=following.end_s, fade_out_s=following.fade_out_s, fixed=True, reason=_by_hand(first)
        )
        result.remove(following)
    return tuple(result)


def added(
    moves: Sequence[Move],
    take: Take,
    track: int,
    gain_db: float,
    start_s: float = 0.0,
    end_s: float | None = None,
) -> Moves:
    """Return the moves with a new one, fixed, from `start_s` to `end_s` (the take's end)."""
    end = float(take.duration_s) if end_s is None else min(end_s, float(take.duration_s))
    gain = _checked_gain(gain_db)
    if not (math.isfinite(start_s) and math.isfinite(end)) or not 0 <= start_s <= end - SHORTEST_S:
        raise SettingError(f"A passage from {start_s:g} to {end:g} s does not lie inside take {take.id}.")
    members = linked_tracks(take, track)
    if any(_of(m, take, members) and m.start_s < end - SAME_S and m.end_s > start_s + SAME_S for m in moves):
        raise SettingError(f"Track {track} of take {take.id} has a move there already; change that one.")
    fresh = [
        Move(take.id, n, round(start_s, 9), round(end, 9), gain, 0.0, 0.0, True, BY_HAND)
        for n in sorted(members)
    ]
    return (*moves, *fresh)


def as_proposed(moves: Sequence[Move], proposed: Iterable[Move], take: Take, track: int) -> Moves:
    """Return the moves with a track's lines as they were proposed last."""
    members = linked_tracks(take, track)
    kept = tuple(move for move in moves if not _of(move, take, members))
    return kept + tuple(replace(move, fixed=False) for move in proposed if _of(move, take, members))


def _changed(
    moves: Sequence[Move], take: Take, track: int, start_s: float, change: Callable[[Move], Move]
) -> Moves:
    found = _found(moves, take, track, start_s)
    return tuple(change(move) if move in found else move for move in moves)


def _found(moves: Sequence[Move], take: Take, track: int, start_s: float) -> list[Move]:
    members = linked_tracks(take, track)
    found = [m for m in moves if _of(m, take, members) and abs(m.start_s - start_s) < SAME_S]
    if not any(move.track == track for move in found):
        raise SettingError(
            f"Track {track} of take {take.id} has no move that starts at {clock(start_s)}; it was changed meanwhile."
        )
    return found


def _of(move: Move, take: Take, members: Iterable[int]) -> bool:
    return move.take == take.id and move.track in members


def _checked_gain(gain_db: float) -> float:
    if not math.isfinite(gain_db) or abs(gain_db) > MOST_DB:
        raise SettingError(f"A gain of {gain_db:g} dB is not a number from -{MOST_DB:g} to +{MOST_DB:g}.")
    return gain_db


def _by_hand(move: Move) -> str:
    if move.reason.startswith(BY_HAND):
        return move.reason
    return f"{BY_HAND} (proposed: {move.gain_db:+.1f} dB, {move.reason})" if move.reason else BY_HAND
