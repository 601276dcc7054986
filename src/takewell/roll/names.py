"""What can a file's or a track's name tell about its part in a take?

Conventions: names are hints and come last, after iXML, time stamps and formats; a hint counts only where the
files around it fit. Everything here is common practice, no source. A *stem* is a file name without its
suffix; it is read in tokens parted by space, underscore, hyphen, dot, comma or brackets.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from takewell.roll.values import Role

CopyHint = Literal["", "safety", "mix"]

_PARTING = r"[\s_\-.,()\[\]]+"
_SAFETY = {"s", "saf", "safe", "safety", "sfty", "backup", "24", "24b", "24bit", "i24", "int24"}
_MIX = {"mix", "mixdown", "mixes", "lr", "trlr", "stmix", "mixlr", "stereomix", "monomix", "roughmix"}
_PLAIN = {"iso", "isos", "poly", "multi", "f32", "32f", "32b", "32bit", "float", "float32", "main"}
_TRACK_WORD = re.compile(
    r"(?:tr|trk|track|ch|chan|channel|in|input|mic|boom|lav|radio|plant|iso|mix|left|right|mid|side|l|r|m|s|lr|trlr)"
    r"0*\d{0,2}[lr]?",
)
_EXPLICIT_TRACK = re.compile(r"(?:tr|trk|track|ch|chan|channel)0*\d{1,2}")


@dataclass(frozen=True)
class StemHints:
    """A stem taken apart: what names the take, what names the copy, and a trailing number or word."""

    whole: str
    """Folders and all tokens, in lower case."""
    base: str
    """`whole` without the words that name a copy: what names the take and its part."""
    copy: CopyHint
    explicit: bool
    """Whether the copy is named by a whole word, not by a letter or number that may mean something else."""
    tail: str
    """Last token of `base`: a track's, a part's or a take's name, as the files around it decide."""
    head: str
    """`base` without `tail`."""


def stem_hints(stem: str, folders: tuple[str, ...] = ()) -> StemHints:
    """Return what a stem, lying in `folders` (outermost first), may tell.

    Folders named after a copy (``MIX``, ``safety``, ``24bit``) are read as if that word stood in the stem,
    other folders belong to the base.
    """
    copy: CopyHint = ""
    explicit = False
    kept_folders = []
    for folder in folders:
        tokens = _tokens(folder)
        hints = [_hint(token) for token in tokens]
        if tokens and all(hint is not None for hint in hints) and len(folder) > 1:
            for hint in hints:
                copy, explicit = hint or copy, explicit or bool(hint)
        else:
            kept_folders.append(folder.lower())
    tokens = _tokens(stem)
    kept = list(tokens)
    # Copy words stand at the end, or before the number of a part; one of them is enough, so that the
    # second number of "14-24_S" stays the take's.
    named = False
    for place in range(len(tokens) - 1, 0, -1):
        hint = _hint(tokens[place])
        if hint is None and place == len(tokens) - 1 and tokens[place].isdigit():
            continue
        if hint is None or (hint and named):
            break
        del kept[place]
        if hint:
            copy, named, explicit = hint, True, explicit or len(tokens[place]) > 2
    prefix = "/".join(kept_folders)
    return StemHints(
        whole=f"{'/'.join(folders).lower()}/{' '.join(tokens)}",
        base=f"{prefix}/{' '.join(kept)}",
        copy=copy,
        explicit=explicit,
        tail=kept[-1] if kept else "",
        head=f"{prefix}/{' '.join(kept[:-1])}",
    )


def is_track_word(token: str) -> bool:
    """Return whether a token is a customary name of a track, such as ``tr3``, ``boom`` or ``L``."""
    return _TRACK_WORD.fullmatch(token) is not None


def is_explicit_track(token: str) -> bool:
    """Return whether a token can hardly name anything but a track, such as ``tr3`` or ``ch02``."""
    return _EXPLICIT_TRACK.fullmatch(token) is not None


def telling_names(stems: Sequence[str]) -> list[str]:
    """Return what each of several stems has for itself: its tokens without those all share at either end.

    Plain numbers tell nothing and give an empty name (``14-2_BOOM``, ``14-2_LAV 1`` give ``BOOM``, ``LAV 1``).
    """
    split = [[token for token in re.split(_PARTING, stem) if token] for stem in stems]
    shortest = min(map(len, split))
    start = next((i for i in range(shortest) if len({tokens[i] for tokens in split}) > 1), shortest)
    rest = [tokens[start:] for tokens in split]
    shortest = min(map(len, rest))
    end = next((i for i in range(shortest) if len({tokens[-1 - i] for tokens in rest}) > 1), shortest)
    names = [" ".join(tokens[: len(tokens) - end]) for tokens in rest]
    return ["" if name.isdecimal() else name for name in names]


def common_name(stems: Sequence[str]) -> str:
    """Return what all stems begin with, in whole words; empty when they share nothing."""
    length = 0
    for signs in zip(*stems, strict=False):
        if len({sign.lower() for sign in signs}) > 1:
            break
        length += 1
    shared = stems[0][:length]
    if length not in map(len, stems):
        shared = shared[: max(shared.rfind(sign) for sign in " _-.,()[]") + 1]
    return shared.rstrip(" _-.,([")


def earlier_stems(stem: str) -> set[str]:
    """Return the names that would stand just before `stem` in a series of parts, in lower case.

    Either one number is lower by one (``day_0001`` before ``day_0002``), or the first part has no number
    (``day`` before ``day_2``, ``day-001`` or ``day part 2``), or parts are lettered (``day_a``, ``day_b``).
    """
    text = stem.lower()
    found = set()
    for run in re.finditer(r"\d+", text):
        number = int(run[0]) - 1
        if number >= 0:
            for digits in (str(number).zfill(len(run[0])), str(number)):
                found.add(text[: run.start()] + digits + text[run.end() :])
    if match := re.fullmatch(r"(.*?)[\s_\-.(]+(?:part|pt|p)?[\s_\-.]*(?:0*[12]|b)\)?", text):
        found.add(match[1])
    if match := re.fullmatch(r"(.*[\s_\-.(\d])([b-z])", text):
        found.add(match[1] + chr(ord(match[2]) - 1))
    return found - {text}


def natural_order(text: str) -> tuple[tuple[int, int, str], ...]:
    """Return a sorting key that puts ``take 2`` before ``take 10``."""
    parts = re.findall(r"\d+|\D+", text.lower())
    return tuple((0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts)


@lru_cache(maxsize=4096)
def track_role(name: str, function: str = "") -> Role | None:
    """Return the role that a track's name or iXML FUNCTION states, or None where it states none."""
    if re.fullmatch(r"(?:[LR]-)?MIX", function.strip().upper()):
        return "mix"
    for role, pattern in _ROLE_NAMES:
        if pattern.search(name):
            return role
    return None


@lru_cache(maxsize=4096)
def plain_track_name(name: str) -> str:
    """Return a track's name without the words that call it a copy, in lower case, to match copies by."""
    return " ".join(_SAFETY_NAME.sub(" ", name).lower().split())


_SAFETY_NAME = re.compile(
    r"\bsafe(?:ty)?\b|\bsfty\b|\bsaf\b|[-\u2212\u2013]\s?\d{1,2}\s?dB\b|\(s\)|[_\s]s$", re.IGNORECASE
)
_ROLE_NAMES: tuple[tuple[Role, re.Pattern[str]], ...] = (
    ("safety", _SAFETY_NAME),
    ("mix", re.compile(r"^(?:(?:st(?:ereo)?|rough|mono|main|lr)[\s_\-]?)?mix(?:[\s_\-]*(?:l|r|lr|left|right|mono|[12]))?$|^lr$|\bmix\s*(?:down|minus)?\b", re.IGNORECASE)),
    ("timecode", re.compile(r"^(?:tc|ltc|smpte|time[\s_\-]?code)\s*\d?$|\btime[\s_\-]?code\b|\bltc\b", re.IGNORECASE)),
    ("camera", re.compile(r"^cam(?:era)?(?:[a-d]|\d{1,2})?(?:[\s_\-]+(?:[a-z]|\d{1,2}|left|right|mic|scratch|return|hop))*$", re.IGNORECASE)),
    ("tone", re.compile(r"^(?:(?:line[\s_\-]?up|ref(?:erence)?|test)[\s_\-]?)?tone$|^1\s?k(?:hz)?$|^line[\s_\-]?up$", re.IGNORECASE)),
    ("unused", re.compile(r"^(?:unused|not used|empty|off|none|n/?[ac]|spare|-+)$", re.IGNORECASE)),
)  # fmt: skip


def _tokens(text: str) -> list[str]:
    """Return the tokens of a name, with ``24 bit`` and ``track 3`` as one each."""
    joined = re.sub(rf"\b(24|32){_PARTING}bit\b", r"\1bit", text.lower().replace("_", " "))
    joined = re.sub(rf"\b(tr|trk|track|ch|chan|channel){_PARTING}(\d{{1,2}})\b", r"\1\2", joined)
    return [token for token in re.split(_PARTING, joined) if token]


def _hint(token: str) -> CopyHint | None:
    """Return the copy a token names, "" for one that names the first of the copies, None for any other."""
    if token in _SAFETY:
        return "safety"
    if token in _MIX:
        return "mix"
    return "" if token in _PLAIN else None
