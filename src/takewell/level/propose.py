"""Which moves does a roll get, and which of its lines are a person's?

What is proposed is written twice: to ``moves.csv``, which a person edits, and to ``moves-proposed.csv`` beside
it, which nobody does. A line of ``moves.csv`` that is not in the other is therefore a person's, whether or not
they marked it: it comes back marked `fixed`, and is never computed again. A line that is only in the other was
taken out: there stays no gain, and a fixed line of 0 dB says so. Without ``moves-proposed.csv`` every line
is taken for a person's.

Conventions: as in ``moves.csv``; lines of takes that were not asked for stay as they are.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from takewell.errors import SettingError
from takewell.level.gather import gather
from takewell.level.plan import LEVELLED_KINDS, TrackPlan, plan_take
from takewell.level.settings import LevelSettings, keep_settings
from takewell.roll import Move, Roll, Take, TrackReader, measured_take, read_moves, write_moves
from takewell.roll.moves import PROPOSED

Progress = Callable[[str, int, int], None]
"""Called with a take's name, the number of takes done, and their count."""

TAKEN_OUT = "taken out by hand"


def propose(
    roll: Roll,
    settings: LevelSettings | None = None,
    *,
    takes: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> tuple[Move, ...]:
    """Return a roll's moves, the person's lines among them, and write them to its ``moves.csv``.

    Parameters
    ----------
    roll : Roll
        Nothing is written beside files that are no roll.
    settings : LevelSettings, optional
    takes : sequence of str, optional
        Names of the takes to look at; all by default.
    progress : callable, optional

    Raises
    ------
    SettingError
        If a take is not in the roll, or ``moves.csv`` cannot be understood.
    FileError
        If a file cannot be read.
    DestinationError
        If the moves cannot be written.
    """
    plans = plan_roll(roll, settings, takes=takes, progress=progress)
    stands = read_moves(roll.folder)
    planned = {(plan.take, plan.number) for plan in plans}
    looked_at = {take.id for take in chosen_takes(roll, takes)}
    # A line of a track that is no longer levelled was no decision of a person's unless they fixed it.
    kept = [m for m in stands if (m.take, m.track) not in planned and (m.fixed or m.take not in looked_at)]
    moves = [move for plan in plans for move in plan.moves]
    if not roll.keeps:
        return tuple(moves)
    order = {take.id: index for index, take in enumerate(roll.takes)}
    everything = sorted(kept + moves, key=lambda m: (order.get(m.take, len(order)), m.track, m.start_s))
    before = read_moves(roll.folder, PROPOSED)
    proposed = [m for m in before if (m.take, m.track) not in planned] + [m for m in moves if not m.fixed]
    written = write_moves(roll.folder, everything, keep_fixed=False)
    write_moves(roll.folder, proposed, keep_fixed=False, name=PROPOSED)
    keep_settings(roll.folder, settings or LevelSettings())
    return written


def plan_roll(
    roll: Roll,
    settings: LevelSettings | None = None,
    *,
    takes: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> tuple[TrackPlan, ...]:
    """Return the plan of every levelled track, the person's lines respected; writes nothing but the logbook.

    Raises
    ------
    SettingError, FileError
        As `propose`.
    """
    settings = settings or LevelSettings()
    chosen = chosen_takes(roll, takes)
    fixed = persons_lines(read_moves(roll.folder), read_moves(roll.folder, PROPOSED))
    plans: list[TrackPlan] = []
    for index, take in enumerate(chosen):
        if progress is not None:
            progress(take.id, index, len(chosen))
        if take.kind not in LEVELLED_KINDS:
            continue
        measured = measured_take(roll, take)
        with TrackReader(roll.folder, take) as reader:
            mine = [move for move in fixed if move.take == take.id]
            plans += plan_take(gather(measured, reader), settings, mine)
    if progress is not None:
        progress("", len(chosen), len(chosen))
    return tuple(plans)


def chosen_takes(roll: Roll, names: Sequence[str] | None) -> tuple[Take, ...]:
    """Return the takes of those names, or all.

    Raises
    ------
    SettingError
        If a name is not in the roll.
    """
    if names is None:
        return roll.takes
    by_name = {take.id: take for take in roll.takes}
    for name in names:
        if name not in by_name:
            known = ", ".join(list(by_name)[:20]) or "none"
            raise SettingError(f"{roll.folder} has no take {name!r}; its takes are {known}.")
    return tuple(by_name[name] for name in dict.fromkeys(names))


def persons_lines(stands: Iterable[Move], proposed: Iterable[Move]) -> list[Move]:
    """Return the lines a person fixed, changed, added or took out, as fixed lines.

    Parameters
    ----------
    stands : iterable of Move
        What ``moves.csv`` holds now.
    proposed : iterable of Move
        What was proposed last.
    """
    stands, proposed = list(stands), list(proposed)
    offered = {_figures(move) for move in proposed}
    found = [
        move if move.fixed else replace(move, fixed=True, reason=f"changed by hand ({move.reason})")
        for move in stands
        if move.fixed or _figures(move) not in offered
    ]
    standing = {_figures(move) for move in stands}
    for move in proposed:
        if _figures(move) not in standing and not any(_meet(move, other) for other in stands):
            found.append(replace(move, gain_db=0.0, fixed=True, reason=TAKEN_OUT))
    return found


def _figures(move: Move) -> tuple[str, int, float, float, float, float, float]:
    return (
        move.take, move.track, move.start_s, move.end_s, move.gain_db, move.fade_in_s, move.fade_out_s
    )  # fmt: skip


def _meet(a: Move, b: Move) -> bool:
    """Return whether two moves of one track share more than half of the shorter one."""
    shared = min(a.end_s, b.end_s) - max(a.start_s, b.start_s)
    return (a.take, a.track) == (b.take, b.track) and shared > 0.5 * min(
        a.end_s - a.start_s, b.end_s - b.start_s
    )
