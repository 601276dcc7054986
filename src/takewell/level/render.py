"""How do the moves of a roll become levelled copies of its files?

Every file with a track that has moves gets one copy of the same name and channels; tracks without moves pass in
it as they are. The originals are only read. A copy says of itself what was done (a row of bext's coding history,
a sentence in iXML's note), keeps its TimeReference, and has a text file beside it (`levelled_copy`). Loudness
fields of bext are cleared: they spoke of the original.

Conventions: times in seconds of the take.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from takewell import __version__, files
from takewell.engine.render import RenderedEncoding, RenderedFile, Rendering, render_series
from takewell.errors import SettingError
from takewell.level.levelled_copy import CopyTrack, LevelledCopy, write_sidecar
from takewell.level.lines import check_lines, persons_in
from takewell.level.propose import chosen_takes
from takewell.level.settings import LevelSettings
from takewell.roll import MediaFile, Move, Piece, Roll, Take, Track, derived_folder, read_moves
from takewell.shape import Action, GainEnvelope
from takewell.wave import AudioInfo, Bext, Ixml, append_history, history_row, read_info

FOLDER = "levelled"
ENCODINGS: tuple[RenderedEncoding, ...] = ("int16", "int24", "float32")

Progress = Callable[[int, int], None]
"""Called with the samples (per channel) done and their number."""


def render(
    roll: Roll,
    out: Path | None = None,
    *,
    encoding: RenderedEncoding = "int24",
    takes: Sequence[str] | None = None,
    moves: Sequence[Move] | None = None,
    settings: LevelSettings | None = None,
    noise_shaping: bool = False,
    progress: Progress | None = None,
) -> tuple[LevelledCopy, ...]:
    """Write levelled copies of the files that have moves, and return what was done to each.

    Parameters
    ----------
    roll : Roll
    out : Path, optional
        Where the copies go; ``takewell/levelled`` in the roll's folder by default. Never among the media.
    encoding : {"int16", "int24", "float32"}
        Integers are dithered (TPDF).
    takes : sequence of str, optional
        Names of the takes to render; all by default.
    moves : sequence of Move, optional
        What to apply; the roll's ``moves.csv`` by default.
    settings : LevelSettings, optional
        For the ceiling and the shape of joins.
    noise_shaping : bool
        Whether the noise of integers is moved to where ears hear least, see `takewell.wave.noise_shape`.
    progress : callable, optional

    Raises
    ------
    SettingError
        If a take is not in the roll, or moves overlap or name a track that is not there.
    FileError
        If a file cannot be read.
    DestinationError
        If the place lies among the media or cannot be written.
    """
    settings = settings or LevelSettings()
    if encoding not in ENCODINGS:
        raise SettingError(f"encoding {encoding!r} is not rendered; {', '.join(ENCODINGS)} are.")
    if moves is None:
        moves = read_moves(roll.folder)
        check_lines(roll, persons_in(roll, roll.folder), roll.folder)
    folder = derived_folder(roll, out, FOLDER)
    jobs = [
        job
        for take in chosen_takes(roll, takes)
        for job in _jobs(take, [move for move in moves if move.take == take.id])
    ]
    whole = sum(sum(file.length_samples for file in job.files) for job in jobs)
    done = 0

    def advance(count: int) -> None:
        nonlocal done
        done += count
        if progress is not None:
            progress(done, whole)

    copies: list[LevelledCopy] = []
    for job in jobs:
        copies += _render_job(roll, job, folder, encoding, settings, advance, noise_shaping=noise_shaping)
    return tuple(copies)


@dataclass(frozen=True)
class _Job:
    """Files of one take that continue each other, with the track in each channel."""

    take: Take
    files: tuple[MediaFile, ...]
    starts: tuple[int, ...]
    tracks: tuple[Track | None, ...]
    moves: Mapping[int, tuple[Move, ...]]


def _jobs(take: Take, moves: Sequence[Move]) -> list[_Job]:
    numbers = {track.number for track in take.tracks}
    for move in moves:
        if move.track not in numbers:
            raise SettingError(
                f"moves.csv names track {move.track} of take {take.id}, which has {len(numbers)} tracks."
            )
    by_track = {n: tuple(move for move in moves if move.track == n) for n in numbers}
    places: dict[str, dict[int, tuple[Track, Piece]]] = {}
    for track in take.tracks:
        for piece in track.pieces:
            places.setdefault(piece.file, {})[piece.channel] = track, piece
    series: dict[tuple[int | None, ...], list[tuple[int, MediaFile]]] = {}
    for file in take.files:
        held = places.get(file.path, {})
        channels = [held.get(channel) for channel in range(1, file.channels + 1)]
        key = tuple(place[0].number if place else None for place in channels)
        if any(number is not None and by_track[number] for number in key):
            start = next(place[1].start_samples for place in channels if place)
            series.setdefault(key, []).append((start, file))
    tracks = {track.number: track for track in take.tracks}
    return [
        _Job(
            take=take,
            files=tuple(file for _, file in sorted(row, key=lambda at: at[0])),
            starts=tuple(sorted(start for start, _ in row)),
            tracks=tuple(None if number is None else tracks[number] for number in key),
            moves=by_track,
        )
        for key, row in series.items()
    ]


def _render_job(
    roll: Roll,
    job: _Job,
    folder: Path,
    encoding: RenderedEncoding,
    settings: LevelSettings,
    advance: Callable[[int], None],
    *,
    noise_shaping: bool,
) -> list[LevelledCopy]:
    envelopes = [_envelope(job, track, settings) for track in job.tracks]
    rendered = []
    for file, start in zip(job.files, job.starts, strict=True):
        source = roll.folder / file.path
        target = folder / (file.path if source.suffix.lower() == ".wav" else f"{file.path}.wav")
        info = read_info(source)
        files.make_folder(target.parent)
        note = _sentence(job, encoding, settings, noise_shaping=noise_shaping)
        rendered.append(
            RenderedFile(
                source,
                target,
                _bext(info, file, note, encoding),
                _ixml(info, job.take, note),
                start,
            )
        )
    rendering = render_series(
        rendered,
        envelopes,
        encoding=encoding,
        ceiling_dbtp=settings.ceiling_dbtp,
        noise_shaping=noise_shaping,
        progress=advance,
    )
    copies = _copies(job, rendered, rendering, envelopes, encoding, settings)
    for copy in copies:
        write_sidecar(copy)
    return copies


def _envelope(job: _Job, track: Track | None, settings: LevelSettings) -> GainEnvelope | None:
    if track is None or not job.moves[track.number]:
        return None
    try:
        return GainEnvelope.from_moves(
            job.moves[track.number], job.take.rate, job.take.length_samples, shape=settings.joins
        )
    except SettingError as error:
        raise SettingError(f"moves.csv, take {job.take.id}, track {track.number}: {error}") from error


def _copies(
    job: _Job,
    rendered: Sequence[RenderedFile],
    rendering: Rendering,
    envelopes: Sequence[GainEnvelope | None],
    encoding: RenderedEncoding,
    settings: LevelSettings,
) -> list[LevelledCopy]:
    copies = []
    passed = 0
    for media, file, length in zip(job.files, rendered, rendering.lengths_samples, strict=True):
        tracks = tuple(
            CopyTrack(
                channel=channel + 1,
                track=0 if track is None else track.number,
                name="" if track is None else track.name,
                envelope=None if envelope is None else envelope.shifted(file.start_samples, length),
                moves=() if track is None else job.moves[track.number],
                actions=_within(rendering.actions, channel, passed, length),
            )
            for channel, (track, envelope) in enumerate(zip(job.tracks, envelopes, strict=True))
        )
        copies.append(
            LevelledCopy(
                take=job.take.id,
                source=media.path,
                target=file.target,
                rate=job.take.rate,
                length_samples=length,
                encoding=encoding,
                ceiling_dbtp=settings.ceiling_dbtp,
                clipped_samples=rendering.clipped_samples,
                tracks=tracks,
            )
        )
        passed += length
    return copies


def _within(actions: Sequence[Action], channel: int, start: int, length: int) -> tuple[Action, ...]:
    """Return a channel's actions in one file of the series, counted from that file's first sample."""
    return tuple(
        replace(
            action,
            start_samples=max(action.start_samples - start, 0),
            end_samples=min(action.end_samples - start, length),
        )
        for action in actions
        if action.channel == channel and action.start_samples < start + length and action.end_samples > start
    )


def _sentence(job: _Job, encoding: RenderedEncoding, settings: LevelSettings, *, noise_shaping: bool) -> str:
    gains = []
    for track in job.tracks:
        if track is not None and job.moves[track.number]:
            values = sorted({move.gain_db for move in job.moves[track.number]})
            span = f"{values[0]:+.1f}" + (f" to {values[-1]:+.1f}" if len(values) > 1 else "")
            gains.append(f"track {track.number} {span} dB")
    depth = {
        "int16": "16 bits with TPDF dither",
        "int24": "24 bits with TPDF dither",
        "float32": "32-bit float",
    }
    return (
        f"Takewell {__version__} levelled copy: {', '.join(gains)}; "
        f"true peak held under {settings.ceiling_dbtp:g} dBTP; {depth[encoding]}"
        + (", noise shaped" if noise_shaping and encoding != "float32" else "")
    )


def _bext(info: AudioInfo, file: MediaFile, sentence: str, encoding: RenderedEncoding) -> Bext:
    bext = info.bext or Bext(time_reference=file.time_reference or 0)
    bext = replace(
        bext,
        loudness_value_lufs=None,
        loudness_range_lu=None,
        max_true_peak_dbtp=None,
        max_momentary_lufs=None,
        max_short_term_lufs=None,
    )
    return append_history(bext, history_row(encoding, info.rate, info.channels, sentence))


def _ixml(info: AudioInfo, take: Take, sentence: str) -> Ixml:
    ixml = info.ixml or Ixml(project=take.project, scene=take.scene, take=take.take, tape=take.tape)
    return replace(ixml, note=f"{ixml.note}; {sentence}" if ixml.note else sentence)
