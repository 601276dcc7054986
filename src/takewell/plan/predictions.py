"""What should the files of the day read, so that the examination can hold the day against the plan?

Conventions: levels are AES17 dBFS in the file; a floor is A-weighted; the level of a source is that while it sounds, as
ITU-T P.56 counts speech. `sd_db` is how uncertain a figure is, as a standard deviation. Stored as JSON under
``takewell/plan.json`` in the roll. A take belongs to a set-up by its scene, a track to a prediction by its name.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from takewell.errors import FileError
from takewell.files import make_folder, write_text
from takewell.plan.chain import gain_through
from takewell.plan.day import SetUp
from takewell.plan.levels import DISTRIBUTION, SENSITIVITY_SD_DB, TrackLevels, chain_of, gains_of
from takewell.plan.outcome import DayPlan
from takewell.units import finite_or_none

FILE_NAME = "plan.json"

LIMITS_EVERY_DB = 6.0
"""Distance of the gains for which limits are kept: between the gains a data sheet states they are straight lines."""


@dataclass(frozen=True)
class PredictedSource:
    """What one source should read in the file."""

    name: str
    kind: str
    """``speech``, ``crowd`` or ``impulse``."""
    level_dbfs: float
    peak_dbfs: float
    sd_db: float
    over_floor_db: float
    gives_way_first: str
    """The part of the chain: ``microphone``, ``transmitter``, ``preamplifier``, ``converter`` or ``file``."""
    margin_db: float | None
    """What is left to that part's limit; None where nothing gives way."""
    overload_risk_percent: float


@dataclass(frozen=True)
class PartLimit:
    """Where one part of the chain gives way, as a sample value in the file, for one gain."""

    part: str
    """``microphone``, ``transmitter``, ``preamplifier``, ``converter`` or ``file``."""
    gain_db: float
    file_dbfs: float


@dataclass(frozen=True)
class Prediction:
    """What one track of one set-up should read."""

    set_up: str
    scenes: tuple[str, ...]
    track: str
    role: str
    encoding: str
    gain_db: float
    noise_floor_dbfs_a: float
    noise_floor_sd_db: float
    sources: tuple[PredictedSource, ...]
    limits: tuple[PartLimit, ...] = ()
    """By part and rising gain; none where the plan was stored before they were kept."""

    def limits_at(self, gain_db: float) -> dict[str, float]:
        """Return where each part gives way at a gain, in dBFS of the file; straight lines between the gains kept."""
        found: dict[str, list[PartLimit]] = {}
        for limit in self.limits:
            found.setdefault(limit.part, []).append(limit)
        return {
            part: float(np.interp(gain_db, [k.gain_db for k in kept], [k.file_dbfs for k in kept]))
            for part, kept in found.items()
        }


def predictions(plan: DayPlan) -> tuple[Prediction, ...]:
    """Return what every track of every set-up should read."""
    rate = plan.day.sample_rate_hz
    return tuple(_prediction(t.levels, s.set_up, rate) for s in plan.set_ups for t in s.tracks)


def _prediction(levels: TrackLevels, set_up: SetUp, rate: int) -> Prediction:
    track = levels.track
    return Prediction(
        set_up=levels.set_up,
        scenes=set_up.scenes,
        track=track.name,
        role=track.role,
        encoding=track.encoding,
        gain_db=track.gain_db,
        noise_floor_dbfs_a=levels.floor_dbfs_a,
        noise_floor_sd_db=levels.floor_sd_db,
        sources=tuple(
            PredictedSource(
                name=heard.source.name,
                kind=heard.source.loudness.kind,
                level_dbfs=heard.passed[-1].rms_db,
                peak_dbfs=heard.passed[-1].peak_db,
                sd_db=math.hypot(heard.source.loudness.sd_db, SENSITIVITY_SD_DB),
                over_floor_db=heard.over_floor_db,
                gives_way_first=heard.first.stage.part,
                margin_db=finite_or_none(heard.first.margin_db),
                overload_risk_percent=heard.risk_percent,
            )
            for heard in levels.sources
        ),
        limits=_limits(levels, set_up, rate),
    )


def _limits(levels: TrackLevels, set_up: SetUp, rate: int) -> tuple[PartLimit, ...]:
    """Return where each part gives way in the file, over the gains that can be set."""
    gains = gains_of(levels.track)
    kept = {gains[0], gains[-1], levels.track.gain_db}
    for gain_db in gains:
        if gain_db >= min(kept) + LIMITS_EVERY_DB and all(abs(gain_db - k) >= LIMITS_EVERY_DB for k in kept):
            kept.add(gain_db)
    found = []
    for gain_db in sorted(kept):
        chain = chain_of(levels.track, set_up, rate, gain_db=gain_db)
        whole_db = gain_through(chain)
        found += [
            PartLimit(stage.part, gain_db, stage.limit_db + whole_db - gain_through(chain, index))
            for index, stage in enumerate(chain)
            if math.isfinite(stage.limit_db)
        ]
    return tuple(sorted(found, key=lambda limit: (limit.part, limit.gain_db)))


def prediction_for(stored: Sequence[Prediction], scene: str, track: str) -> Prediction | None:
    """Return the prediction for a track of a take, by scene and track name; None where nothing was planned.

    A set-up without scenes holds for every scene that no other set-up names.
    """
    named = [p for p in stored if p.track.casefold() == track.casefold()]
    exact = [p for p in named if scene.casefold() in {s.casefold() for s in p.scenes}]
    candidates = exact or [p for p in named if not p.scenes]
    return candidates[0] if candidates else None


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
    document = {
        "day": plan.day.name,
        "date": plan.day.date,
        "sample_rate_hz": plan.day.sample_rate_hz,
        "distribution": DISTRIBUTION,
        "tracks": [asdict(prediction) for prediction in predictions(plan)],
    }
    path = make_folder(roll / "takewell") / FILE_NAME
    write_text(path, json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n")
    return path


def stored_predictions(roll: Path) -> tuple[Prediction, ...]:
    """Return what a roll's tracks were predicted to read; empty where no plan was stored.

    Raises
    ------
    FileError
        If the stored plan cannot be read for what it should be.
    """
    path = roll / "takewell" / FILE_NAME
    if not path.exists():
        return ()
    try:
        tracks = json.loads(path.read_text(encoding="utf-8"))["tracks"]
        return tuple(_restored(entry) for entry in tracks)
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise FileError(
            f"{path} is no stored plan ({type(error).__name__}); write it again with `takewell plan DAY.toml --into`."
        ) from error


def _restored(entry: dict[str, Any]) -> Prediction:
    kept = {f.name: entry[f.name] for f in fields(Prediction) if f.name != "limits"}
    limits = tuple(PartLimit(**limit) for limit in entry.get("limits", ()))
    sources = tuple(
        PredictedSource(**{f.name: source[f.name] for f in fields(PredictedSource)})
        for source in entry["sources"]
    )
    return Prediction(**{**kept, "scenes": tuple(entry["scenes"]), "sources": sources}, limits=limits)
