"""Does a track's floor lie where the day's plan said it would?

Only where a plan was stored in the roll (`takewell plan DAY.toml --into ROLL`). A floor outside the prediction by
more than two of its standard deviations, and by no less than `LEAST_DB`, tells that something was not as planned: another gain,
another microphone, a louder place, a fault. It harms nothing by itself, so it is a remark.
"""

from takewell.examine.evidence import TrackEvidence
from takewell.examine.wording import level, when
from takewell.roll.values import Finding

KIND = "floor_off_plan"

DEVIATIONS = 2.0
"""Standard deviations of the prediction that a floor may lie off: one in twenty does by chance."""

LEAST_DB = 6.0
"""Smallest distance worth a word: places and worn microphones differ by as much (common practice, no source)."""


def find_floor_off_plan(heard: TrackEvidence) -> list[Finding]:
    """Return one finding for each passage whose floor is not where the plan predicted it."""
    planned = heard.planned
    if planned is None or heard.take.kind != "take":
        return []
    found = []
    for passage in heard.passages():
        if passage.noise_floor_dbfs_a is None:
            continue
        off_db = passage.noise_floor_dbfs_a - planned.noise_floor_dbfs_a
        if abs(off_db) <= max(LEAST_DB, DEVIATIONS * planned.noise_floor_sd_db):
            continue
        side = "above" if off_db > 0 else "below"
        found.append(
            heard.finding(
                KIND,
                passage.start_s,
                passage.end_s,
                confidence=0.9,
                severity="note",
                sentence=f"floor {level(abs(off_db), 0)} dB {side} the plan's {when(passage.start_s, passage.end_s)}",
                remedy="Compare the gain and the microphone used with the plan.",
                noise_floor_dbfs_a=passage.noise_floor_dbfs_a,
                planned_noise_floor_dbfs_a=planned.noise_floor_dbfs_a,
                off_plan_db=off_db,
            )
        )
    return found
