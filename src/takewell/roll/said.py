"""What does one file say of its take, its tracks and its time?

Conventions: iXML goes before the informal lines of bext's description (``sSCENE=14A``, ``sTRK1=Boom``; common
practice, no source), as the iXML specification asks; bext's TimeReference and the fmt chunk go before iXML, as
it asks too, and where they disagree a sentence says so. TimeReference counts samples at the fmt chunk's rate.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from takewell.errors import SettingError
from takewell.roll.names import StemHints, stem_hints
from takewell.timecode import TimecodeRate
from takewell.wave.values import AudioInfo, Bext, Ixml

DAY_S = 86_400

_LINE = re.compile(r"^[a-z]?(SCENE|TAKE|TAPE|NOTE|SPEED|PROJECT|CIRCLED|TRK\d{1,2})\s*=(.*)$", re.MULTILINE)
_DATE = re.compile(r"(\d{4})\D(\d{2})\D(\d{2})")


@dataclass(frozen=True)
class FileHeader:
    """One sound file as it lies in a folder: path relative to it, size, time of change, header."""

    path: str
    size_bytes: int
    mtime_ns: int
    info: AudioInfo
    digest: str = ""
    """A hash of the whole file where one is known."""

    @property
    def stem(self) -> str:
        """File name without its suffix."""
        name = self.path.rsplit("/", 1)[-1]
        return name.rsplit(".", 1)[0] if "." in name else name

    @property
    def folders(self) -> tuple[str, ...]:
        """Folders the file lies in, outermost first."""
        return tuple(self.path.split("/")[:-1])


@dataclass(frozen=True)
class Said:
    """A file's own words, its name's hints, and what of them disagrees."""

    header: FileHeader
    hints: StemHints
    scene: str
    take: str
    tape: str
    project: str
    note: str
    circled: bool | None
    no_good: bool
    wild: bool
    family: str
    total_files: int | None
    timecode_rate: TimecodeRate | None
    position: int | None
    """Samples since midnight of the first sample, None where no field holds it."""
    stamped: bool
    """Whether `position` was meant: a zero that nothing else supports was not."""
    date: str | None
    track_names: tuple[str, ...]
    functions: tuple[str, ...]
    channel_indices: tuple[int | None, ...]
    conflicts: tuple[str, ...]

    @property
    def identity(self) -> tuple[str, str] | None:
        """Scene and take, None where the file names no take."""
        return (self.scene, self.take) if self.take else None

    @property
    def layout(self) -> tuple[int, str, int]:
        """Rate, encoding and channels: what all parts of one series share."""
        info = self.header.info
        return info.rate, info.encoding, info.channels

    @property
    def end(self) -> int | None:
        """Samples since midnight one past the last sample."""
        return None if self.position is None else self.position + self.header.info.length_samples


def what_it_says(header: FileHeader) -> Said:
    """Return what a file's header and name say, gathered from wherever it stands."""
    info = header.info
    ixml, bext = info.ixml or Ixml(), info.bext
    lines = _description_lines(bext)
    conflicts: list[str] = []
    position = _position(header.path, bext, ixml, info, conflicts)
    names, functions, indices = _tracks(header.path, info, ixml, lines, conflicts)
    types = {kind.upper() for kind in ixml.take_type}
    circled = ixml.circled
    if circled is None and "CIRCLED" in lines:
        circled = lines["CIRCLED"][:1].upper() in ("T", "Y", "1")
    rate = _timecode_rate(header.path, ixml, lines, conflicts)
    return Said(
        header=header,
        hints=stem_hints(header.stem, header.folders),
        scene=ixml.scene or lines.get("SCENE", ""),
        take=ixml.take or lines.get("TAKE", ""),
        tape=ixml.tape or lines.get("TAPE", ""),
        project=ixml.project or lines.get("PROJECT", ""),
        note=ixml.note or lines.get("NOTE", ""),
        circled=circled,
        no_good=bool(ixml.no_good) or "NO_GOOD" in types or "FALSE_START" in types,
        wild=bool(ixml.wild_track) or "WILD_TRACK" in types,
        family=ixml.family_uid,
        total_files=ixml.total_files,
        timecode_rate=rate,
        position=position,
        stamped=bool(position) or (position is not None and rate is not None),
        date=_date(bext),
        track_names=names,
        functions=functions,
        channel_indices=indices,
        conflicts=tuple(conflicts),
    )


def _description_lines(bext: Bext | None) -> Mapping[str, str]:
    if bext is None:
        return {}
    lines = {key: text.strip() for key, text in _LINE.findall(bext.description.replace("\r", "\n"))}
    return {key: text for key, text in lines.items() if text}


def _position(path: str, bext: Bext | None, ixml: Ixml, info: AudioInfo, conflicts: list[str]) -> int | None:
    stamp_rate = ixml.timestamp_sample_rate
    for rate, what in ((stamp_rate, "stamps time"), (ixml.file_sample_rate, "puts the file")):
        if rate and rate != info.rate:
            conflicts.append(
                f"{path}: iXML {what} at {rate} Hz, the file's format says {info.rate} Hz; the format counts."
            )
    if bext is None:
        return ixml.timestamp_samples
    stamp = ixml.timestamp_samples
    if stamp is not None and stamp != bext.time_reference:
        conflicts.append(
            f"{path}: bext's TimeReference {bext.time_reference} and iXML's time stamp {stamp} differ by "
            f"{abs(stamp - bext.time_reference)} samples; bext's counts."
        )
    return bext.time_reference


def _timecode_rate(
    path: str, ixml: Ixml, lines: Mapping[str, str], conflicts: list[str]
) -> TimecodeRate | None:
    text, flag = (
        (ixml.timecode_rate, ixml.timecode_flag) if ixml.timecode_rate else (lines.get("SPEED", ""), "")
    )
    if not text:
        return None
    try:
        return TimecodeRate.parse(text, flag)
    except SettingError:
        pass
    try:
        rate = TimecodeRate.parse(text)
    except SettingError:
        conflicts.append(f"{path}: the timecode rate {text!r} is none that exists; the file has no timecode.")
        return None
    conflicts.append(f"{path}: the timecode flag {flag!r} does not go with {rate}; it was left out.")
    return rate


def _tracks(
    path: str, info: AudioInfo, ixml: Ixml, lines: Mapping[str, str], conflicts: list[str]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[int | None, ...]]:
    channels = range(1, info.channels + 1)
    listed = {track.interleave_index: track for track in ixml.tracks}
    if ixml.tracks and (len(ixml.tracks) != info.channels or set(listed) != set(channels)):
        conflicts.append(
            f"{path}: iXML lists {len(ixml.tracks)} tracks for {info.channels} channels; names may be wrong."
        )
    if ixml.tracks:
        found = [listed.get(channel) for channel in channels]
        return (
            tuple(track.name if track else "" for track in found),
            tuple(track.function if track else "" for track in found),
            tuple(track.channel_index if track else None for track in found),
        )
    # In the lines TRKn counts the recorder's tracks: those that are written in order are the file's channels.
    numbers = sorted(int(key[3:]) for key in lines if key.startswith("TRK"))
    if set(channels) <= set(numbers) or len(numbers) != info.channels:
        numbers = list(channels)
    return (
        tuple(lines.get(f"TRK{number}", "") for number in numbers),
        ("",) * info.channels,
        tuple(number if f"TRK{number}" in lines else None for number in numbers),
    )


def _date(bext: Bext | None) -> str | None:
    match = _DATE.fullmatch(bext.origination_date.strip()) if bext else None
    if match is None or match[1] == "0000":
        return None
    return f"{match[1]}-{match[2]}-{match[3]}"


def gap_samples(earlier: Said, later: Said) -> int | None:
    """Return how many samples lie between two files by their stamps (negative: they overlap), None without stamps.

    A day's end between them is taken into account: after 24 hours of clock, or of the timecode's own day.
    """
    if earlier.end is None or later.position is None:
        return None
    gap = later.position - earlier.end
    return min([gap, *(gap + day for day in days_samples(earlier))], key=abs)


def days_samples(file: Said) -> tuple[int, ...]:
    """Return the lengths of a day in samples: by the clock and by the file's timecode."""
    rate = file.header.info.rate
    clock = DAY_S * rate
    if file.timecode_rate is None:
        return (clock,)
    counted = round(file.timecode_rate.frames_per_day * file.timecode_rate.samples_per_frame(rate))
    return tuple({clock: None, counted: None})
