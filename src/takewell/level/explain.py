"""Why is each move of a take what it is?

Conventions: sentences for a person; a heading a track, a line a move, in order.
"""

from itertools import pairwise
from pathlib import Path

from takewell.errors import SettingError
from takewell.level.plan import Prediction, TrackPlan
from takewell.level.propose import plan_roll
from takewell.level.sentences import clock, explanation
from takewell.level.settings import LevelSettings
from takewell.roll import Roll


def explain(
    roll: Roll, take: str, settings: LevelSettings | None = None, *, texts: Path | None = None
) -> tuple[str, ...]:
    """Return the reasons for a take's moves, one line each, with a heading for each track.

    Parameters
    ----------
    roll : Roll
    take : str
        The take's name.
    settings : LevelSettings, optional
    texts : Path, optional
        As for `propose`.

    Raises
    ------
    SettingError
        If the take is not in the roll.
    FileError
        If a file cannot be read.
    """
    settings = settings or LevelSettings()
    plans = plan_roll(roll, settings, takes=[take], texts=texts)
    if not plans:
        raise SettingError(
            f"take {take!r} has no track to level: it is room tone or line-up tone, or its tracks have other roles."
        )
    # Tracks that move together share their reasons.
    return tuple(
        line for plan in plans if plan.number == plan.members[0] for line in explain_track(plan, settings)
    )


def explain_track(plan: TrackPlan, settings: LevelSettings) -> list[str]:
    """Return the reasons for one track's moves."""
    word = "Track" if len(plan.members) == 1 else "Tracks"
    numbers = " and ".join(str(number) for number in plan.members)
    lines = [f"{word} {numbers}{f' ({plan.name})' if plan.name else ''}"]
    if not plan.moves:
        return [*lines, f"  {_left_alone(plan, settings)}"]
    for decision, move, prediction in zip(plan.decisions, plan.moves, plan.predictions, strict=True):
        head = f"{clock(move.start_s)} to {clock(move.end_s)}: {move.gain_db:+.1f} dB."
        lines.append(
            "  " + " ".join([head, *explanation(decision, settings), *_outcome(prediction, settings)])
        )
    return lines + [f"  {jump}" for jump in _jumps(plan, settings)]


def _left_alone(plan: TrackPlan, settings: LevelSettings) -> str:
    if plan.loudness_lufs is None:
        return "No speech was found, so it is left as it is."
    held = [d for d in plan.decisions if d.limit is not None and abs(d.held_db) >= settings.least_move_lu]
    if held:
        why = " ".join(explanation(held[0], settings))
        return f"{why} What is left is not worth a move."
    return (
        f"Its speech lies at {plan.loudness_lufs:.1f} LUFS and no passage would move by "
        f"{settings.least_move_lu:g} LU or more, so it is left as it is."
    )


def _outcome(prediction: Prediction, settings: LevelSettings) -> list[str]:
    after = []
    if prediction.speech_lufs is not None:
        after.append(f"speech at {prediction.speech_lufs:.1f} LUFS")
    if prediction.floor_dbfs_a is not None:
        after.append(f"floor at {prediction.floor_dbfs_a:.1f} dBFS(A)")
    if prediction.true_peak_dbtp is not None:
        over = prediction.true_peak_dbtp - settings.ceiling_dbtp
        limiter = f", of which the limiter takes {over:.1f} dB" if over > 0 else ""
        after.append(f"peaks at {prediction.true_peak_dbtp:.1f} dBTP{limiter}")
    return [f"After gain: {', '.join(after)}."] if after else []


def _jumps(plan: TrackPlan, settings: LevelSettings) -> list[str]:
    """Return a line for each join where the floor jumps further than the user wants all the same."""
    lines = []
    pairs = zip(pairwise(plan.decisions), pairwise(plan.predictions), plan.moves[1:], strict=True)
    for (before, after), (a, b), move in pairs:
        if a.floor_dbfs_a is None or b.floor_dbfs_a is None or before.rides_with(after):
            continue
        unheard = settings.floor_unheard_dbfs
        jump = max(b.floor_dbfs_a, unheard) - max(a.floor_dbfs_a, unheard)
        if abs(jump) > settings.floor_jump_db + 0.05:
            lines.append(
                f"At {clock(move.start_s)} the floor {'rises' if jump > 0 else 'falls'} by {abs(jump):.1f} dB."
            )
    return lines
