"""How shall several open microphones become one mix?

Conventions: tracks are named by their number in the take. Defaults are ours unless a source stands beside them; every
one can be set on the command line or in the table ``[mix]`` of a TOML file under the names of the fields.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal

from takewell.errors import SettingError
from takewell.toml_table import toml_table

Layout = Literal["mono", "stereo"]


@dataclass(frozen=True)
class MixSettings:
    """What the mix aims at and how the microphones share it."""

    layout: Layout = "mono"

    target_lufs: float = -23.0
    """Integrated loudness of the mix (EBU R 128; BS.1770-5 gating over the whole mix)."""

    ceiling_dbtp: float = -1.0
    """Highest true peak (EBU R 128)."""

    limit_db: float = 3.0
    """The most the limiter may be left to take off a peak; the mix gets no louder than that."""

    weights_db: Mapping[int, float] = field(default_factory=dict)
    """By how much a track counts for more or less in the sharing than its level says."""

    pans: Mapping[int, float] = field(default_factory=dict)
    """Place of a track in a stereo mix, from -1 (left) to 1 (right); 0 where nothing is said."""

    release_db_per_s: float = 60.0
    """How fast a microphone's level is let fall in the sharing once its talker pauses."""

    hold: bool = True
    """Whether shares stand still while nobody speaks, so that the last open microphone stays open."""

    def __post_init__(self) -> None:
        """Refuse what cannot be meant."""
        if self.layout not in ("mono", "stereo"):
            raise SettingError(f"mix: layout = {self.layout!r} is neither 'mono' nor 'stereo'.")
        if not isinstance(self.hold, bool):
            raise SettingError(f"mix: hold = {self.hold!r} is neither true nor false.")
        for name, (least, most) in _RANGES.items():
            _check(name, getattr(self, name), least, most)
        for name, (least, most) in _TABLES.items():
            for track, value in getattr(self, name).items():
                _check(f"{name} of track {track}", value, least, most)

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any], base: "MixSettings | None" = None) -> "MixSettings":
        """Return settings with the named ones changed; tables may have their track numbers as text.

        Raises
        ------
        SettingError
            If a name is not known or a value makes no sense.
        """
        known = [one.name for one in fields(cls)]
        changed = dict(values)
        for name in values:
            if name not in known:
                raise SettingError(f"mix: the setting {name!r} is not known; there are {', '.join(known)}.")
            if name in _TABLES:
                changed[name] = _by_track(name, values[name])
        return replace(base or cls(), **changed)

    @classmethod
    def from_toml(cls, path: Path) -> "MixSettings":
        """Return the settings in the table ``[mix]`` of a TOML file; other tables are left to others.

        Raises
        ------
        SettingError
            If the file cannot be read, has no such table, or says something that is not known.
        """
        table = toml_table(path, "mix")
        try:
            return cls.from_mapping(table)
        except SettingError as error:
            raise SettingError(f"{path}: {error}") from error


_RANGES = {
    "target_lufs": (-60.0, 0.0),
    "ceiling_dbtp": (-60.0, 0.0),
    "limit_db": (0.0, 40.0),
    "release_db_per_s": (1.0, 10_000.0),
}
_TABLES = {"weights_db": (-60.0, 60.0), "pans": (-1.0, 1.0)}


def _check(name: str, value: object, least: float, most: float) -> None:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or not least <= value <= most:  # fmt: skip
        raise SettingError(f"mix: {name} = {value!r} is not a number from {least:g} to {most:g}.")


def _by_track(name: str, table: object) -> dict[int, float]:
    if not isinstance(table, Mapping):
        raise SettingError(f"mix: {name} = {table!r} is not a table of track numbers and values.")
    try:
        return {int(track): value for track, value in table.items()}
    except (TypeError, ValueError):
        raise SettingError(
            f"mix: {name} names a track that is no number; tracks are 1, 2, 3 and so on."
        ) from None
