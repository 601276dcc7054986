"""Which moves does a roll get, and which of its lines are a person's?

What is proposed is written twice: to ``moves.csv``, which a person edits, and to ``moves-proposed.csv`` beside
it, which nobody does. A line of ``moves.csv`` that is not in the other is therefore a person's, whether or not
they marked it: it comes back marked `fixed`, and is never computed again. A line that is only in the other was
taken out: there stays no gain, and a fixed line of 0 dB says so. Without ``moves-proposed.csv`` every line
is taken for a person's.

Conventions: as in ``moves.csv``; lines of takes that were not asked for stay as they are.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

from takewell.errors import SettingError
from takewell.level.gather import gather
from takewell.level.lines import check_lines, must_hold, persons_in
from takewell.level.plan import LEVELLED_KINDS, TrackPlan, plan_take
from takewell.level.settings import LevelSettings, keep_settings
from takewell.roll import Move, Roll, Take, TrackReader, measured_take, read_moves, write_moves
from takewell.roll.moves import PROPOSED

Progress = Callable[[str, int, int], None]
"""Called with a take's name, the number of takes done, and their count."""


def propose(
    roll: Roll,
    settings: LevelSettings | None = None,
    *,
    takes: Sequence[str] | None = None,
    texts: Path | None = None,
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
    texts : Path, optional
        The folder whose ``takewell/moves.csv`` is meant, where it is not the roll's own: for a roll that cannot be
        written to.
    progress : callable, optional

    Raises
    ------
    SettingError
        If a take is not in the roll, or a line of ``moves.csv`` cannot be understood or does not speak of the roll.
    FileError
        If a file cannot be read.
    DestinationError
        If the moves cannot be written.
    """
    keeps = roll.keeps or texts is not None
    texts = texts or roll.folder
    if keeps:
        must_hold(texts)
    plans = plan_roll(roll, settings, takes=takes, texts=texts, progress=progress)
    stands = read_moves(texts)
    planned = {(plan.take, plan.number) for plan in plans}
    looked_at = {take.id for take in chosen_takes(roll, takes)}
    known = {take.id for take in roll.takes}
    # A line of a track that is no longer levelled, or of a take that is gone, was no decision of a person's unless
    # they fixed it.
    kept = [
        m
        for m in stands
        if (m.take, m.track) not in planned and (m.fixed or (m.take in known and m.take not in looked_at))
    ]
    moves = [move for plan in plans for move in plan.moves]
    if not keeps:
        return tuple(moves)
    order = {take.id: index for index, take in enumerate(roll.takes)}
    everything = sorted(kept + moves, key=lambda m: (order.get(m.take, len(order)), m.track, m.start_s))
    before = [m for m in read_moves(texts, PROPOSED) if m.take in known and (m.take, m.track) not in planned]
    proposed = before + [m for m in moves if not m.fixed]
    written = write_moves(texts, everything, keep_fixed=False)
    write_moves(texts, proposed, keep_fixed=False, name=PROPOSED)
    keep_settings(texts, settings or LevelSettings())
    return written


def plan_roll(
    roll: Roll,
    settings: LevelSettings | None = None,
    *,
    takes: Sequence[str] | None = None,
    texts: Path | None = None,
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
    fixed = persons_in(roll, texts or roll.folder)
    check_lines(roll, fixed, texts or roll.folder)
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
