"""What a delivered file is called.

A pattern is a Python format string over the fields below; every result is safe on the file systems that
editors use (no separators, control characters, trailing dots or spaces, reserved device names), at most 200
bytes long, and unique within the package without regard to case.
"""

import re
import unicodedata
from string import Formatter

from takewell.errors import SettingError
from takewell.roll.values import Take, Track

FIELDS = ("original", "project", "tape", "date", "scene", "take", "id", "track", "name", "role", "start")
"""What a pattern may name: `original` is the file's own stem; `start` the timecode without separators."""

MAX_NAME_BYTES = 200
_UNSAFE = re.compile(r'[\x00-\x1f\x7f<>:"/\\|?*]')
_EMPTY_BETWEEN = re.compile(r"([_-])[_-]+")
_RESERVED = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"com{n}" for n in range(1, 10)),
    *(f"lpt{n}" for n in range(1, 10)),
}


def safe_name(text: str) -> str:
    """Return `text` as a file-name stem that every common file system takes; never empty."""
    text = _UNSAFE.sub("-", unicodedata.normalize("NFC", text)).strip(" .")
    while len(text.encode()) > MAX_NAME_BYTES:
        text = text[:-1]
    text = text.rstrip(" .")
    if not text:
        return "untitled"
    return f"{text}-" if text.lower().split(".")[0] in _RESERVED else text


def check_pattern(pattern: str) -> None:
    """Refuse a pattern that names unknown fields or says nothing about which file it is.

    Raises
    ------
    SettingError
        With the field that is wrong and those there are.
    """
    try:
        fields = [field for _, field, _, _ in Formatter().parse(pattern) if field is not None]
    except ValueError as error:
        raise SettingError(f"the name pattern {pattern!r} is not well formed: {error}.") from None
    unknown = [field for field in fields if field not in FIELDS]
    if unknown:
        raise SettingError(f"the name pattern names {{{unknown[0]}}}; it may name {', '.join(FIELDS)}.")
    if not fields:
        raise SettingError(
            f"the name pattern {pattern!r} would give every file the same name; name a field such as {{id}}."
        )


def delivered_stem(
    pattern: str, take: Take, original: str, track: Track | None = None, channel: int | None = None
) -> str:
    """Return the stem of a delivered file.

    Parameters
    ----------
    pattern : str
        Fields that are empty leave no trace: the separators beside them go too.
    take : Take
        Where it has neither scene nor take, its id stands for the scene.
    original : str
        The file's own stem.
    track : Track, optional
        For files of one track.
    channel : int, optional
        Stands for the track's number where the take knows no track there.
    """
    number = track.number if track else channel
    filled = pattern.format(
        original=original,
        project=take.project,
        tape=take.tape,
        date=take.date or "",
        scene=take.scene if take.scene or take.take else take.id,
        take=take.take,
        id=take.id,
        track=f"{number:02d}" if number else "",
        name=track.name if track else "",
        role=track.role if track else "",
        start="" if take.start is None else re.sub(r"\D", "", str(take.start)),
    )
    return safe_name(_EMPTY_BETWEEN.sub(r"\1", filled).strip("_- "))


class UniqueNames:
    """Hands out relative paths no two of which differ only by case."""

    def __init__(self) -> None:
        self._taken: set[str] = set()

    def claim(self, folder: str, stem: str, suffix: str) -> str:
        """Return ``folder/stem.suffix``, with a counter behind the stem where that name is taken."""
        for count in range(1, 1_000_000):
            path = f"{folder}/{stem if count == 1 else f'{stem}-{count}'}{suffix}"
            if path.casefold() not in self._taken:
                self._taken.add(path.casefold())
                return path
        raise AssertionError("a million files of one name")
