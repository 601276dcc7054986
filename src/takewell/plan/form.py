"""A day as a form: which tables does its TOML text have, what stands in their fields, and how does an entry come and go?

The form is drawn from what the text says, also where the text is wrong or unfinished: whether it is right is for
`parse_day` to say.
"""

import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from takewell.errors import SettingError
from takewell.kit.edit import with_another, without
from takewell.kit.fields import Accepted, parse_document
from takewell.kit.form import FormField, FormTable, form_field, form_fields
from takewell.kit.lines import Place
from takewell.kit.profile import shipped_kit
from takewell.kit.values import (
    Battery,
    Card,
    Clock,
    Load,
    Microphone,
    Profile,
    Recorder,
    RecorderInput,
    Transmitter,
)
from takewell.plan.day import (
    CircuitFields,
    CountFields,
    DayFields,
    DeviceFields,
    FileKind,
    MediaFields,
    SetUpFields,
    SourceFields,
    TimingFields,
    TrackFields,
)
from takewell.plan.sources import SOURCES

_NAMED_BY = {
    "recorder": Recorder, "microphone": Microphone, "input": RecorderInput, "transmitter": Transmitter,
    "card": Card, "copy_to": Card,
}  # fmt: skip
"""Fields that take the name of a profile, and of which kind."""

FIRST = {
    "power": '[[power]]\nname = "bag"\nrecorder = true\nload = [{ profile = "receiver", count = 1 }]\nbattery = [{ profile = "li-ion-98wh", count = 1 }]\n',
    "clock": '[[clock]]\ndevice = "recorder"\nprofile = "tcxo-clock"\n',
}
"""What the first entry of an array that may be empty looks like."""


def day_form(text: str, path: Path) -> tuple[FormTable, ...]:
    """Return the form of a day: the day itself, its set-ups, files, media, power, timecode and clocks.

    Parameters
    ----------
    text : str
        The day as TOML; it need not be right.
    path : Path
        What errors call it.

    Raises
    ------
    SettingError
        If it is no TOML.
    """
    content = parse_document(text, path).content
    day = FormTable((), "The day", form_fields(DayFields, content, (), {"recorder": _names(Recorder)}))
    set_ups = tuple(
        _set_up(table, ("setup", k), f"Set-up {k + 1}") for k, table in enumerate(_tables(content, "setup"))
    )
    return (
        day,
        *set_ups,
        *(
            FormTable(("file", k), f"File {k + 1}", form_fields(FileKind, table, ("file", k)))
            for k, table in enumerate(_tables(content, "file"))
        ),
        FormTable(("media",), "Cards and copies", form_fields(MediaFields, _table(content, "media"), ("media",), _suggested())),
        *(_circuit(table, ("power", k), k) for k, table in enumerate(_tables(content, "power"))),
        FormTable(("timecode",), "Timecode", form_fields(TimingFields, _table(content, "timecode"), ("timecode",))),
        *(
            FormTable(("clock", k), f"Clock {k + 1}", form_fields(DeviceFields, table, ("clock", k), {"profile": _names(Clock)}))
            for k, table in enumerate(_tables(content, "clock"))
        ),
    )  # fmt: skip


def with_one_more(text: str, place: Place) -> str:
    """Return a day with one more entry in an array of tables: like its last one, with a name of its own.

    Raises
    ------
    SettingError
        If there is no such array in a day.
    """
    key = str(place[-1])
    content = parse_document(text, Path("this text")).content
    held = _held(content, place)
    if not held:
        if len(place) != 1 or key not in FIRST or content.get(key):
            raise SettingError(f"A day has no [[{key}]] to add there.")
        return text.rstrip("\n") + "\n\n" + FIRST[key]
    last = held[-1]
    named = next((name for name in ("name", "device") if name in last), None)
    taken = {str(entry.get(named)) for entry in held} if named else set()
    changes: dict[str, Any] = {named: _another(str(last[named]), taken)} if named else {}
    if key == "source" and not named:
        changes["name"] = _another(str(last.get("kind", "source")), set())
    if (
        key == "setup"
        and isinstance(last.get("start"), datetime.time)
        and isinstance(last.get("end"), datetime.time)
    ):
        changes |= {"start": last["end"], "end": _as_long_after(last["start"], last["end"])}
    return with_another(text, place, changes)


def with_one_less(text: str, place: Place) -> str:
    """Return a day without one entry of an array of tables.

    Raises
    ------
    SettingError
        If it is not there.
    """
    return without(text, place)


def _held(content: Any, place: Place) -> list[dict[str, Any]]:
    """Return the tables of an array, none where there is no such array."""
    held = content
    for part in place:
        if isinstance(held, dict):
            held = held.get(str(part))
        elif isinstance(held, list) and isinstance(part, int) and part < len(held):
            held = held[part]
        else:
            return []
    return held if isinstance(held, list) and all(isinstance(entry, dict) for entry in held) else []


def _another(name: str, taken: set[str]) -> str:
    count = 2
    while f"{name} {count}" in taken:
        count += 1
    return f"{name} {count}"


def _as_long_after(start: datetime.time, end: datetime.time) -> datetime.time:
    """Return the end of a stretch that begins where another one ended and lasts as long."""
    day = datetime.date(2000, 1, 1)
    first, last = datetime.datetime.combine(day, start), datetime.datetime.combine(day, end)
    return (last + (last - first)).time()


def _set_up(table: Mapping[str, Any], place: Place, title: str) -> FormTable:
    hours = tuple(
        form_field(Accepted("time"), table, (*place, name), needed=True) for name in ("start", "end")
    )
    name, scenes, *rest = form_fields(SetUpFields, table, place)
    tracks = tuple(
        FormTable(
            (*place, "track", t),
            f"Track {t + 1}",
            form_fields(TrackFields, entry, (*place, "track", t), _suggested()),
            {
                "source": tuple(
                    FormTable(
                        (*place, "track", t, "source", s),
                        f"Source {s + 1}",
                        form_fields(
                            SourceFields, source, (*place, "track", t, "source", s), {"kind": tuple(SOURCES)}
                        ),
                    )
                    for s, source in enumerate(_tables(entry, "source"))
                )
            },
        )
        for t, entry in enumerate(_tables(table, "track"))
    )
    fields: tuple[FormField, ...] = (name, scenes, *hours, *rest)
    return FormTable(place, title, fields, {"track": tracks})


def _circuit(table: Mapping[str, Any], place: Place, number: int) -> FormTable:
    inner = {
        key: tuple(
            FormTable(
                (*place, key, k),
                f"{key} {k + 1}",
                form_fields(CountFields, entry, (*place, key, k), {"profile": _names(kind)}),
            )
            for k, entry in enumerate(_tables(table, key))
        )
        for key, kind in (("load", Load), ("battery", Battery))
    }
    return FormTable(place, f"Supply {number + 1}", form_fields(CircuitFields, table, place), inner)


def _tables(holder: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    found = holder.get(key, [])
    return found if isinstance(found, list) and all(isinstance(entry, dict) for entry in found) else []


def _table(holder: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = holder.get(key, {})
    return found if isinstance(found, dict) else {}


def _names(kind: type[Profile]) -> tuple[str, ...]:
    return tuple(name for name, profile in shipped_kit().items() if isinstance(profile, kind))


def _suggested() -> dict[str, tuple[str, ...]]:
    return {field: _names(kind) for field, kind in _NAMED_BY.items()}
