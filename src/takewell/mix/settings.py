"""How shall several open microphones become one mix?

Conventions: tracks are named by their number in the take. Defaults are ours unless a source stands beside them; every
one can be set on the command line or in the table ``[mix]`` of a TOML file under the names of the fields.
"""

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal, get_args

from takewell.errors import SettingError
from takewell.shape.b_format import VirtualMicrophone
from takewell.shape.places import CHANNELS, Layout
from takewell.toml_table import toml_table

By = Literal["level", "talker"]


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

    by: By = "level"
    """Whether microphones share by all they hear, or by what they hear of their own talker."""

    weights_db: Mapping[int, float] = dataclasses.field(default_factory=dict)
    """By how much a track counts for more or less in the sharing than its level says."""

    pans: Mapping[int, float] = dataclasses.field(default_factory=dict)
    """Place of a track in a stereo or 5.1 mix, from -1 (left) to 1 (right); where nothing is said, 0, and the sides for a left/right pair."""

    release_db_per_s: float = 60.0
    """How fast a microphone's level is let fall in the sharing once its talker pauses."""

    hold: bool = True
    """Whether shares stand still while nobody speaks, so that the last open microphone stays open."""

    heed_noise: bool = True
    """Whether a microphone whose noise lies nearer to its speech than others' counts for less."""

    line_up: bool = True
    """Whether microphones that are open together are delayed until they hear each talker at the same time."""

    follow: tuple[tuple[int | str, ...], ...] = ()
    """Tracks that hear one voice, by number or by name, the preferred one first: only the best of them is open at a time. Several voices
    may be given; one given by names is followed in the takes that have those tracks."""

    high_pass_hz: float = 0.0
    """Corner of the high-pass on every track (Butterworth, fourth order); 0 for none."""

    notch_hum: bool = False
    """Whether mains hum is notched out of the tracks that have it."""

    width: float = 1.0
    """Width of mid/side pairs: 0 is mono, 1 as recorded."""

    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """By how much a B-format sound field is turned: about the vertical (the front goes left), the front up, the left side up."""

    virtual: tuple[VirtualMicrophone, ...] = ()
    """Microphones made from B-format, one for each channel but the LFE; the layout's standard ones unless given."""

    field: Literal["", "ambix", "fuma"] = ""
    """Convention in which sound fields are written as B-format files beside the mix; none unless named."""

    capsule_radius_mm: float = 14.7
    """From the middle of a tetrahedral microphone to a capsule (the maker's data sheet says); 0 for no correction. The default is
    the usual size (common practice, no source)."""

    def __post_init__(self) -> None:
        """Refuse what cannot be meant."""
        if self.layout not in get_args(Layout):
            raise SettingError(f"mix: layout = {self.layout!r} is none of {', '.join(get_args(Layout))}.")
        if self.by not in get_args(By):
            raise SettingError(f"mix: by = {self.by!r} is neither 'level' nor 'talker'.")
        if self.field not in ("", "ambix", "fuma"):
            raise SettingError(f"mix: field = {self.field!r} is neither 'ambix' nor 'fuma'.")
        for name in ("hold", "heed_noise", "line_up", "notch_hum"):
            if not isinstance(getattr(self, name), bool):
                raise SettingError(f"mix: {name} = {getattr(self, name)!r} is neither true nor false.")
        for name, (least, most) in _RANGES.items():
            _check(name, getattr(self, name), least, most)
        if 0 < self.high_pass_hz < LOWEST_CORNER_HZ:
            raise SettingError(f"mix: high_pass_hz = {self.high_pass_hz!r} is below {LOWEST_CORNER_HZ:g}; 0 is none.")  # fmt: skip
        for name, (least, most) in _TABLES.items():
            for track, value in getattr(self, name).items():
                _check(f"{name} of track {track}", value, least, most)
        for angle in self.turn_deg:
            _check("turn_deg", angle, -360.0, 360.0)
        if len(self.turn_deg) != 3:
            raise SettingError(f"mix: turn_deg has {len(self.turn_deg)} angles; 3 are needed.")
        _check_voices(self.follow)
        wanted = sum(name != "LFE" for name in CHANNELS[self.layout])
        if self.virtual and len(self.virtual) != wanted:
            raise SettingError(
                f"mix: {len(self.virtual)} virtual microphones were given; {self.layout} needs {wanted}."
            )
        for one in self.virtual:
            _check("azimuth_deg", one.azimuth_deg, -360.0, 360.0)
            _check("elevation_deg", one.elevation_deg, -90.0, 90.0)
            _check("pattern", one.pattern, 0.0, 1.0)

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
        for name, value in values.items():
            if name not in known:
                raise SettingError(f"mix: the setting {name!r} is not known; there are {', '.join(known)}.")
            if name in _TABLES:
                changed[name] = _by_track(name, value)
            elif name == "follow":
                changed[name] = _voices(value)
            elif name == "virtual":
                changed[name] = _microphones(value)
            elif name == "turn_deg":
                changed[name] = tuple(_list(name, value))
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


LOWEST_CORNER_HZ = 10.0
_RANGES = {
    "target_lufs": (-60.0, 0.0),
    "ceiling_dbtp": (-60.0, 0.0),
    "limit_db": (0.0, 40.0),
    "release_db_per_s": (1.0, 10_000.0),
    "high_pass_hz": (0.0, 1000.0),
    "width": (0.0, 4.0),
    "capsule_radius_mm": (0.0, 50.0),
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


def _list(name: str, value: object) -> list[Any]:
    if isinstance(value, str) or not isinstance(value, Sequence):
        raise SettingError(f"mix: {name} = {value!r} is not a list.")
    return list(value)


def _voices(value: object) -> tuple[tuple[int | str, ...], ...]:
    return tuple(tuple(_list("follow", voice)) for voice in _list("follow", value))


def _check_voices(voices: tuple[tuple[int | str, ...], ...]) -> None:
    every = [track for voice in voices for track in voice]
    if any(isinstance(track, bool) or not isinstance(track, (int, str)) for track in every):
        raise SettingError(
            "mix: follow names tracks by number or name, such as [1, 2] or ['Boom', 'Lav Mira']."
        )
    if any(len(voice) < 2 for voice in voices):
        raise SettingError(
            "mix: follow names a voice with fewer than two tracks; there is nothing to choose."
        )
    if any(len(set(voice)) < len(voice) for voice in voices):
        raise SettingError("mix: follow names a track twice in one voice.")


def _microphones(value: object) -> tuple[VirtualMicrophone, ...]:
    found = []
    for one in _list("virtual", value):
        if isinstance(one, VirtualMicrophone):
            found.append(one)
            continue
        names = {"azimuth_deg", "elevation_deg", "pattern"}
        if not isinstance(one, Mapping) or not set(one) <= names:
            raise SettingError(
                f"mix: virtual = {one!r} is no microphone; give azimuth_deg, elevation_deg and pattern."
            )
        found.append(VirtualMicrophone(**one))
    return tuple(found)
