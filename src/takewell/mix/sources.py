"""What are the sources of a mix: single microphones, pairs, a sound field, a voice on several microphones?

A source shares the mix as one. What its tracks become is a matrix from tracks to channels:

- a single microphone stands at its place (`shape.places`);
- the two sides of a pair (names that differ in a last word for left and right, or the group ``x/y``) stand left and right;
- a mid/side pair (group ``mid/side``) is decoded, ``L = (M + w S) / sqrt 2``, ``R = (M - w S) / sqrt 2``: the middle has the power
  of a mono track in the middle;
- four capsules (group ``a-format``) or four channels of B-format (groups ``b-format``, which is W X Y Z with W at -3 dB, and
  ``ambix``, which is W Y Z X in SN3D) are turned and heard by virtual microphones (`shape.b_format`);
- a voice (setting `follow`) is whichever of its tracks is best.

Groups come from iXML or from a person's ``tracks.csv``; a number after the word tells two of a kind apart. Names tell which track is
which, else the order does.

Conventions: columns are the ISOs of a take in the order of their numbers.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SettingError
from takewell.mix.settings import MixSettings
from takewell.roll import Take, Track
from takewell.roll.linked import link_keys, side_of
from takewell.shape.a_format import CAPSULES
from takewell.shape.b_format import ORDERS, conversion, onto, rotation
from takewell.shape.mid_side import decoder
from takewell.shape.places import CHANNELS, places

F64 = NDArray[np.float64]
Kind = Literal["microphone", "pair", "mid/side", "a-format", "b-format", "ambix", "voice"]

SIZES: Mapping[str, tuple[Kind, int]] = {
    "mid/side": ("mid/side", 2),
    "x/y": ("pair", 2),
    "a-format": ("a-format", 4),
    "b-format": ("b-format", 4),
    "ambix": ("ambix", 4),
}
"""Groups that are one source, and how many tracks each must have."""


@dataclass(frozen=True)
class Source:
    """Tracks that share the mix as one, and the channels they go to."""

    name: str
    kind: Kind
    columns: tuple[int, ...]
    where: F64
    """(columns, channels) amplitude gains; those of four capsules once they are a sound field."""

    @property
    def counts(self) -> F64:
        """How much of each column's power goes into the mix while the source is open.

        Of a sound field the pressure counts, as a wave from the front would go through; four cardioids have 4/3 of its power together.
        """
        if self.kind not in ("a-format", "b-format", "ambix"):
            return np.asarray((self.where**2).sum(axis=1))
        if self.kind == "b-format":
            front = np.array([2**-0.5, 1.0, 0.0, 0.0]) @ self.where
            return np.array([2.0, 0.0, 0.0, 0.0]) * float(front @ front)
        front = np.array([1.0, 0.0, 0.0, 1.0]) @ self.where
        shares = [0.75] * 4 if self.kind == "a-format" else [1.0, 0.0, 0.0, 0.0]
        return np.array(shares) * float(front @ front)


def isos(take: Take) -> tuple[Track, ...]:
    """Return the tracks of a take that are mixed."""
    return tuple(track for track in take.tracks if track.role == "iso")


def sources(take: Take, settings: MixSettings) -> tuple[Source, ...]:
    """Return the sources of a take in the order of their first tracks.

    Raises
    ------
    SettingError
        If a voice names a track that is no ISO of the take or belongs to a group, or a group has not the tracks it needs.
    """
    tracks = isos(take)
    column = {track.number: at for at, track in enumerate(tracks)}
    keys = link_keys(tracks)
    linked: dict[tuple[str, ...], list[Track]] = {}
    for track in tracks:
        linked.setdefault(keys[track.number], []).append(track)
    grouped = {t.number for group in linked.values() if len(group) > 1 for t in group}
    voices = _voices(take, tracks, settings, grouped)
    found: list[Source] = []
    done: set[int] = set()
    for track in tracks:
        if track.number in done:
            continue
        members = linked[keys[track.number]]
        if track.number in voices:
            numbers = voices[track.number]
            source = _voice([tracks[column[number]] for number in numbers], column, settings)
        elif (kind := _group_kind(take, members)) is not None:
            source = _group(kind, members, column, settings)
        elif keys[track.number][0] == "sides" and len(members) == 2 and sum(map(side_of, members)) == 0:
            source = _pair(sorted(members, key=side_of), column, settings)
        else:
            source = Source(
                track.name or f"track {track.number}",
                "microphone",
                (column[track.number],),
                places(settings.layout, [settings.pans.get(track.number, 0.0)]),
            )
        found.append(source)
        done |= {tracks[at].number for at in source.columns}
    return tuple(found)


def _voices(
    take: Take, tracks: Sequence[Track], settings: MixSettings, grouped: set[int]
) -> dict[int, tuple[int, ...]]:
    """Return for each track of a followed voice the numbers of that voice's tracks."""
    by_name = {track.name.casefold(): track.number for track in tracks}
    known = {track.number for track in tracks}
    found: dict[int, tuple[int, ...]] = {}
    for voice in settings.follow:
        numbers = [by_name.get(one.casefold()) if isinstance(one, str) else one for one in voice]
        if None in numbers and not any(isinstance(one, int) for one in voice):
            continue  # a take that has not those tracks
        for one, number in zip(voice, numbers, strict=True):
            if number is None or number not in known:
                raise SettingError(
                    f"mix: take {take.id} has no ISO {one!r} to follow a voice on; its ISOs are "
                    f"{', '.join(f'{t.number} {t.name}'.strip() for t in tracks)}. Name the take, or the tracks by name."
                )
            if number in grouped:
                raise SettingError(
                    f"mix: track {number} of take {take.id} is part of a group; a voice is followed on single microphones."
                )
            if number in found:
                raise SettingError(
                    f"mix: track {number} of take {take.id} is in two voices; a track hears one."
                )
        whole = tuple(number for number in numbers if number is not None)
        found |= dict.fromkeys(whole, whole)
    return found


def _group_kind(take: Take, members: Sequence[Track]) -> Kind | None:
    group = members[0].group
    if not group:
        return None
    word = group.split(" ")[0].lower()
    if word not in SIZES:
        return None
    kind, size = SIZES[word]
    if len(members) != size:
        names = ", ".join(track.name or str(track.number) for track in members)
        raise SettingError(
            f"tracks.csv or iXML: the group {group!r} of take {take.id} has {len(members)} tracks ({names}); {size} are needed."
        )
    return kind


def _group(kind: Kind, members: Sequence[Track], column: Mapping[int, int], settings: MixSettings) -> Source:
    if kind == "pair":
        return _pair(_in_order(members, ("X", "Y")), column, settings)
    if kind == "mid/side":
        ordered = _in_order(members, ("M", "S"))
        where = np.zeros((2, len(CHANNELS[settings.layout])))
        if settings.layout == "mono":
            where[0, 0] = 1.0
        else:
            where[:, :2] = decoder(settings.width) / np.sqrt(2)
        return Source(_joined(ordered), kind, tuple(column[t.number] for t in ordered), where)
    names = CAPSULES if kind == "a-format" else ORDERS["fuma" if kind == "b-format" else "ambix"]
    ordered = _in_order(members, names)
    heard = rotation(*settings.turn_deg) @ onto(settings.layout, settings.virtual)
    where = conversion("fuma", "ambix") @ heard if kind == "b-format" else heard
    return Source(_joined(ordered), kind, tuple(column[t.number] for t in ordered), where)


def _pair(members: Sequence[Track], column: Mapping[int, int], settings: MixSettings) -> Source:
    pans = [settings.pans.get(track.number, side) for track, side in zip(members, (-1.0, 1.0), strict=True)]
    columns = tuple(column[track.number] for track in members)
    return Source(_joined(members), "pair", columns, places(settings.layout, pans))


def _voice(members: Sequence[Track], column: Mapping[int, int], settings: MixSettings) -> Source:
    pans = [settings.pans.get(members[0].number, 0.0)] * len(members)
    columns = tuple(column[track.number] for track in members)
    return Source(_joined(members), "voice", columns, places(settings.layout, pans))


def _in_order(members: Sequence[Track], names: Sequence[str]) -> list[Track]:
    """Return the tracks in the order of the names they end or begin with, or as they come."""
    found = []
    for name in names:
        fitting = [track for track in members if _tells(track, name)]
        if len(fitting) != 1:
            return list(members)
        found.append(fitting[0])
    return found


def _tells(track: Track, name: str) -> bool:
    """Return whether a track's iXML function or a word of its name says that it is this one of its group."""
    if track.function.upper().partition("-")[0] == name:
        return True
    words = track.name.upper().replace("_", " ").replace("-", " ").replace(".", " ").split()
    return name in words or {"M": "MID", "S": "SIDE"}.get(name) in words


def _joined(members: Sequence[Track]) -> str:
    return " + ".join(track.name or f"track {track.number}" for track in members)
