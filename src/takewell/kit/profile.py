"""How is a profile read from TOML, found by name, and written?

Conventions: a profile is one TOML file: ``kind``, ``name``, the fields of that kind (see `kit.values`), and for
each value the bench found a table ``[measured.FIELD]`` with `value`, `date`, `file` and, where known, `method`,
`uncertainty`, `limited_by_generator`. The measured value is the one in force. A name without a dot or a slash
is looked for beside the file that names it, then among the profiles that come with Takewell.
"""

import dataclasses
import difflib
import json
import math
from collections.abc import Callable, Mapping
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from takewell.errors import SettingError
from takewell.files import write_text
from takewell.kit.fields import (
    Document,
    accepted_fields,
    check_value,
    parse_document,
    read_document,
    read_table,
)
from takewell.kit.johnson import johnson_noise_dbu
from takewell.kit.values import KINDS, Measurement, MeasurementFields, Profile, RecorderInput

P = TypeVar("P", bound=Profile)


def shipped_profiles() -> tuple[str, ...]:
    """Return the names of the profiles that come with Takewell."""
    folder = files("takewell.kit") / "shipped"
    return tuple(
        sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))
    )


def read_profile(path: str | Path) -> Profile:
    """Read a profile from a file.

    Raises
    ------
    FileError
        If the file cannot be read.
    SettingError
        If a field is unknown, missing or wrong; the message has file and line.
    """
    return _profile(read_document(Path(path)))


def parse_profile(text: str, path: Path) -> Profile:
    """Read a profile from a text; `path` is what errors call it.

    Raises
    ------
    SettingError
        As `read_profile`.
    """
    return _profile(parse_document(text, path))


def shipped_text(name: str) -> str:
    """Return a profile that comes with Takewell as TOML.

    Raises
    ------
    SettingError
        If there is none of that name.
    """
    if name not in shipped_profiles():
        raise SettingError(
            f"there is no profile {name!r} among the shipped; they are {', '.join(shipped_profiles())}."
        )
    return (files("takewell.kit") / "shipped" / f"{name}.toml").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def shipped_kit() -> Mapping[str, Profile]:
    """Return all profiles that come with Takewell, by name."""
    return {name: parse_profile(shipped_text(name), Path(f"{name}.toml")) for name in shipped_profiles()}


def find_profile(
    name: str, kind: type[P], beside: Path | None = None, *, allowed: Callable[[Path], object] | None = None
) -> P:
    """Return the profile of a name (or path) and kind.

    Parameters
    ----------
    name : str
        A name such as ``short-shotgun``, or a path ending in ``.toml``, relative to `beside`.
    kind : type
        What it must be, such as `Microphone`.
    beside : path, optional
        The folder in which to look first.
    allowed : callable, optional
        Told each path before it is read; what it raises goes on.

    Raises
    ------
    FileError, SettingError
        As `read_profile`; also if there is no such profile or it is of another kind.
    """
    found = _look(name, beside, allowed or (lambda _path: None))
    if not isinstance(found, kind):
        words = {value: key for key, value in KINDS.items()}
        raise SettingError(
            f"the profile {name!r} is of the kind {words[type(found)]!r}, not {words[kind]!r}; name another."
        )
    return found


def _look(name: str, beside: Path | None, allowed: Callable[[Path], object]) -> Profile:
    folder = beside or Path()
    if name.endswith(".toml") or "/" in name:
        allowed(folder / name)
        return read_profile(folder / name)
    own = folder / f"{name}.toml"
    if own.is_file():
        allowed(own)
        return read_profile(own)
    known = shipped_profiles()
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"shipped are {', '.join(known)}."
        raise SettingError(f"there is no profile {name!r}, neither beside the file nor shipped; {hint}")
    return shipped_kit()[name]


def _profile(document: Document) -> Profile:
    content = dict(document.content)
    word = content.pop("kind", None)
    if not isinstance(word, str) or word not in KINDS:
        accepted = ", ".join(KINDS)
        what = "is missing" if word is None else f"is {word!r}"
        document.refuse(("kind",), f"the field 'kind' {what}; it takes one of {accepted}.")
    kind = KINDS[word]
    measured = _measured(kind, document)
    # A field that was measured need not stand in a data sheet.
    sheet = {name: value for name, value in content.items() if name != "measured"}
    for name, measurement in measured.items():
        sheet.setdefault(name, _toml_value(measurement.value))
    fields = read_table(kind, document, sheet, ())
    for name, measurement in measured.items():
        given = fields[name] if name in content else None
        measured[name] = dataclasses.replace(measurement, data_sheet=given)
        fields[name] = measurement.value
    profile = kind(**fields, measured=measured)
    _check_sense(profile, document)
    return profile


def _measured(kind: type[Profile], document: Document) -> dict[str, Measurement]:
    tables = document.content.get("measured", {})
    if not isinstance(tables, dict):
        document.refuse(
            ("measured",), "measured is no table; write [measured.FIELD] with value, date and file."
        )
    described = accepted_fields(kind)
    found = {}
    for name, table in tables.items():
        place = ("measured", name)
        if name not in described or described[name].kind not in ("number", "pairs"):
            document.refuse(
                place, f"there is no field {name!r} that could be measured in this kind of profile."
            )
        if not isinstance(table, dict):
            document.refuse(
                place, f"measured.{name} is no table; write value, date and file under [measured.{name}]."
            )
        if "value" not in table:
            document.refuse(
                place, f"the field 'value' is missing in [measured.{name}]; it takes {described[name].words}."
            )
        value = check_value(described[name], document, table["value"], (*place, "value"))
        found[name] = Measurement(
            value, **read_table(MeasurementFields, document, table, place, also=("value",))
        )
    return found


def _check_sense(profile: Profile, document: Document) -> None:
    """Refuse values that are each possible and together are not."""
    low, high = getattr(profile, "gain_min_db", None), getattr(profile, "gain_max_db", None)
    if low is not None and high is not None and low > high:
        document.refuse(("gain_max_db",), f"gain_max_db is {high:g}, below gain_min_db, which is {low:g}.")
    if not isinstance(profile, RecorderInput):
        return
    if profile.converters not in (1, 2):
        document.refuse(("converters",), f"converters is {profile.converters:g}; it takes 1 or 2.")
    if profile.converters == 2 and profile.handover_dbfs is None:
        document.refuse(
            (), "the field 'handover_dbfs' is missing; with two converters it takes a level from -120 to 0."
        )
    if profile.converters == 2 and (profile.handover_dbfs or 0.0) > -profile.second_offset_db:
        document.refuse(
            ("handover_dbfs",),
            f"handover_dbfs is {profile.handover_dbfs:g}, above the full scale of the finer converter, "
            f"which is {-profile.second_offset_db:g} on this scale.",
        )
    if profile.ein_weighting == "CCIR-RMS":
        return
    bottom = johnson_noise_dbu(profile.ein_source_ohm, 20.0, weighting=profile.ein_weighting)
    if profile.ein_dbu < bottom - 0.2:
        document.refuse(
            ("ein_dbu",),
            f"ein_dbu is {profile.ein_dbu:g}, below the {bottom:.1f} dBu that {profile.ein_source_ohm:g} ohm "
            "make by themselves; check its weighting (ein_weighting) and source resistance (ein_source_ohm).",
        )


def with_measured(profile: P, found: Mapping[str, Measurement]) -> P:
    """Return a profile in which measured values replace the data sheet's and remember that they did.

    Raises
    ------
    SettingError
        If a field does not exist in this kind of profile.
    """
    described = accepted_fields(type(profile))
    measured = dict(profile.measured)
    for name, measurement in found.items():
        if name not in described or described[name].kind not in ("number", "pairs"):
            raise SettingError(f"{profile.name!r} has no field {name!r} that could be measured.")
        earlier = profile.measured.get(name)
        sheet = getattr(profile, name) if earlier is None else earlier.data_sheet
        measured[name] = dataclasses.replace(measurement, data_sheet=sheet)
    values: dict[str, Any] = {name: m.value for name, m in found.items()}
    return dataclasses.replace(profile, measured=measured, **values)


def profile_toml(profile: Profile) -> str:
    """Return a profile as TOML; reading it gives the same profile."""
    word = next(key for key, kind in KINDS.items() if kind is type(profile))
    lines = [f'kind = "{word}"']
    defaults = {f.name: f.default for f in dataclasses.fields(profile)}
    for name in accepted_fields(type(profile)):
        measurement = profile.measured.get(name)
        value = getattr(profile, name) if measurement is None else measurement.data_sheet
        if value is not None and (measurement is not None or value != defaults[name]):
            lines.append(f"{name} = {_toml(value)}")
    for name, measurement in profile.measured.items():
        lines += [
            "",
            f"[measured.{name}]",
            f"value = {_toml(measurement.value)}",
            f"date = {measurement.date}",
        ]
        lines.append(f"file = {_toml(measurement.file)}")
        if measurement.method:
            lines.append(f"method = {_toml(measurement.method)}")
        if measurement.uncertainty is not None:
            lines.append(f"uncertainty = {_toml(measurement.uncertainty)}")
        if measurement.limited_by_generator:
            lines.append("limited_by_generator = true")
    return "\n".join(lines) + "\n"


def write_profile(profile: Profile, path: str | Path, *, replace: bool = True) -> None:
    """Write a profile as TOML, whole or not at all.

    Raises
    ------
    DestinationError
        If the place cannot be written to.
    """
    write_text(path, profile_toml(profile), replace=replace)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float) and value.is_integer() and math.fabs(value) < 1e15:
        return str(int(value))
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return repr(value)


def _toml_value(value: float | tuple[tuple[float, float], ...]) -> Any:
    return [list(pair) for pair in value] if isinstance(value, tuple) else value
