"""What a package will hold: a list of files to write, made before any is written.

Pure. The same list is shown by a dry run and carried out by `write`. Folders of a package: ``audio`` (the
takes as recorded), ``wild`` and ``room-tone`` (with excerpts where nobody recorded room tone), ``line-up``,
``levelled``, ``mix``, ``report``.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Literal

from takewell.handover.names import UniqueNames, delivered_stem
from takewell.handover.specs import SpecName
from takewell.roll.values import Take, Track
from takewell.wave import AudioInfo, Ixml, IxmlTrack

Action = Literal["copy", "rewrite", "convert"]

FOLDER_OF_KIND = {"take": "audio", "wild": "wild", "room_tone": "room-tone", "tone": "line-up"}

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


def _take_files(
    take: Take, infos: Mapping[str, AudioInfo], options: Options, names: UniqueNames
) -> list[Delivery]:
    folder = FOLDER_OF_KIND[take.kind]
    deliveries = []
    for media in take.files:
        info = infos[media.path]
        ixml = corrected_ixml(take, info, media.path)
        source, original = info.path, PurePosixPath(media.path).stem
        if options.split and info.channels > 1:
            for channel in range(1, info.channels + 1):
                track = _track_at(take, media.path, channel)
                if track is None or track.role == "unused":
                    continue
                stem = delivered_stem(_mono_pattern(options.names), take, original, track)
                kept = tuple(t for t in ixml.tracks if t.interleave_index == channel)
                deliveries.append(
                    Delivery(
                        target=names.claim(folder, stem, ".wav"),
                        source=source,
                        take=take.id,
                        action="convert",
                        why=f"track {track.number} alone",
                        channels=(channel,),
                        ixml=replace(ixml, tracks=tuple(replace(t, interleave_index=1) for t in kept)),
                        conform=options.conform,
                    )
                )
            continue
        target = names.claim(
            folder,
            delivered_stem(options.names, take, original),
            ".wav" if options.conform else source.suffix,
        )
        conforming = options.conform and (info.rate != CONFORMED_RATE or info.encoding != "int24")
        ours = info.container in ("WAVE", "RF64", "BW64")
        if conforming:
            deliveries.append(
                Delivery(
                    target,
                    source,
                    take.id,
                    "convert",
                    "conformed to 48 kHz, 24 bits",
                    ixml=ixml,
                    conform=True,
                )
            )
        elif ours and info.recoveries:
            deliveries.append(Delivery(target, source, take.id, "rewrite", "header repaired", ixml=ixml))
        elif ours and not _says_the_same(info.ixml, ixml):
            deliveries.append(Delivery(target, source, take.id, "rewrite", "names corrected", ixml=ixml))
        else:
            deliveries.append(Delivery(target, source, take.id, "copy", "as recorded"))
    return deliveries


def _mono_pattern(pattern: str) -> str:
    return pattern if "{track}" in pattern or "{name}" in pattern else pattern + "_{track}_{name}"


def _finished_files(
    folder: str,
    made: Mapping[str, Sequence[Path]],
    takes: Mapping[str, Take],
    options: Options,
    names: UniqueNames,
) -> list[Delivery]:
    return [
        Delivery(
            target=names.claim(folder, delivered_stem(options.names, takes[take_id], path.stem), path.suffix),
            source=path,
            take=take_id,
            action="copy",
            why=f"{folder} by Takewell",
        )
        for take_id, paths in made.items()
        for path in paths
    ]


def plan_package(
    takes: Sequence[Take],
    infos: Mapping[str, AudioInfo],
    options: Options,
    *,
    mixes: Mapping[str, Sequence[Path]],
    levelled: Mapping[str, Sequence[Path]],
    excerpts: Sequence[Excerpt],
) -> tuple[Delivery, ...]:
    """Return every sound file the package will hold.

    Parameters
    ----------
    takes : sequence of Take
    infos : mapping of a media file's path in the roll to its AudioInfo
    mixes, levelled : mapping of take id to files already rendered
        The levelled mixes, and for a finished package the levelled tracks.
    excerpts : sequence of Excerpt
        Room tone found inside takes, for scenes where none was recorded.
    """
    names, by_id = UniqueNames(), {take.id: take for take in takes}
    deliveries: list[Delivery] = []
    for take in takes:
        if options.spec == "editorial" or take.kind != "take":
            deliveries += _take_files(take, infos, options, names)
    if options.spec == "finished":
        deliveries += _finished_files("levelled", levelled, by_id, options, names)
    deliveries += _finished_files("mix", mixes, by_id, options, names)
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
