"""What should the files of the day read, so that the examination can hold the day against the plan?

Written as ``plan.json``: one entry per set-up and track with the floor (AES17 dBFS A), the level of every source
in the file (speech while somebody speaks, AES17 dBFS), their peaks, and how uncertain each is.
"""

import json
import math
from pathlib import Path
from typing import Any

from takewell.errors import FileError
from takewell.files import make_folder, write_text
from takewell.plan.levels import DISTRIBUTION, TrackLevels
from takewell.plan.outcome import DayPlan

FILE_NAME = "plan.json"


def predictions(plan: DayPlan) -> dict[str, Any]:
    """Return what the files of the day should read, as JSON knows it."""
    return {
        "day": plan.day.name,
        "date": plan.day.date,
        "sample_rate_hz": plan.day.sample_rate_hz,
        "distribution": DISTRIBUTION,
        "tracks": [
            _track(planned.levels, set_up.set_up.scenes)
            for set_up in plan.set_ups
            for planned in set_up.tracks
        ],
    }


def _track(levels: TrackLevels, scenes: tuple[str, ...]) -> dict[str, Any]:
    track = levels.track
    return {
        "set_up": levels.set_up,
        "scenes": list(scenes),
        "track": track.name,
        "role": track.role,
        "encoding": track.encoding,
        "gain_db": track.gain_db,
        "noise_floor_dbfs_a": levels.floor_dbfs_a,
        "noise_floor_sd_db": levels.floor_sd_db,
        "sources": [
            {
                "name": heard.source.name,
                "kind": heard.source.loudness.kind,
                "level_dbfs": heard.passed[-1].rms_db,
                "peak_dbfs": heard.passed[-1].peak_db,
                "sd_db": math.hypot(heard.source.loudness.sd_db, 1.0),
                "over_floor_db": heard.over_floor_db,
                "gives_way_first": heard.first.stage.part,
                "margin_db": heard.first.margin_db if math.isfinite(heard.first.margin_db) else None,
                "overload_risk_percent": heard.risk_percent,
            }
            for heard in levels.sources
        ],
    }


def write_predictions(plan: DayPlan, roll: Path) -> Path:
    """Write the predictions into a roll, as ``takewell/plan.json``, and return the path.

    Raises
    ------
    FileError
        If the roll is no folder.
    DestinationError
        If it cannot be written to.
    """
    if not roll.is_dir():
        raise FileError(f"{roll} is no folder; name the roll the plan belongs to.")
    path = make_folder(roll / "takewell") / FILE_NAME
    write_text(path, json.dumps(predictions(plan), ensure_ascii=False, indent=1, allow_nan=False) + "\n")
    return path
