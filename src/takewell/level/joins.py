"""Where exactly does one gain end and the next begin, and how long does the way between them take?

- Where the setting of the gain moved: on the sample it moved (found by `setting_step`), at once. The step back is the
  step's own opposite, so the wave runs on; a fade would only make a hole in it.
- Between passages: inside the pause, with `MARGIN_S` left to the words before and after where it is long enough.
  A falling gain falls at the pause's beginning, a rising one rises at its end, so the floor of the pause is the
  lower of the two. The join is as slow as the settings ask and the pause allows.
- Beside a line a person fixed: where that line ends; its own fades are its own.
- In the middle of a ride: the two lines meet half-way, and the gain travels from the one's beginning to the other's end.

Conventions: seconds of the take; a join's middle is where one move ends and the next begins, half of it is the
one's fade-out, half the other's fade-in.
"""

import itertools
from collections.abc import Callable, Sequence

from takewell.level.decision import Decision
from takewell.level.evidence import TrackEvidence
from takewell.level.settings import LevelSettings
from takewell.roll.values import Move

MARGIN_S = 0.15
"""Left to the words on both sides where the pause is long enough: the tail of a word goes on under what is heard as speech
here for about as long as a closure lasts."""
SHORTEST_S = 0.05
BESIDE_FIXED_S = 0.05

Join = tuple[float, float, float]
"""(boundary, fade-out before it, fade-in after it)."""


def to_moves(
    track: TrackEvidence,
    decisions: Sequence[Decision],
    settings: LevelSettings,
    reason: Callable[[Decision, LevelSettings], str],
) -> list[Move]:
    """Return the moves of a track's decisions; the person's lines come back as they are."""
    if not decisions:
        return []
    joins = _with_rides(decisions, [_join(a, b, settings) for a, b in itertools.pairwise(decisions)])
    starts = [decisions[0].start_s, *(boundary for boundary, _, _ in joins)]
    ends = [*(boundary for boundary, _, _ in joins), decisions[-1].end_s]
    moves = []
    for i, d in enumerate(decisions):
        if d.move is not None:
            moves.append(d.move)
            continue
        moves.append(
            Move(
                take=track.take,
                track=track.members[0],
                start_s=round(starts[i], 9),
                end_s=round(ends[i], 9),
                gain_db=d.gain_db,
                fade_in_s=round(joins[i - 1][2], 9) if i else 0.0,
                fade_out_s=round(joins[i][1], 9) if i < len(joins) else 0.0,
                fixed=False,
                reason=reason(d, settings),
            )
        )
    return moves


def _with_rides(decisions: Sequence[Decision], joins: Sequence[Join]) -> list[Join]:
    """Return the joins with those inside rides spread over all that the joins beside them leave."""
    result = list(joins)
    for i, (a, b) in enumerate(itertools.pairwise(decisions)):
        if a.rides_with(b):
            start = joins[i - 1][0] + joins[i - 1][2] if i else a.start_s
            end = joins[i + 1][0] - joins[i + 1][1] if i + 1 < len(joins) else b.end_s
            result[i] = b.start_s, b.start_s - start, end - b.start_s
    return result


def _join(a: Decision, b: Decision, settings: LevelSettings) -> Join:
    change_db = b.gain_db - a.gain_db
    low, high = b.pause
    if "fixed" in (a.kind, b.kind):
        at = b.start_s
        if not low < at < high:
            return at, BESIDE_FIXED_S, BESIDE_FIXED_S
        half = _length(change_db, high - low, settings) / 2
        return at, min(half, at - low), min(half, high - at)
    if a.passage.setting is not b.passage.setting:
        return b.passage.setting.start_s, 0.0, 0.0
    margin = min(MARGIN_S, (high - low) / 4)
    length = _length(change_db, high - low - 2 * margin, settings)
    middle = low + margin + length / 2 if change_db < 0 else high - margin - length / 2
    return middle, length / 2, length / 2


def _length(change_db: float, room_s: float, settings: LevelSettings) -> float:
    """Return how long a gain travels: as slow as the settings ask and the pause allows."""
    wanted = max(abs(change_db) / settings.steepest_db_per_s, SHORTEST_S)
    return max(min(wanted, settings.longest_fade_s, room_s), 0.0)
