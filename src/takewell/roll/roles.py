"""Which file of a take holds the ISOs, which a safety copy or a mix, and what is each track for?

Conventions: names and functions in iXML go first; then word length (a float file is the first copy, an
integer file with the same tracks its safety copy), the number of channels (two unnamed channels beside many
are a mix) and the words in file names. What names mean is common practice, no source.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from takewell.roll.names import natural_order, plain_track_name, telling_names, track_role
from takewell.roll.strands import Strand
from takewell.roll.values import Role

Part = Literal["main", "safety", "mix"]
_RANK: Mapping[Part, int] = {"main": 0, "safety": 1, "mix": 2}

GROUPS = {
    "MID_SIDE": "mid/side",
    "X_Y": "x/y",
    "DMS": "double mid/side",
    "SOUNDFIELD": "b-format",
    "LCR": "lcr",
    "LCRS": "lcrs",
    "5.1": "5.1",
    "7.1": "7.1",
}
"""What the second half of an iXML FUNCTION (``M-MID_SIDE``) calls the group a track belongs to."""


@dataclass(frozen=True)
class Channel:
    """One channel of a strand with what it was judged to be."""

    strand: Strand
    part: Part
    channel: int
    name: str
    function: str
    index: int | None
    """The recorder's own number of the channel, from iXML."""
    role: Role
    group: str | None


def sort_channels(strands: Sequence[Strand]) -> tuple[Channel, ...]:
    """Return every channel of a take's strands: files of ISOs first, then of safety copies, then of mixes."""
    parts = _parts(strands)
    order = sorted(range(len(strands)), key=lambda i: _place(strands[i], parts[i]))
    every_name = _names(strands, parts)
    main_mixes = {
        plain_track_name(name)
        for i in order
        if parts[i] == "main"
        for name, function in zip(every_name[i], strands[i].first.functions, strict=True)
        if track_role(name, function) == "mix"
    }
    channels = []
    seen: Counter[tuple[Part, str]] = Counter()
    for i in order:
        first = strands[i].first
        names = every_name[i]
        for place, (name, function) in enumerate(zip(names, first.functions, strict=True)):
            seen[parts[i], function] += 1
            channels.append(
                Channel(
                    strand=strands[i],
                    part=parts[i],
                    channel=place + 1,
                    name=name,
                    function=function,
                    index=first.channel_indices[place],
                    role=_role(parts[i], names, place, function, main_mixes),
                    group=_group(parts[i], function, seen[parts[i], function], first.header.info.ambisonic),
                )
            )
    return tuple(channels)


def _place(strand: Strand, part: Part) -> tuple[int, int, tuple[tuple[int, int, str], ...]]:
    first = strand.first
    index = first.channel_indices[0] if first.channel_indices else None
    return _RANK[part], 10_000 if index is None else index, natural_order(first.header.path)


def _parts(strands: Sequence[Strand]) -> list[Part]:
    """Return what each file of a take is as a whole."""
    if len(strands) == 1:
        return ["main"]
    parts: list[Part | None] = [None] * len(strands)
    for i, strand in enumerate(strands):
        first = strand.first
        roles = [
            track_role(name, function)
            for name, function in zip(first.track_names, first.functions, strict=True)
        ]
        named_so = first.hints.copy == "mix" or track_role(first.hints.tail) == "mix"
        if named_so or all(role == "mix" for role in roles):
            parts[i] = "mix"
    rest = [i for i, part in enumerate(parts) if part is None]
    if not rest:
        return ["main" if i == 0 else "mix" for i in range(len(strands))]
    unhinted = [i for i in rest if not _named_safety(strands[i], [strands[j] for j in rest if j != i])]
    for i in rest:
        hinted = i not in unhinted and bool(unhinted)
        if hinted or any(_covers(strands[j], strands[i]) for j in unhinted if j != i):
            parts[i] = "safety"
    mains = [i for i, part in enumerate(parts) if part is None]
    channels = sum(strands[i].first.header.info.channels for i in mains)
    pairs = [
        i
        for i in mains
        if strands[i].first.header.info.channels == 2 and not any(strands[i].first.track_names)
    ]
    if len(pairs) == 1 and channels > 4:
        parts[pairs[0]] = "mix"
    return [part or "main" for part in parts]


def _named_safety(strand: Strand, others: Sequence[Strand]) -> bool:
    """Return whether a file is named a safety copy: in a whole word, or by a sign that another file's name lacks.

    In ``14-24`` the number is a take's, in ``14-2_24`` beside ``14-2`` it is a word length.
    """
    hints = strand.first.hints
    if hints.copy != "safety" or hints.explicit:
        return hints.copy == "safety"
    return any(
        other.first.hints.whole == hints.base
        or (other.first.hints.base == hints.base and other.first.hints.copy != "safety")
        for other in others
    )


def _covers(main: Strand, other: Strand) -> bool:
    """Return whether `main` is a float file that holds what the integer file `other` holds again."""
    a, b = main.first, other.first
    if not a.header.info.encoding.startswith("float") or b.header.info.encoding.startswith("float"):
        return False
    if any(a.track_names) and any(b.track_names):
        known = {plain_track_name(name) for name in a.track_names if name}
        named = [plain_track_name(name) for name in b.track_names if name]
        return 2 * sum(name in known for name in named) >= len(named)
    same_channels = a.header.info.channels == b.header.info.channels
    if a.header.info.channels == 1:
        return same_channels and a.hints.tail == b.hints.tail
    return same_channels or 2 < b.header.info.channels <= a.header.info.channels


def _names(strands: Sequence[Strand], parts: Sequence[Part]) -> list[tuple[str, ...]]:
    """Return the track names of each strand; files of one unnamed track are named by what sets them apart."""
    names = [strand.first.track_names for strand in strands]
    for part in _RANK:
        unnamed = [
            i for i, strand in enumerate(strands) if parts[i] == part and strand.first.track_names == ("",)
        ]
        if len(unnamed) > 1:
            telling = telling_names([strands[i].first.header.stem for i in unnamed])
            for i, name in zip(unnamed, telling, strict=True):
                names[i] = (name,)
    return names


def _role(part: Part, names: Sequence[str], place: int, function: str, main_mixes: set[str]) -> Role:
    own = track_role(names[place], function)
    if part == "mix":
        return own if own in ("timecode", "tone", "unused", "camera") else "mix"
    if part == "safety":
        if own == "mix" and plain_track_name(names[place]) not in main_mixes:
            return "mix"
        return own if own in ("timecode", "tone", "unused", "camera") else "safety"
    if own is None and _left_and_right_before_others(names, place):
        return "mix"
    return own or "iso"


def _left_and_right_before_others(names: Sequence[str], place: int) -> bool:
    """Return whether this is L or R on the first two of many named tracks: a mix, by common practice."""
    first_two = [name.strip().lower() for name in names[:2]]
    return place < 2 < len(names) and any(names[2:]) and first_two in (["l", "r"], ["left", "right"])


def _group(part: Part, function: str, count: int, ambisonic: bool) -> str | None:
    """Return the group of a function, numbered from the second time it occurs in one copy of a take."""
    group = GROUPS.get(function.upper().partition("-")[2])
    if group is None and ambisonic:
        return GROUPS["SOUNDFIELD"]
    if group is None:
        return None
    if count > 1:
        group = f"{group} {count}"
    return group if part == "main" else f"{group} ({part})"
