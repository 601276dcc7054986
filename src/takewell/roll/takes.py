"""How do the files of a roll become takes with numbered tracks?

Conventions: pure; headers and a person's labels and notes in, takes out, in the order of the day. A take's id
is its scene and take as the files name them, or what its files' names share; it does not change when a note
does. Track numbers count the channels of the files that hold the ISOs, then of their safety copies, then of mixes.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from takewell.roll.duplicates import drop_duplicates
from takewell.roll.labels import EVERY_TAKE
from takewell.roll.names import common_name, natural_order, plain_track_name
from takewell.roll.numbering import roll_warnings
from takewell.roll.roles import Channel, sort_channels
from takewell.roll.said import DAY_S, FileHeader, Said, what_it_says
from takewell.roll.siblings import find_siblings
from takewell.roll.strands import Strand, find_strands
from takewell.roll.take_kind import take_kind
from takewell.roll.values import MediaFile, Note, Piece, Take, Track, TrackLabel
from takewell.timecode import Timecode

_SCENE_TAKE = re.compile(
    r"(?:s(?:c(?:ene)?)?[\s_\-]*)?(\d{1,4}[a-z]{0,2})[\s_\-]*t(?:k|ake)?[\s_\-]*(\d{1,3})|(\d{1,3}[a-z]{0,2})-(\d{1,2})",
    re.IGNORECASE,
)
"""Names of takes such as ``S14T02``, ``14A_take2`` and ``14-2`` (common practice, no source)."""


@dataclass(frozen=True)
class Grouping:
    """The takes of a set of files, what was odd about the set, and the copies that were left out."""

    takes: tuple[Take, ...]
    warnings: tuple[str, ...]
    duplicates: tuple[str, ...] = ()


def group_takes(
    headers: Sequence[FileHeader], labels: Iterable[TrackLabel] = (), notes: Iterable[Note] = ()
) -> Grouping:
    """Return the takes that files belong to.

    Parameters
    ----------
    headers : sequence of FileHeader
        The sound files, paths relative to the roll's folder.
    labels, notes : iterable of TrackLabel, Note
        What a person says of tracks and takes; it goes before what the files say.
    """
    kept, copies = drop_duplicates(headers)
    said = [what_it_says(header) for header in sorted(kept, key=lambda h: natural_order(h.path))]
    groups = sorted(find_siblings(find_strands(said)), key=_place_in_day)
    taken: set[str] = set()
    takes = [_take(strands, _free_id(strands, taken)) for strands in groups]
    labels, noted = tuple(labels), {note.take: note for note in notes}
    takes = [_noted(_labelled(take, labels), noted.get(take.id)) for take in takes]
    warnings = [f"{copy.path} is a copy of {kept.path} and was left out." for copy, kept in copies]
    warnings += _without_take(takes, labels, noted)
    warnings += roll_warnings(takes)
    return Grouping(tuple(takes), tuple(warnings), tuple(copy.path for copy, _ in copies))


def _place_in_day(strands: Sequence[Strand]) -> tuple[str, float, object]:
    """Return the key that puts takes in the order they were recorded; those without a stamp follow by name."""
    dates = [strand.first.date for strand in strands if strand.first.date]
    stamps = [strand.first for strand in strands if strand.stamped]
    second = min((s.position or 0) / s.header.info.rate for s in stamps) if stamps else DAY_S * 2.0
    return (min(dates) if dates else "~"), second, natural_order(strands[0].first.header.path)


def _free_id(strands: Sequence[Strand], taken: set[str]) -> str:
    """Return the first name for a take that no earlier one has, and mark it as taken."""
    firsts = [strand.first for strand in strands]
    stem = common_name([first.header.stem for first in firsts])
    folder = common_name([first.header.path.rpartition("/")[0] for first in firsts])
    own = firsts[0].header.path.rpartition(".")[0] or firsts[0].header.path
    identity = next((first.identity for first in firsts if first.identity), None)
    names = [] if identity is None else ["-".join(filter(None, identity))]
    names += [stem or folder.rpartition("/")[2] or firsts[0].header.stem, own]
    cleaned = [_clean(name) for name in names]
    numbered = (f"{cleaned[-1]} ({count})" for count in range(2, len(taken) + 3))
    chosen = next(name for name in chain(cleaned, numbered) if name and name not in taken)
    taken.add(chosen)
    return chosen


def _clean(name: str) -> str:
    """Return a name that every text file, path and page can hold: no slashes, controls or broken characters."""
    readable = name.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    plain = "".join(sign if sign.isprintable() else " " for sign in readable)
    return " ".join(re.sub(r"[/\\:*?\"<>|]+", "-", plain).split())


def _take(strands: Sequence[Strand], take_id: str) -> Take:
    channels = sort_channels(strands)
    order = list(dict.fromkeys(id(channel.strand) for channel in channels))
    strands = sorted(strands, key=lambda strand: order.index(id(strand)))
    offsets = _offsets(strands)
    firsts = [strand.first for strand in strands]
    rate = firsts[0].header.info.rate
    scene, take = _scene_and_take(firsts, take_id)
    timecode_rate = next((f.timecode_rate for f in firsts if f.timecode_rate), None)
    start = next((f.position for f in firsts if f.stamped and f.position is not None), None)
    if start is not None:
        start -= next(offsets[id(s)] for s in strands if s.stamped)
    note = next((f.note for f in firsts if f.note), "")
    files = [said for strand in strands for said in strand.files]
    tracks = tuple(_track(number, channel, offsets) for number, channel in enumerate(channels, start=1))
    return Take(
        id=take_id,
        scene=scene,
        take=take,
        kind=take_kind(
            wild=any(f.wild for f in firsts), scene=scene, take=take, note=note,
            stem=firsts[0].header.stem, roles=[track.role for track in tracks],
        ),
        rate=rate,
        length_samples=max(offsets[id(strand)] + strand.length_samples for strand in strands),
        start=(
            Timecode.from_samples(start, rate, timecode_rate)
            if start is not None and timecode_rate is not None
            else None
        ),
        timecode_rate=timecode_rate,
        date=next((f.date for f in firsts if f.date), None),
        files=tuple(_media_file(said) for said in files),
        tracks=_with_originals(tracks, channels),
        note=note,
        circled=any(f.circled for f in firsts),
        tape=next((f.tape for f in firsts if f.tape), ""),
        project=next((f.project for f in firsts if f.project), ""),
        warnings=_take_warnings(strands, files),
        no_good=any(f.no_good for f in firsts),
    )  # fmt: skip


def _offsets(strands: Sequence[Strand]) -> dict[int, int]:
    """Return where each strand begins in the take, by its stamp; without one, at the take's start."""
    positions = {id(s): s.first.position or 0 for s in strands if s.stamped}
    if not positions:
        return {id(s): 0 for s in strands}
    half_day = DAY_S * strands[0].first.header.info.rate // 2
    latest = max(positions.values())
    # A take that starts at midnight has one stamp at the day's end and another at its beginning.
    unrolled = {key: p + 2 * half_day if latest - p > half_day else p for key, p in positions.items()}
    origin = min(unrolled.values())
    return {id(s): unrolled.get(id(s), origin) - origin for s in strands}


def _scene_and_take(firsts: Sequence[Said], take_id: str) -> tuple[str, str]:
    scene = next((f.scene for f in firsts if f.scene), "")
    take = next((f.take for f in firsts if f.take), "")
    match = None if scene or take else _SCENE_TAKE.fullmatch(take_id)
    if match is None:
        return scene, take
    return match[1] or match[3], str(int(match[2] or match[4]))


def _media_file(said: Said) -> MediaFile:
    header, info = said.header, said.header.info
    return MediaFile(
        path=header.path,
        size_bytes=header.size_bytes,
        container=info.container,
        encoding=info.encoding,
        rate=info.rate,
        channels=info.channels,
        length_samples=info.length_samples,
        time_reference=said.position if said.stamped else None,
        recoveries=info.recoveries,
    )


def _track(number: int, channel: Channel, offsets: Mapping[int, int]) -> Track:
    strand = channel.strand
    pieces = tuple(
        Piece(
            said.header.path,
            channel.channel,
            offsets[id(strand)] + start,
            said.header.info.length_samples,
        )
        for said, start in zip(strand.files, strand.starts, strict=True)
    )
    return Track(
        number=number,
        name=channel.name,
        role=channel.role,
        encoding=strand.first.header.info.encoding,
        pieces=pieces,
        group=channel.group,
        function=channel.function,
    )


def _with_originals(tracks: Sequence[Track], channels: Sequence[Channel]) -> tuple[Track, ...]:
    """Return the tracks with each safety copy pointing to the track it copies, where that can be told."""
    mains = [(t, c) for t, c in zip(tracks, channels, strict=True) if t.role != "safety" and c.part == "main"]
    result = []
    for track, channel in zip(tracks, channels, strict=True):
        if track.role != "safety":
            result.append(track)
            continue
        name = plain_track_name(track.name)
        by_name = [t for t, _ in mains if name and plain_track_name(t.name) == name]
        by_index = [t for t, c in mains if channel.index is not None and c.index == channel.index]
        alike = [
            (t, c)
            for t, c in mains
            if c.channel == channel.channel
            and c.strand.first.header.info.channels == channel.strand.first.header.info.channels
        ]
        by_file = [t for t, c in alike if c.strand.first.hints.base == channel.strand.first.hints.base]
        by_place = [t for t, _ in alike]
        found = next((some for some in (by_name, by_index, by_file, by_place) if len(some) == 1), [])
        result.append(replace(track, copy_of=found[0].number if found else None))
    return tuple(result)


def _take_warnings(strands: Sequence[Strand], files: Sequence[Said]) -> tuple[str, ...]:
    warnings = [sentence for said in files for sentence in said.conflicts]
    warnings += [sentence for strand in strands for sentence in strand.sentences]
    promised = max((said.total_files or 0 for said in files if said.family), default=0)
    if promised > len(files):
        names = ", ".join(said.header.path for said in files)
        warnings.append(
            f"{promised} files belong to this take by its own count, {len(files)} are here ({names})."
        )
    return tuple(warnings)


def _labelled(take: Take, labels: Sequence[TrackLabel]) -> Take:
    """Return the take with what a person says of its tracks; a line for this take goes before one for all."""
    tracks = []
    for track in take.tracks:
        general = [lb for lb in labels if lb.track == track.number and lb.take == EVERY_TAKE]
        own = [lb for lb in labels if lb.track == track.number and lb.take == take.id]
        for label in (*general, *own):
            track = replace(
                track,
                name=label.name or track.name,
                role=label.role or track.role,
                group=label.group or track.group,
            )
        for lines in (general, own):
            gains = sorted((lb.gain_from_s or 0.0, lb.gain_db) for lb in lines if lb.gain_db is not None)
            if gains:
                track = replace(track, gains=tuple(gains))
        tracks.append(track)
    return replace(take, tracks=tuple(tracks))


def _noted(take: Take, note: Note | None) -> Take:
    if note is None:
        return take
    return replace(
        take,
        scene=note.scene or take.scene,
        take=note.take_name or take.take,
        circled=take.circled if note.circled is None else note.circled,
        note=note.note or take.note,
    )


def _without_take(
    takes: Sequence[Take], labels: Sequence[TrackLabel], notes: Mapping[str, Note]
) -> list[str]:
    """Return sentences about lines of the text files that speak of nothing in the roll."""
    tracks = {take.id: len(take.tracks) for take in takes}
    tracks[EVERY_TAKE] = max(tracks.values(), default=0)
    warnings = [
        f"notes.csv speaks of take {name!r}, which is not here." for name in notes if name not in tracks
    ]
    for label in labels:
        if label.take not in tracks:
            warnings.append(f"tracks.csv speaks of take {label.take!r}, which is not here.")
        elif label.track > tracks[label.take]:
            warnings.append(
                f"tracks.csv speaks of track {label.track} of take {label.take!r}, which has none."
            )
    return list(dict.fromkeys(warnings))
