"""What a package will hold: a list of files to write, made before any is written.

Pure. The same list is shown by a dry run and carried out by `write`. Folders of a package: ``audio`` (the
takes as recorded), ``wild`` and ``room-tone`` (with excerpts where nobody recorded room tone), ``line-up``,
``mended``, ``levelled``, ``mix``, ``report``.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Literal

from takewell.handover.names import UniqueNames, delivered_stem
from takewell.handover.specs import SpecName
from takewell.roll.values import Take, Track
from takewell.wave import AudioInfo, Ixml, IxmlTrack

Action = Literal["copy", "rewrite", "convert"]

FOLDER_OF_KIND = {"take": "audio", "wild": "wild", "room_tone": "room-tone", "tone": "line-up"}

Mended = Mapping[str, Mapping[Path, str]]
"""Take id -> mended tracks, each with the sentence that says what was joined from where."""

NOTHING_MENDED: Mended = MappingProxyType({})

CONFORMED_RATE = 48_000
"""Sampling rate of a conformed delivery, in Hz (common practice for picture, no source)."""


@dataclass(frozen=True)
class Options:
    """How a package is written.

    `split` delivers one mono file per track instead of the poly files; `conform` brings everything to
    48 kHz and 24 bits; `names` is a pattern (`takewell.handover.names`); `loudness` names the document a
    finished package is held against.
    """

    spec: SpecName
    loudness: str = "r128"
    split: bool = False
    conform: bool = False
    names: str = "{original}"


@dataclass(frozen=True)
class Excerpt:
    """Room tone found inside a take: seconds of one track."""

    take: str
    track: int
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Delivery:
    """One file of the package.

    `action`: ``copy`` byte for byte; ``rewrite`` the same audio bytes under corrected metadata (or a repaired
    header); ``convert`` new samples: channels picked, rate or word length changed, or an excerpt.
    """

    target: str
    source: Path
    take: str
    action: Action
    why: str
    channels: tuple[int, ...] = ()
    start_samples: int = 0
    length_samples: int | None = None
    ixml: Ixml | None = None
    conform: bool = False


def corrected_ixml(take: Take, info: AudioInfo, path: str) -> Ixml:
    """Return the iXML a delivered copy of `path` should carry: the file's own, with the roll's corrections."""
    own = info.ixml or Ixml()
    known = {track.interleave_index: track for track in own.tracks}
    tracks = []
    for number in range(1, info.channels + 1):
        given = known.get(number, IxmlTrack(channel_index=number, interleave_index=number))
        track = _track_at(take, path, number)
        tracks.append(replace(given, name=track.name) if track and track.name else given)
    rate = own.timecode_rate or (take.timecode_rate.fraction if take.timecode_rate else "")
    return replace(
        own,
        project=take.project or own.project,
        scene=take.scene or own.scene,
        take=take.take or own.take,
        tape=take.tape or own.tape,
        note=take.note or own.note,
        circled=True if take.circled else own.circled,
        timecode_rate=rate,
        timecode_flag=own.timecode_flag or (take.timecode_rate.flag if take.timecode_rate else ""),
        tracks=tuple(tracks),
    )


def _track_at(take: Take, path: str, channel: int) -> Track | None:
    for track in take.tracks:
        if any(piece.file == path and piece.channel == channel for piece in track.pieces):
            return track
    return None


def _says_the_same(one: Ixml | None, other: Ixml) -> bool:
    return one is not None and replace(one, xml=b"") == replace(other, xml=b"")


@dataclass(frozen=True)
class _Source:
    """A file on its way into the package."""

    info: AudioInfo
    take: Take
    folder: str
    stem: str
    """The file's own stem."""
    ixml: Ixml
    tracks: Mapping[int, Track]
    """The take's track in each channel."""
    part: int = 0
    """Which continuation file of the take it is, from 1; 0 where the take has one."""
    rendered: str = ""
    """What made it, where it is no original."""


def _original(take: Take, info: AudioInfo, path: str) -> _Source:
    parts = list(
        dict.fromkeys(piece.file for track in take.tracks for piece in track.pieces if len(track.pieces) > 1)
    )
    tracks = {p.channel: track for track in take.tracks for p in track.pieces if p.file == path}
    starts = sorted(
        {piece.start_samples for track in take.tracks for piece in track.pieces if piece.file in parts}
    )
    begins = next((p.start_samples for track in tracks.values() for p in track.pieces if p.file == path), 0)
    return _Source(
        info=info,
        take=take,
        folder=FOLDER_OF_KIND[take.kind],
        stem=PurePosixPath(path).stem,
        ixml=corrected_ixml(take, info, path),
        tracks=tracks,
        part=starts.index(begins) + 1 if path in parts else 0,
    )


def _rendered(folder: str, take: Take, info: AudioInfo) -> _Source:
    ixml = info.ixml or Ixml()
    by_name = {track.name: track for track in take.tracks}
    tracks = {t.interleave_index: by_name[t.name] for t in ixml.tracks if t.name in by_name}
    if folder == "mix":
        tracks = {1: Track(0, "mix", "mix", info.encoding, ())} if info.channels == 1 else {}
    return _Source(info, take, folder, info.path.stem, ixml, tracks, rendered=f"{folder} by Takewell")


def _deliveries(source: _Source, options: Options, names: UniqueNames) -> list[Delivery]:
    """Return what one file becomes: itself, one file per track, or a conformed copy."""
    info, take = source.info, source.take
    if options.split and info.channels > 1:
        wanted = [c for c in range(1, info.channels + 1) if not _unused(source.tracks.get(c))]
        return [_mono(source, channel, len(wanted), options, names) for channel in wanted]
    track = source.tracks.get(1) if info.channels == 1 else None
    stem = _stem(options.names, source, track)
    suffix = ".wav" if options.conform else info.path.suffix
    target, path = names.claim(source.folder, stem, suffix), info.path
    ours = info.container in ("WAVE", "RF64", "BW64")
    if options.conform and (info.rate != CONFORMED_RATE or info.encoding != "int24"):
        why = "conformed to 48 kHz, 24 bits"
        return [Delivery(target, path, take.id, "convert", why, ixml=source.ixml, conform=True)]
    if ours and info.recoveries:
        return [Delivery(target, path, take.id, "rewrite", "header repaired", ixml=source.ixml)]
    if ours and not _says_the_same(info.ixml, source.ixml):
        return [Delivery(target, path, take.id, "rewrite", "names corrected", ixml=source.ixml)]
    return [Delivery(target, path, take.id, "copy", source.rendered or "as recorded")]


def _unused(track: Track | None) -> bool:
    return track is not None and track.role == "unused"


def _mono(source: _Source, channel: int, of: int, options: Options, names: UniqueNames) -> Delivery:
    track = source.tracks.get(channel)
    kept = tuple(t for t in source.ixml.tracks if t.interleave_index == channel)
    own = source.ixml
    family = own.family_uid or own.file_uid or f"{source.take.date or ''} {source.take.id}".strip()
    ixml = replace(
        own,
        tracks=tuple(replace(t, interleave_index=1) for t in kept),
        family_uid=family,
        family_name=own.family_name or source.stem,
        total_files=of,
        file_set_index=_letters(channel),
        original_filename=own.original_filename or source.info.path.name,
    )
    return Delivery(
        target=names.claim(
            source.folder, _stem(_mono_pattern(options.names), source, track, channel), ".wav"
        ),
        source=source.info.path,
        take=source.take.id,
        action="convert",
        why=f"channel {channel} alone" + (f" of the {source.rendered}" if source.rendered else ""),
        channels=(channel,),
        ixml=ixml,
        conform=options.conform,
    )


def _letters(number: int) -> str:
    """Return A, B, ... Z, AA, AB, ..., as iXML's file sets are counted."""
    text = ""
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def _stem(pattern: str, source: _Source, track: Track | None, channel: int | None = None) -> str:
    stem = delivered_stem(pattern, source.take, source.stem, track, channel)
    if source.folder == "mix" and track is None and "{original}" not in pattern:
        stem += "_mix"
    return f"{stem}_part{source.part}" if source.part and "{original}" not in pattern else stem


def _mono_pattern(pattern: str) -> str:
    return pattern if "{track}" in pattern or "{name}" in pattern else pattern + "_{track}_{name}"


def plan_package(
    takes: Sequence[Take],
    infos: Mapping[str, AudioInfo],
    options: Options,
    *,
    mixes: Mapping[str, Sequence[AudioInfo]],
    levelled: Mapping[str, Sequence[AudioInfo]],
    excerpts: Sequence[Excerpt],
    mended: Mapping[str, Sequence[AudioInfo]] = MappingProxyType({}),
) -> tuple[Delivery, ...]:
    """Return every sound file the package will hold.

    Parameters
    ----------
    takes : sequence of Take
    infos : mapping of a media file's path in the roll to its AudioInfo
    mixes, levelled : mapping of take id to what was rendered
        The levelled mixes, and for a finished package the levelled tracks.
    excerpts : sequence of Excerpt
        Room tone found inside takes, for scenes where none was recorded.
    mended : mapping of take id to mended tracks
    """
    names, by_id = UniqueNames(), {take.id: take for take in takes}
    sources = [
        _original(take, infos[media.path], media.path)
        for take in takes
        if options.spec == "editorial" or take.kind != "take"
        for media in take.files
    ]
    rendered = (
        ("mended", mended),
        ("levelled", levelled if options.spec == "finished" else {}),
        ("mix", mixes),
    )
    sources += [
        _rendered(folder, by_id[take_id], info)
        for folder, made in rendered
        for take_id, made_infos in made.items()
        for info in made_infos
    ]
    deliveries = [delivery for source in sources for delivery in _deliveries(source, options, names)]
    for excerpt in excerpts:
        take = by_id[excerpt.take]
        track = next(t for t in take.tracks if t.number == excerpt.track)
        deliveries += _excerpt(take, track, excerpt, infos, options, names)
    return tuple(deliveries)


def _excerpt(
    take: Take,
    track: Track,
    excerpt: Excerpt,
    infos: Mapping[str, AudioInfo],
    options: Options,
    names: UniqueNames,
) -> list[Delivery]:
    start, end = round(excerpt.start_s * take.rate), round(excerpt.end_s * take.rate)
    piece = next(p for p in track.pieces if p.start_samples <= start < p.start_samples + p.length_samples)
    info = infos[piece.file]
    ixml = corrected_ixml(take, info, piece.file)
    kept = tuple(replace(t, interleave_index=1) for t in ixml.tracks if t.interleave_index == piece.channel)
    stem = delivered_stem("{scene}_room-tone_from_{id}_{name}", take, take.id, track)
    inside = min(end, piece.start_samples + piece.length_samples) - start
    return [
        Delivery(
            target=names.claim("room-tone", stem, ".wav"),
            source=info.path,
            take=take.id,
            action="convert",
            why=f"room tone found in {take.id}, {excerpt.start_s:.1f} s to {excerpt.end_s:.1f} s",
            channels=(piece.channel,),
            start_samples=start - piece.start_samples,
            length_samples=inside,
            ixml=replace(ixml, note=f"room tone, excerpt of {take.id}", tracks=kept),
            conform=options.conform,
        )
    ]
