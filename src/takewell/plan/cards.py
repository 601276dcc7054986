"""Do cards and disks last the day, and how long do the copies take?

Conventions: a press of record writes one or more files, each with one word length; bytes per second are
rate × bytes per sample × tracks. Cards and disks are sold in decimal gigabytes; 4 GiB is 2³² bytes, and a FAT32
file ends one byte before it (Microsoft, FAT file system specification), as does what the 32-bit sizes of RIFF
can say. Speed classes are minimum sustained write speeds (SD Association: Cn, Un × 10 and Vn MB/s).
"""

import math
from dataclasses import dataclass

from takewell.kit.values import Card
from takewell.plan.day import SAMPLE_BYTES, Day, FileKind

FAT32_LARGEST_BYTES = 2**32 - 1
HEADER_BYTES = 65_536
"""Room for the metadata chunks of one file, generously."""

SPEED_FACTOR = 2.0
"""A card should be sustained at twice what is written: they slow down with age and when full (common practice, no source)."""


@dataclass(frozen=True)
class FileNeed:
    """What one of the paired files takes."""

    file: FileKind
    bytes_per_s: int
    bytes_per_hour: int
    longest_take_bytes: int
    minutes_to_4_gib: float
    pieces: int
    """Files the longest take is cut into."""


@dataclass(frozen=True)
class CardPlan:
    """Cards, copies and their times for the whole day."""

    files: tuple[FileNeed, ...]
    bytes_per_s: int
    bytes_per_hour: int
    day_bytes: int
    hours_per_card: float
    cards_needed: int
    write_mb_s: float
    write_needed_mb_s: float
    pre_record_bytes: int
    copy_mb_s: float | None
    copy_min: float | None
    verify_min: float | None
    copy_gb_each: float
    copies: int


def write_speed_mb_s(card: Card) -> float | None:
    """Return the sustained write speed of a card: as stated, or the minimum of its fastest class; None if neither is known."""
    if card.write_mb_s is not None:
        return card.write_mb_s
    speeds = [int(c[1:]) * (10 if c[0] == "U" else 1) for c in card.speed_class]
    return float(max(speeds)) if speeds else None


def file_need(file: FileKind, rate: int, longest_take_s: float, *, split: str) -> FileNeed:
    """Return what one kind of file takes.

    Parameters
    ----------
    longest_take_s : float
        Seconds of the longest take, pre-record included.
    split : {"4gib", "rf64"}
        Whether the recorder cuts files before 4 GiB or goes on as RF64.
    """
    per_s = rate * SAMPLE_BYTES[file.encoding] * int(file.tracks)
    longest = math.ceil(longest_take_s * per_s) + HEADER_BYTES
    room = FAT32_LARGEST_BYTES - HEADER_BYTES
    return FileNeed(
        file=file,
        bytes_per_s=per_s,
        bytes_per_hour=3600 * per_s,
        longest_take_bytes=longest,
        minutes_to_4_gib=FAT32_LARGEST_BYTES / per_s / 60,
        pieces=max(1, math.ceil((longest - HEADER_BYTES) / room)) if split == "4gib" else 1,
    )


def card_plan(day: Day) -> CardPlan:
    """Return what the day's recording takes on cards and disks."""
    pre_record_s = day.recorder.pre_record_s
    longest_s = 60 * max(s.longest_take_min for s in day.set_ups) + pre_record_s
    files = tuple(file_need(f, day.sample_rate_hz, longest_s, split=day.recorder.split) for f in day.files)
    per_s = sum(f.bytes_per_s for f in files)
    day_bytes = math.ceil(per_s * 60 * sum(s.recording_min for s in day.set_ups))
    media = day.media
    usable = media.card.size_gb * 1e9 * (1 - media.margin_percent / 100)
    reading = [media.card.read_mb_s] + ([media.reader_mb_s] if media.reader_mb_s else [])
    copy_mb_s = verify_mb_s = None
    if media.copy_to is not None:
        writing = write_speed_mb_s(media.copy_to)
        copy_mb_s = min([*reading, *([writing] if writing else [])])
        verify_mb_s = media.copy_to.read_mb_s
    return CardPlan(
        files=files,
        bytes_per_s=per_s,
        bytes_per_hour=3600 * per_s,
        day_bytes=day_bytes,
        hours_per_card=usable / (3600 * per_s),
        cards_needed=max(1, math.ceil(day_bytes / usable)) * (2 if media.mirrored else 1),
        write_mb_s=write_speed_mb_s(media.card) or math.nan,
        write_needed_mb_s=per_s / 1e6,
        pre_record_bytes=math.ceil(pre_record_s * per_s),
        copy_mb_s=copy_mb_s,
        copy_min=None if copy_mb_s is None else day_bytes / copy_mb_s / 60e6,
        verify_min=None if verify_mb_s is None else day_bytes / verify_mb_s / 60e6,
        copy_gb_each=day_bytes / 1e9,
        copies=media.copies,
    )


def card_problems(day: Day, plan: CardPlan) -> tuple[str, ...]:
    """Return what of it does not hold, one sentence each."""
    media, found = day.media, []
    gb = plan.day_bytes / 1e9
    if plan.cards_needed > media.count:
        found.append(
            f"the day makes {gb:.1f} GB and needs {plan.cards_needed} cards of {media.card.size_gb:g} GB, "
            f"but {media.count} are planned; bring more or larger ones."
        )
    if math.isnan(plan.write_mb_s):
        found.append("nothing says how fast the card writes; state its class or write_mb_s in its profile.")
    elif plan.write_mb_s < plan.write_needed_mb_s:
        found.append(
            f"the recorder writes {plan.write_needed_mb_s:.2f} MB/s, the card is only sure to take {plan.write_mb_s:g}; use a faster one."
        )
    elif plan.write_mb_s < SPEED_FACTOR * plan.write_needed_mb_s:
        found.append(
            f"the recorder writes {plan.write_needed_mb_s:.2f} MB/s, more than half of the {plan.write_mb_s:g} the card is sure to take; use a faster one."
        )
    for need in plan.files:
        if (
            media.card.file_system == "fat32"
            and day.recorder.split == "rf64"
            and need.longest_take_bytes > FAT32_LARGEST_BYTES
        ):
            found.append(
                f"the longest take's file {need.file.name!r} grows to {need.longest_take_bytes / 1e9:.2f} GB, and FAT32 ends a file at 4 GiB "
                f"({need.minutes_to_4_gib:.0f} min); use a card with exFAT or let the recorder cut its files."
            )
    if media.copy_to is not None and plan.copy_gb_each > media.copy_to.size_gb:
        found.append(
            f"a copy of the day is {plan.copy_gb_each:.0f} GB, more than a disk of {media.copy_to.size_gb:g} GB holds."
        )
    if media.mirrored and day.recorder.card_slots < 2:
        found.append(
            "two slots are to record alike, but the recorder has one; take mirrored out or another recorder."
        )
    if media.copies < 2:
        found.append("only one copy is planned; keep two on separate disks before a card is erased.")
    tracks = sum(int(f.tracks) for f in day.files)
    if tracks > day.recorder.tracks_max:
        found.append(
            f"the files hold {tracks} tracks, the recorder writes at most {day.recorder.tracks_max:g}; take some off."
        )
    return tuple(found)
