"""How is a decision said to a person: short beside the move, and at length when asked?

Conventions: levels with one decimal; what lies after gain is called so.
"""

from takewell.level.decision import Decision, Limit
from takewell.level.settings import LevelSettings

_LIMITS: dict[Limit, str] = {
    "floor": "the floor would rise above the highest allowed",
    "rise": "the floor may rise no further",
    "peaks": "its peaks would need more than the limiter may take off",
    "jump": "the floor may not jump further against the neighbouring passage",
}


def reason(decision: Decision, settings: LevelSettings) -> str:
    """Return the short reason that stands beside a move."""
    held = held_back(decision)
    note = f"; {abs(decision.held_db):.1f} dB {_less_or_more(decision)}: {decision.limit}" if held else ""
    if decision.kind == "silence":
        return f"no speech; the floor runs on{note}"
    before = decision.passage.loudness_lufs
    if decision.kind == "ride":
        return f"{_changes(decision)}; the gain rides with it{note}"
    if decision.kind == "peaks":
        return f"a peak stands out here{note}"
    kept = f", a shout that keeps {decision.drama_lu:.1f} LU" if decision.drama_lu >= 0.1 else ""
    return f"speech at {before:.1f} LUFS to {goal(settings, decision.drama_lu)}{kept}{note}"


def goal(settings: LevelSettings, drama_lu: float = 0.0) -> str:
    """Return where speech is brought, in words."""
    if settings.line_up_dbfs is not None:
        return f"{settings.line_up_dbfs + drama_lu:.1f} dBFS, the line-up level"
    return f"{settings.target_lufs + drama_lu:.1f} LUFS"


def held_back(decision: Decision) -> bool:
    """Return whether something kept the gain from what was wanted."""
    return decision.limit is not None and abs(decision.held_db) >= 0.1


def explanation(decision: Decision, settings: LevelSettings) -> list[str]:
    """Return why a gain is what it is, in whole sentences."""
    passage = decision.passage
    if decision.kind == "fixed":
        return ["Changed or fixed by hand, so it stays as it is."]
    lines = {
        "setting": ["The gain setting moved here: level and floor jumped together."],
        "speech": ["The speech changes its level here, in a pause."],
        "take": [],
    }[passage.begins]
    if decision.kind == "silence":
        return [*lines, "There is too little speech to bring to a level, so the gain lets the floor run on."]
    floor = passage.setting.floor_dbfs_a
    over = "" if floor is None else f", over a floor of {floor:.1f} dBFS(A)"
    around = "around" if decision.kind == "ride" else "at"
    lines.append(
        f"{passage.speech_s:.0f} s of speech were recorded {around} {passage.loudness_lufs:.1f} LUFS{over}."
    )
    if decision.drama_lu >= 0.1:
        lines.append(f"It stands out as a shout and keeps {decision.drama_lu:.1f} LU of that.")
    if decision.kind == "ride":
        over_s = passage.end_s - passage.start_s
        lines.append(
            f"It {_changes(decision).removeprefix('speech ')} over {clock(over_s)}, so the gain rides with it from the "
            f"first line's gain to the second one's, no faster than {settings.ride_db_per_s:g} dB a second."
        )
    where = " here" if decision.kind == "ride" else ""
    lines.append(f"{decision.wanted_db:+.1f} dB bring it to {goal(settings, decision.drama_lu)}{where}.")
    if decision.kind == "peaks":
        lines.append("A peak stands out here, so this stretch is set apart from the speech around it.")
    if held_back(decision) and decision.limit is not None:
        lines.append(
            f"It gets {abs(decision.held_db):.1f} dB {_less_or_more(decision)} because {_LIMITS[decision.limit]}."
        )
    return lines


def _changes(decision: Decision) -> str:
    change = decision.passage.ride_lu
    return f"speech slowly {'rises' if change > 0 else 'falls'} by {abs(change):.1f} LU"


def clock(seconds: float) -> str:
    """Return a time as minutes and seconds to a tenth, with hours where there are any."""
    minutes, tenths = divmod(round(seconds * 10), 600)
    hours, minutes = divmod(minutes, 60)
    rest = f"{tenths // 10:02d}.{tenths % 10}"
    return f"{hours}:{minutes:02d}:{rest}" if hours else f"{minutes}:{rest}"


def _less_or_more(decision: Decision) -> str:
    return "less" if decision.held_db < 0 else "more"
