"""What is planned for one shoot day: set-ups, sources, which kit, hours?

Conventions: a day is one TOML file (docs/planning.md). Times of day are TOML local times; an end before its start
lies on the next day. Profiles are names of the kit or paths to profiles, looked for beside the day's file first.
"""

import datetime
import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from takewell.errors import SettingError
from takewell.kit.fields import (
    Document,
    date,
    flag,
    number,
    parse_document,
    read_document,
    read_table,
    text,
    word,
    words,
)
from takewell.kit.lines import Place
from takewell.kit.profile import find_profile
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
from takewell.plan.sources import SOURCES, SPEECH_SD_DB, Loudness
from takewell.timecode import TimecodeRate

P = TypeVar("P", bound=Profile)

ENCODINGS = ("int16", "int24", "int32", "float32", "float64")
SAMPLE_BYTES = {"int16": 2, "int24": 3, "int32": 4, "float32": 4, "float64": 8}


@dataclass(frozen=True, kw_only=True)
class Source:
    """Somebody or something in front of a track's microphone."""

    name: str
    loudness: Loudness
    distance_m: float
    off_axis_deg: float


@dataclass(frozen=True, kw_only=True)
class SourceFields:
    kind: str = text("")
    name: str = text("")
    distance_m: float = number(0.005, 1000)
    off_axis_deg: float = number(-360, 360, 0.0)
    level_db_spl: float | None = number(-20, 200, None)
    peak_db_spl: float | None = number(-20, 220, None)
    crest_db: float | None = number(0, 60, None)
    sd_db: float | None = number(0, 30, None)
    rise_ms: float | None = number(0, 1000, None)
    at_m: float | None = number(0.01, 1000, None)


@dataclass(frozen=True, kw_only=True)
class PlannedTrack:
    """One track: a microphone, what is in front of it, and its way into the file."""

    name: str
    microphone: Microphone
    recorder_input: RecorderInput
    gain_db: float
    transmitter: Transmitter | None
    transmitter_gain_db: float
    pad_db: float
    encoding: str
    role: str
    sources: tuple[Source, ...]


@dataclass(frozen=True, kw_only=True)
class TrackFields:
    name: str = text()
    microphone: str = text()
    input: str = text()
    gain_db: float = number(-100, 120)
    transmitter: str = text("")
    transmitter_gain_db: float = number(-60, 80, 0.0)
    pad_db: float = number(0, 60, 0.0)
    encoding: str = word(*ENCODINGS, default="")
    role: str = word("iso", "safety", default="iso")


@dataclass(frozen=True, kw_only=True)
class SetUp:
    """A stretch of the day in one place."""

    name: str
    scenes: tuple[str, ...]
    start_h: float
    """Hours since midnight of the day; past 24 on the next."""
    end_h: float
    recording_min: float
    longest_take_min: float
    room_noise_db_a: float
    room_noise_sd_db: float
    room_volume_m3: float | None
    reverberation_s: float | None
    temperature_c: float
    tracks: tuple[PlannedTrack, ...]


@dataclass(frozen=True, kw_only=True)
class SetUpFields:
    name: str = text()
    scenes: tuple[str, ...] = words(default=())
    recording_min: float = number(0, 1440)
    longest_take_min: float | None = number(0, 1440, None)
    room_noise_db_a: float = number(-10, 120)
    room_noise_sd_db: float = number(0, 20, 3.0)
    room_volume_m3: float | None = number(1, 10_000_000, None)
    reverberation_s: float | None = number(0.05, 20, None)
    temperature_c: float = number(-60, 60, 20.0)


@dataclass(frozen=True, kw_only=True)
class FileKind:
    """One of the files that every press of record writes; a file has one word length."""

    name: str = text()
    encoding: str = word(*ENCODINGS)
    tracks: float = number(1, 512)


@dataclass(frozen=True, kw_only=True)
class Media:
    """Cards for the day and disks for the copies."""

    card: Card
    count: int
    mirrored: bool
    margin_percent: float
    copy_to: Card | None
    copies: int
    reader_mb_s: float | None


@dataclass(frozen=True, kw_only=True)
class MediaFields:
    card: str = text()
    count: float = number(1, 1000, 1.0)
    mirrored: bool = flag(False)
    margin_percent: float = number(0, 90, 10.0)
    copy_to: str = text("")
    copies: float = number(1, 10, 2.0)
    reader_mb_s: float | None = number(0.1, 20_000, None)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """A load of a circuit, how many of it, and the hours of the day in which it runs (all of them if not given)."""

    load: Load
    count: int
    hours: float | None


@dataclass(frozen=True, kw_only=True)
class Circuit:
    """What hangs on one supply: the recorder or not, other loads, and the batteries in the order they are drained."""

    name: str
    recorder: bool
    loads: tuple[Drawn, ...]
    batteries: tuple[Battery, ...]
    spread_percent: float


@dataclass(frozen=True, kw_only=True)
class CircuitFields:
    name: str = text()
    recorder: bool = flag(False)
    spread_percent: float = number(0, 50, 10.0)


@dataclass(frozen=True, kw_only=True)
class CountFields:
    profile: str = text()
    count: float = number(1, 1000, 1.0)
    hours: float | None = number(0, 48, None)


@dataclass(frozen=True, kw_only=True)
class Device:
    """A device that keeps time."""

    name: str
    clock: Clock
    jammed: bool
    """Whether its timecode is set from another's at each jam."""


@dataclass(frozen=True, kw_only=True)
class DeviceFields:
    device: str = text()
    profile: str = text()
    jammed: bool = flag(True)


@dataclass(frozen=True, kw_only=True)
class Timing:
    """Timecode and how well it must hold."""

    rate: TimecodeRate
    picture_rate: TimecodeRate | None
    jam_every_h: float
    within_frames: float
    stamped_rate_hz: int | None


@dataclass(frozen=True, kw_only=True)
class TimingFields:
    rate: str = text()
    picture_rate: str = text("")
    jam_every_h: float = number(0.01, 100, 4.0)
    within_frames: float = number(0.001, 100, 0.5)
    stamped_rate_hz: float | None = number(8000, 384_000, None)


@dataclass(frozen=True, kw_only=True)
class Day:
    """One shoot day as planned."""

    path: Path
    name: str
    date: str
    sample_rate_hz: int
    risk_percent: float
    noise_rise_db: float
    speech_over_floor_db: float
    flight: bool
    recorder: Recorder
    set_ups: tuple[SetUp, ...]
    files: tuple[FileKind, ...]
    media: Media
    circuits: tuple[Circuit, ...]
    timing: Timing
    devices: tuple[Device, ...]


@dataclass(frozen=True, kw_only=True)
class DayFields:
    name: str = text()
    date: str = date()
    sample_rate_hz: float = number(8000, 384_000, 48_000.0)
    risk_percent: float = number(0.001, 50, 1.0)
    noise_rise_db: float = number(0.1, 20, 1.0)
    speech_over_floor_db: float = number(0, 100, 20.0)
    flight: bool = flag(False)
    recorder: str = text()


class _Reader:
    """Reads one day; keeps where it is, so that every complaint has its line."""

    def __init__(self, document: Document, allowed: Callable[[Path], object] | None = None) -> None:
        self.document = document
        self.folder = document.path.parent
        self.allowed = allowed

    def tables(self, holder: Mapping[str, Any], key: str, place: Place, *, needed: bool = True) -> list[Any]:
        found = holder.get(key, [])
        if not isinstance(found, list) or not all(isinstance(entry, dict) for entry in found):
            self.document.refuse((*place, key), f"{key} is no list of tables; write each under [[{key}]].")
        if needed and not found:
            self.document.refuse(place, f"there is no [[{key}]] here; at least one is needed.")
        return found

    def profile(self, name: str, kind: type[P], place: Place) -> P:
        try:
            return find_profile(name, kind, self.folder, allowed=self.allowed)
        except SettingError as error:
            text = str(error)
            if ", line " in text.partition(": ")[0]:
                raise  # the profile itself is wrong, and says where
            self.document.refuse(place, text)

    def hours(self, table: Mapping[str, Any], key: str, place: Place) -> float:
        value = table.get(key)
        if not isinstance(value, datetime.time):
            what = "is missing" if value is None else "is no time of day"
            self.document.refuse(
                (*place, key), f"the field {key!r} {what}; it takes a time such as 09:30:00."
            )
        return value.hour + value.minute / 60 + value.second / 3600

    def day(self) -> Day:
        content = self.document.content
        inner = ("setup", "file", "media", "power", "timecode", "clock")
        fields = read_table(DayFields, self.document, content, (), also=inner)
        recorder = self.profile(fields.pop("recorder"), Recorder, ("recorder",))
        rate = int(fields.pop("sample_rate_hz"))
        for key in ("media", "timecode"):
            if key not in content:
                self.document.refuse((), f"the table [{key}] is missing.")
            if not isinstance(content[key], dict):
                self.document.refuse(
                    (key, 0), f"{key} is one table, not several or a value; write it under [{key}]."
                )
        file_kinds = tuple(
            FileKind(**read_table(FileKind, self.document, table, ("file", k)))
            for k, table in enumerate(self.tables(content, "file", ()))
        )
        return Day(
            path=self.document.path,
            **fields,
            sample_rate_hz=rate,
            recorder=recorder,
            set_ups=self.set_ups(content),
            files=file_kinds,
            media=self.media(content["media"]),
            circuits=tuple(
                self.circuit(table, ("power", k))
                for k, table in enumerate(self.tables(content, "power", (), needed=False))
            ),
            timing=self.timing(content["timecode"]),
            devices=self.devices(content),
        )

    def set_ups(self, content: Mapping[str, Any]) -> tuple[SetUp, ...]:
        found: list[SetUp] = []
        for k, table in enumerate(self.tables(content, "setup", ())):
            place: Place = ("setup", k)
            fields = read_table(SetUpFields, self.document, table, place, also=("start", "end", "track"))
            start, end = self.hours(table, "start", place), self.hours(table, "end", place)
            if found and start < found[-1].end_h - 1e-9:
                if start >= found[0].start_h:
                    self.document.refuse(
                        (*place, "start"), "this set-up begins before the one above it has ended."
                    )
                start += 24
            while end <= start:
                end += 24
            longest = fields.pop("longest_take_min")
            if fields["recording_min"] > 60 * (end - start) + 1e-6:
                self.document.refuse(
                    (*place, "recording_min"),
                    f"recording_min is {fields['recording_min']:g}, more than the set-up lasts.",
                )
            found.append(
                SetUp(
                    **fields,
                    start_h=start,
                    end_h=end,
                    longest_take_min=min(fields["recording_min"], 30.0) if longest is None else longest,
                    tracks=tuple(
                        self.track(entry, (*place, "track", t))
                        for t, entry in enumerate(self.tables(table, "track", place))
                    ),
                )
            )
        return tuple(found)

    def track(self, table: Mapping[str, Any], place: Place) -> PlannedTrack:
        fields = read_table(TrackFields, self.document, table, place, also=("source",))
        recorder_input = self.profile(fields.pop("input"), RecorderInput, (*place, "input"))
        microphone = self.profile(fields.pop("microphone"), Microphone, (*place, "microphone"))
        link = fields.pop("transmitter")
        transmitter = self.profile(link, Transmitter, (*place, "transmitter")) if link else None
        for key, device in (("gain_db", recorder_input), ("transmitter_gain_db", transmitter)):
            if device is not None and not device.gain_min_db <= fields[key] <= device.gain_max_db:
                self.document.refuse(
                    (*place, key),
                    f"{key} is {fields[key]:g}; {device.name} goes from {device.gain_min_db:g} to {device.gain_max_db:g} dB.",
                )
        sources = tuple(
            self.source(entry, (*place, "source", s))
            for s, entry in enumerate(self.tables(table, "source", place))
        )
        if len({source.name for source in sources}) < len(sources):
            self.document.refuse(place, "two sources of this track have one name; give each its own name.")
        encoding = fields.pop("encoding") or recorder_input.encoding
        return PlannedTrack(
            **fields,
            microphone=microphone,
            recorder_input=recorder_input,
            transmitter=transmitter,
            encoding=encoding,
            sources=sources,
        )

    def source(self, table: Mapping[str, Any], place: Place) -> Source:
        fields = read_table(SourceFields, self.document, table, place)
        kind, name = fields["kind"], fields["name"]
        own_level = fields["level_db_spl"] is not None or fields["peak_db_spl"] is not None
        if not kind and not (name and own_level):
            self.document.refuse(
                place, "a source takes 'kind' (what it is), or 'name' with 'level_db_spl' or 'peak_db_spl'."
            )
        if kind and kind not in SOURCES:
            near = difflib.get_close_matches(kind, SOURCES, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(SOURCES)}."
            self.document.refuse((*place, "kind"), f"there is no source {kind!r}; {hint}")
        if fields["level_db_spl"] is not None and fields["peak_db_spl"] is not None:
            self.document.refuse(
                (*place, "peak_db_spl"), "a source takes level_db_spl or peak_db_spl, not both."
            )
        base = SOURCES[kind] if kind else Loudness("crowd", 0.0, 15.0, SPEECH_SD_DB)
        crest = base.crest_db if fields["crest_db"] is None else fields["crest_db"]
        level, at_m = base.level_db_spl, base.at_m
        if own_level:
            level = (
                fields["level_db_spl"]
                if fields["level_db_spl"] is not None
                else fields["peak_db_spl"] - crest
            )
            at_m = 1.0
        loudness = Loudness(
            base.kind,
            level,
            crest,
            base.sd_db if fields["sd_db"] is None else fields["sd_db"],
            base.rise_ms if fields["rise_ms"] is None else fields["rise_ms"],
            at_m if fields["at_m"] is None else fields["at_m"],
            "the day's own figure" if own_level else base.origin,
        )
        return Source(
            name=name or kind.replace("_", " "),
            loudness=loudness,
            distance_m=fields["distance_m"],
            off_axis_deg=fields["off_axis_deg"],
        )

    def media(self, table: Mapping[str, Any]) -> Media:
        fields = read_table(MediaFields, self.document, table, ("media",))
        copy_to = fields.pop("copy_to")
        return Media(
            card=self.profile(fields.pop("card"), Card, ("media", "card")),
            count=int(fields.pop("count")),
            copies=int(fields.pop("copies")),
            copy_to=self.profile(copy_to, Card, ("media", "copy_to")) if copy_to else None,
            **fields,
        )

    def circuit(self, table: Mapping[str, Any], place: Place) -> Circuit:
        fields = read_table(CircuitFields, self.document, table, place, also=("load", "battery"))
        loads = []
        for k, entry in enumerate(self.tables(table, "load", place, needed=not fields["recorder"])):
            at = (*place, "load", k)
            drawn = read_table(CountFields, self.document, entry, at)
            loads.append(
                Drawn(
                    load=self.profile(drawn["profile"], Load, (*at, "profile")),
                    count=int(drawn["count"]),
                    hours=drawn["hours"],
                )
            )
        batteries: list[Battery] = []
        for k, entry in enumerate(self.tables(table, "battery", place)):
            at = (*place, "battery", k)
            several = read_table(CountFields, self.document, entry, at)
            battery = self.profile(several["profile"], Battery, (*at, "profile"))
            batteries += [battery] * int(several["count"])
        return Circuit(**fields, loads=tuple(loads), batteries=tuple(batteries))

    def timing(self, table: Mapping[str, Any]) -> Timing:
        fields = read_table(TimingFields, self.document, table, ("timecode",))
        stamped = fields.pop("stamped_rate_hz")
        picture = fields.pop("picture_rate")
        return Timing(
            rate=self.rate(fields.pop("rate"), ("timecode", "rate")),
            picture_rate=self.rate(picture, ("timecode", "picture_rate")) if picture else None,
            stamped_rate_hz=None if stamped is None else int(stamped),
            **fields,
        )

    def rate(self, text: str, place: Place) -> TimecodeRate:
        try:
            return TimecodeRate.parse(text)
        except SettingError as error:
            self.document.refuse(place, str(error))

    def devices(self, content: Mapping[str, Any]) -> tuple[Device, ...]:
        found = []
        for k, table in enumerate(self.tables(content, "clock", (), needed=False)):
            fields = read_table(DeviceFields, self.document, table, ("clock", k))
            clock = self.profile(fields["profile"], Clock, ("clock", k, "profile"))
            found.append(Device(name=fields["device"], clock=clock, jammed=fields["jammed"]))
        return tuple(found)


def read_day(path: str | Path) -> Day:
    """Read a day from its TOML file.

    Raises
    ------
    FileError
        If the file (or a profile it names) cannot be read.
    SettingError
        If a field is unknown, missing or wrong; the message has file and line.
    """
    return _Reader(read_document(Path(path))).day()


def parse_day(text: str, path: Path, *, allowed: Callable[[Path], object] | None = None) -> Day:
    """Read a day from a text; `path` is what errors call it, and beside it profiles are looked for.

    Parameters
    ----------
    text : str
    path : Path
    allowed : callable, optional
        Told the path of each profile before it is read; what it raises goes on.

    Raises
    ------
    FileError, SettingError
        As `read_day`.
    """
    return _Reader(parse_document(text, path), allowed).day()


def example_day() -> str:
    """Return an invented day as TOML, to start from."""
    return (files("takewell.plan") / "hundred-winters.toml").read_text(encoding="utf-8")
