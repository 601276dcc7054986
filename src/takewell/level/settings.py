"""Where does the user want speech to lie, and what may levelling do to bring it there?

Conventions: levels after gain. Defaults are ours unless a source stands beside them; every one can be set on the
command line or in the table ``[level]`` of a TOML file under the names of the fields.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal

from takewell import files
from takewell.errors import SettingError
from takewell.roll.sheet import TEXT_FOLDER
from takewell.toml_table import toml_table

Joins = Literal["raised_cosine", "db_linear"]


@dataclass(frozen=True)
class LevelSettings:
    """What levelling aims at and what limits it."""

    target_lufs: float = -23.0
    """Loudness of the speech of each passage. The figure is EBU R 128's; that it holds for speech alone, a
    passage at a time, is our choice (R 128 gates the whole programme). A track counts as one channel."""

    line_up_dbfs: float | None = None
    """Instead of a loudness: the line-up level (AES17 dBFS) that the RMS of active speech is brought to."""

    ceiling_dbtp: float = -1.0
    """Highest true peak (EBU R 128)."""

    limit_db: float = 3.0
    """The most the limiter may be left to take off a peak; gains go no higher than that."""

    floor_most_dbfs: float = -40.0
    """Highest A-weighted floor that raising may lead to: some 20 dB under dialogue on target; with less than that
    between them speech is plainly noisy (common practice, no source)."""

    floor_rise_db: float | None = None
    """The most a floor may rise over what was recorded; None sets no such limit (a track recorded far too
    low has to rise by far)."""

    floor_jump_db: float = 3.0
    """The most the floor after gain may change from one passage of a track to the next."""

    floor_unheard_dbfs: float = -60.0
    """Floors below this (A-weighted, after gain) count as being there when a jump is judged: some 40 dB under
    dialogue on target, where a quiet room's own noise covers them (common practice, no source)."""

    dynamics_lu: float = 3.0
    """How far above the target a shout may stay; 0 brings shouts to the target like all else."""

    least_move_lu: float = 1.0
    """Passages nearer to the target, or to their neighbour's gain, than this are not moved."""

    ride_db_per_s: float = 0.1
    """How fast a gain may follow speech that slowly grows louder or softer over a long passage; 0 follows none."""

    longest_fade_s: float = 1.0
    """Longest join between two gains; a join always fits its pause."""

    steepest_db_per_s: float = 40.0
    """A join is made this slow where the pause lets it."""

    joins: Joins = "raised_cosine"

    safety: bool = False
    """Whether tracks with the role `safety` are levelled too."""

    def __post_init__(self) -> None:
        """Refuse what cannot be meant."""
        for name, (least, most) in _RANGES.items():
            value = getattr(self, name)
            if value is None and name in _OPTIONAL:
                continue
            if (
                isinstance(value, bool)
                or not isinstance(value, (int, float))
                or not math.isfinite(value)
                or not least <= value <= most
            ):
                raise SettingError(f"level: {name} = {value!r} is not a number from {least:g} to {most:g}.")
        if self.joins not in ("raised_cosine", "db_linear"):
            raise SettingError(f"level: joins = {self.joins!r} is neither 'raised_cosine' nor 'db_linear'.")
        if not isinstance(self.safety, bool):
            raise SettingError(f"level: safety = {self.safety!r} is neither true nor false.")

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any], base: "LevelSettings | None" = None) -> "LevelSettings":
        """Return settings with the named ones changed.

        Raises
        ------
        SettingError
            If a name is not known or a value makes no sense.
        """
        known = [field.name for field in fields(cls)]
        for name in values:
            if name not in known:
                raise SettingError(f"level: the setting {name!r} is not known; there are {', '.join(known)}.")
        return replace(base or cls(), **values)

    @classmethod
    def from_toml(cls, path: Path) -> "LevelSettings":
        """Return the settings in the table ``[level]`` of a TOML file; other tables are left to others.

        Raises
        ------
        SettingError
            If the file cannot be read, has no such table, or says something that is not known.
        """
        table = toml_table(path, "level")
        try:
            return cls.from_mapping(table)
        except SettingError as error:
            raise SettingError(f"{path}: {error}") from error


def settings_path(folder: Path) -> Path:
    """Return where a roll's settings of levelling lie, beside its moves."""
    return folder / TEXT_FOLDER / "level.toml"


def roll_settings(folder: Path) -> LevelSettings:
    """Return the settings a roll was levelled with last, or may have been given by hand; ours where there are none.

    Raises
    ------
    SettingError
        As `LevelSettings.from_toml`.
    """
    path = settings_path(folder)
    return LevelSettings.from_toml(path) if path.exists() else LevelSettings()


def keep_settings(folder: Path, settings: LevelSettings) -> None:
    """Write down what a roll was levelled with, so that later steps level by the same.

    Raises
    ------
    DestinationError
        If the file cannot be written.
    """
    if settings == roll_settings(folder):
        return
    values = {field.name: getattr(settings, field.name) for field in fields(settings)}
    changed = {name: value for name, value in values.items() if value != getattr(LevelSettings(), name)}
    lines = [f"{name} = {json.dumps(value)}" for name, value in changed.items()]
    files.write_text(
        settings_path(folder), "\n".join(["# What the roll was levelled with.", "[level]", *lines, ""])
    )


_RANGES = {
    "target_lufs": (-60.0, 0.0),
    "line_up_dbfs": (-60.0, 0.0),
    "ceiling_dbtp": (-60.0, 0.0),
    "limit_db": (0.0, 40.0),
    "floor_most_dbfs": (-200.0, 0.0),
    "floor_rise_db": (0.0, 200.0),
    "floor_jump_db": (0.0, 200.0),
    "floor_unheard_dbfs": (-200.0, 0.0),
    "dynamics_lu": (0.0, 40.0),
    "least_move_lu": (0.0, 20.0),
    "ride_db_per_s": (0.0, 1.0),
    "longest_fade_s": (0.0, 60.0),
    "steepest_db_per_s": (0.1, 100_000.0),
}
_OPTIONAL = ("line_up_dbfs", "floor_rise_db")
