"""How does a take become one automatic mix, written as Broadcast Wave?

The ISOs go through their moves, share the mix (`sharing`) and are added (`sum`). What comes out goes to an unnamed
temporary file beside the target and is measured on the way; then one gain brings it to the target loudness, under
the true-peak ceiling. The originals are only read. Memory does not grow with length.

Conventions: positions are samples of the take.
"""

import re
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray

from takewell import __version__, files
from takewell.engine import Meter, Programme
from takewell.errors import SettingError
from takewell.measure.trace import Trace
from takewell.mix.report import Contribution, Mix, write_report
from takewell.mix.settings import MixSettings
from takewell.mix.sharing import Sharing, floor_power
from takewell.mix.sum import places, steps_for, summed
from takewell.mix.tally import Tally
from takewell.roll import (
    MeasuredTake,
    Move,
    Roll,
    Take,
    Track,
    TrackReader,
    derived_folder,
    measured_take,
    read_moves,
)
from takewell.shape import GainBank, GainEnvelope, Limiter
from takewell.units import FINE_STEPS_PER_SECOND, amplitude, step_edges
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, append_history, history_row

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
MixedEncoding = Literal["int16", "int24", "float32"]

FOLDER = "mix"
BLOCK_SAMPLES = 16_384
TRIALS = 4
NEAR_LU = 0.02
"""How near to the target is near enough."""
ENCODINGS: tuple[MixedEncoding, ...] = ("int16", "int24", "float32")

Progress = Callable[[int, int], None]
"""Called with the samples (per channel) done and their number."""


def mix(
    roll: Roll,
    settings: MixSettings | None = None,
    out: Path | None = None,
    *,
    takes: Sequence[str] | None = None,
    encoding: MixedEncoding = "int24",
    moves: Sequence[Move] | None = None,
    progress: Progress | None = None,
) -> tuple[Mix, ...]:
    """Write an automatic mix of the ISOs of each take, and return what was done.

    Parameters
    ----------
    roll : Roll
    settings : MixSettings, optional
    out : Path, optional
        Where the mixes go; ``takewell/mix`` in the roll's folder by default. Never among the media.
    takes : sequence of str, optional
        Names of the takes to mix; by default all that are takes or wild tracks and have ISOs.
    encoding : {"int24", "int16", "float32"}
        Integers are dithered (TPDF).
    moves : sequence of Move, optional
        Gains of the tracks; the roll's ``moves.csv`` by default.
    progress : callable, optional

    Raises
    ------
    SettingError
        If a take is not in the roll or has no ISOs, or moves overlap.
    FileError
        If a file cannot be read.
    DestinationError
        If the place lies among the media or cannot be written.
    """
    settings = settings or MixSettings()
    if encoding not in ENCODINGS:
        raise SettingError(f"encoding {encoding!r} is not written for mixes; {', '.join(ENCODINGS)} are.")
    moves = read_moves(roll.folder) if moves is None else moves
    folder = derived_folder(roll, out, FOLDER)
    chosen = _chosen(roll, takes)
    whole, done = sum(take.length_samples for take in chosen), 0
    mixes = []
    for take in chosen:
        before = done

        def advance(position: int, before: int = before) -> None:
            if progress is not None:
                progress(before + position, whole)

        mixes.append(_mix_take(roll, take, settings, folder, encoding, moves, advance))
        done += take.length_samples
        advance(take.length_samples)
    return tuple(mixes)


def mixed_takes(roll: Roll) -> tuple[Take, ...]:
    """Return the takes that are mixed unless others are asked for: takes and wild tracks with ISOs."""
    return tuple(take for take in roll.takes if take.kind in ("take", "wild") and _isos(take))


def mix_path(roll: Roll, take: Take) -> Path:
    """Return where the mix of a take lies, or will lie, unless it was sent elsewhere.

    Raises
    ------
    DestinationError
        If the files are no roll.
    """
    return derived_folder(roll, None, FOLDER) / _file_name(take)


def _chosen(roll: Roll, names: Sequence[str] | None) -> list[Take]:
    if names is None:
        return list(mixed_takes(roll))
    by_name = {take.id: take for take in roll.takes}
    for name in names:
        if name not in by_name:
            known = ", ".join(list(by_name)[:20]) or "none"
            raise SettingError(f"{roll.folder} has no take {name!r}; its takes are {known}.")
        if not _isos(by_name[name]):
            raise SettingError(f"take {name!r} has no ISO to mix; its tracks have other roles.")
    return [by_name[name] for name in dict.fromkeys(names)]


def _isos(take: Take) -> tuple[Track, ...]:
    return tuple(track for track in take.tracks if track.role == "iso")


@dataclass(frozen=True)
class _Desk:
    """What the samples of a take go through on their way into the mix."""

    tracks: tuple[Track, ...]
    bank: GainBank
    sharing: Sharing
    where: F64


def _mix_take(
    roll: Roll,
    take: Take,
    settings: MixSettings,
    folder: Path,
    encoding: MixedEncoding,
    moves: Sequence[Move],
    advance: Callable[[int], None],
) -> Mix:
    measured = measured_take(roll, take)
    desk = _desk(measured, settings, [move for move in moves if move.take == take.id])
    tally = Tally(len(desk.tracks))
    channels = desk.where.shape[1]
    target = files.make_folder(folder) / _file_name(take)
    try:
        with tempfile.TemporaryFile(dir=folder, prefix=".takewell-") as held:
            first = _programme(
                take.rate,
                channels,
                _kept(held, _summed(roll, take, desk, tally, advance)),
                encoding="float32",
            )

            def tried(gain_db: float) -> float | None:
                trial = Limiter(take.rate, channels, settings.ceiling_dbtp, linked=True)
                blocks = _limited(_given_back(held, channels), trial, gain_db)
                return _programme(take.rate, channels, blocks, encoding="float32").integrated_lufs

            gain_db, short = _gain(first, tried, settings)
            limiter = Limiter(take.rate, channels, settings.ceiling_dbtp, linked=True)
            bext = _bext(take, desk, encoding, channels, gain_db, settings)
            with BroadcastWriter(
                target,
                rate=take.rate,
                channels=channels,
                encoding=encoding,
                bext=bext,
                ixml=_ixml(take, desk, channels),
            ) as writer:

                def written() -> Iterator[F64]:
                    for block in _limited(_given_back(held, channels), limiter, gain_db):
                        writer.write(block)
                        yield block

                last = _programme(take.rate, channels, written(), encoding=encoding)
                writer.bext = _with_loudness(bext, last)
    except OSError as error:
        raise files.destination_error(target, error) from error
    result = Mix(
        take=take.id,
        target=target,
        rate=take.rate,
        length_samples=take.length_samples,
        layout=settings.layout,
        encoding=encoding,
        gain_db=gain_db,
        loudness_lufs=last.integrated_lufs,
        true_peak_dbtp=last.true_peak_dbtp,
        limited_by_peaks=short,
        contributions=_contributions(desk, tally, settings),
        actions=limiter.actions,
    )
    write_report(result)
    return result


def _desk(measured: MeasuredTake, settings: MixSettings, moves: Sequence[Move]) -> _Desk:
    take = measured.take
    tracks = _isos(take)
    envelopes = [_envelope(take, track, moves) for track in tracks]
    edges = step_edges(take.length_samples, take.rate, FINE_STEPS_PER_SECOND)
    middles = (edges[:-1] + edges[1:]) // 2

    def track_power(index: int, first: int, stop: int) -> F64:
        return _levelled_power(measured.trace(tracks[index].number), envelopes[index], middles[first:stop])

    def power(first: int, stop: int) -> F64:
        return np.stack([track_power(index, first, stop) for index in range(len(tracks))], axis=1)

    sharing = Sharing(
        power,
        len(middles),
        np.array([settings.weights_db.get(track.number, 0.0) for track in tracks]),
        floor_power=sum(floor_power(track_power(i, 0, len(middles))) for i in range(len(tracks))),
        release_db_per_s=settings.release_db_per_s,
        hold=settings.hold,
    )
    pans = [settings.pans.get(track.number, 0.0) for track in tracks]
    return _Desk(tracks, GainBank(envelopes), sharing, places(settings.layout, pans))


def _envelope(take: Take, track: Track, moves: Sequence[Move]) -> GainEnvelope | None:
    mine = [move for move in moves if move.track == track.number]
    try:
        return GainEnvelope.from_moves(mine, take.rate, take.length_samples) if mine else None
    except SettingError as error:
        raise SettingError(f"moves.csv, take {take.id}, track {track.number}: {error}") from error


def _levelled_power(trace: Trace, envelope: GainEnvelope | None, middles: I64) -> F64:
    """Return the K-weighted mean square of the 10 ms steps around some samples after the track's moves."""
    power = np.zeros(len(middles))
    # Where a file begins inside a take the trace's steps begin anew; each step of the take reads the one it lies in.
    inside = middles < trace.length_samples
    steps = np.searchsorted(trace.fine_edges, middles[inside], side="right") - 1
    power[inside] = trace.fine_k_rms[steps].astype(np.float64) ** 2
    if envelope is not None:
        power *= envelope.factors_at(middles) ** 2
    return power


def _summed(
    roll: Roll, take: Take, desk: _Desk, tally: Tally, advance: Callable[[int], None]
) -> Iterator[F64]:
    numbers = [track.number for track in desk.tracks]
    position = 0
    rows = _Rows(desk.sharing, tally)
    with TrackReader(roll.folder, take) as reader:
        for block in reader.blocks(numbers, BLOCK_SAMPLES):
            finite = (
                block if np.isfinite(block.sum()) else np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
            )
            first, stop = steps_for(position, position + len(block), take.rate)
            shares, at = rows.over(first, stop)
            yield summed(desk.bank.apply(finite, position), position, take.rate, shares, at, desk.where)
            position += len(block)
            advance(position)
    rows.rest()


class _Rows:
    """Shares as the blocks ask for them, in order, tallied on the way."""

    def __init__(self, sharing: Sharing, tally: Tally) -> None:
        self._stretches = sharing.stretches()
        self._tally = tally
        self._first = 0
        self._shares = np.zeros((0, tally.tracks))

    def over(self, first: int, stop: int) -> tuple[F64, int]:
        """Return shares that reach over some steps, and the step they begin with."""
        while self._first + len(self._shares) < stop and self._more(first):
            pass
        return self._shares, self._first

    def rest(self) -> None:
        """Tally what no block asked for."""
        while self._more(self._first):
            pass

    def _more(self, needed: int) -> bool:
        found = next(self._stretches, None)
        if found is None:
            return False
        _, shares, power = found
        self._tally.add(shares, power)
        kept = self._shares[max(needed - self._first, 0) :]
        self._first += len(self._shares) - len(kept)
        self._shares = np.concatenate([kept, shares])
        return True


def _kept(held: BinaryIO, blocks: Iterator[F64]) -> Iterator[F64]:
    for block in blocks:
        held.write(block.astype(np.float32).data)
        yield block


def _given_back(held: BinaryIO, channels: int) -> Iterator[F64]:
    held.seek(0)
    while data := held.read(BLOCK_SAMPLES * channels * 4):
        yield np.frombuffer(data, np.float32).reshape(-1, channels).astype(np.float64)


def _limited(blocks: Iterator[F64], limiter: Limiter, gain_db: float) -> Iterator[F64]:
    factor = float(amplitude(gain_db))
    for block in blocks:
        yield limiter.add(block * factor)
    yield limiter.finish()


def _programme(rate: int, channels: int, blocks: Iterator[F64], *, encoding: str) -> Programme:
    meter = Meter(rate, channels, encoding=encoding)
    for block in blocks:
        meter.add(block)
    programme = meter.finish().programme
    assert programme is not None  # one and two channels are a programme
    return programme


def _gain(
    programme: Programme, tried: Callable[[float], float | None], settings: MixSettings
) -> tuple[float, bool]:
    """Return the gain to the target, and whether the peaks keep the mix under it.

    What the limiter takes off is loudness too, so where it acts the mix is `tried` through it, and what is missing
    is added, until the target is met or the peaks allow no more.
    """
    if programme.integrated_lufs is None or programme.true_peak_dbtp is None:
        return 0.0, False
    gain = settings.target_lufs - programme.integrated_lufs
    most = settings.ceiling_dbtp + settings.limit_db - programme.true_peak_dbtp
    for _ in range(TRIALS):
        if gain >= most:
            return most, True
        if programme.true_peak_dbtp + gain <= settings.ceiling_dbtp:
            break
        reached = tried(gain)
        if reached is None or settings.target_lufs - reached <= NEAR_LU:
            break
        gain += settings.target_lufs - reached
    return min(gain, most), gain > most


def _contributions(desk: _Desk, tally: Tally, settings: MixSettings) -> tuple[Contribution, ...]:
    return tuple(
        Contribution(
            track=track.number,
            name=track.name,
            pan=settings.pans.get(track.number, 0.0),
            mean_share=float(mean),
            leads=float(leads),
            sound=float(sound),
        )
        for track, mean, leads, sound in zip(desk.tracks, *tally.parts(), strict=True)
    )


def _bext(
    take: Take, desk: _Desk, encoding: MixedEncoding, channels: int, gain_db: float, settings: MixSettings
) -> Bext:
    references = {file.path: file.time_reference for file in take.files}
    starts = [
        reference - piece.start_samples
        for track in desk.tracks
        for piece in track.pieces[:1]
        if (reference := references[piece.file]) is not None
    ]
    numbers = " ".join(str(track.number) for track in desk.tracks)
    sentence = (
        f"Takewell {__version__} gain-sharing mix of tracks {numbers}; gain {gain_db:+.2f} dB; "
        f"true peak held under {settings.ceiling_dbtp:g} dBTP"
    )
    bext = Bext(
        description=f"Automatic mix of take {take.id}",
        originator="Takewell",
        origination_date=take.date or "",
        time_reference=max(min(starts, default=0), 0),
    )
    return append_history(bext, history_row(encoding, take.rate, channels, sentence))


def _with_loudness(bext: Bext, programme: Programme) -> Bext:
    return replace(
        bext,
        loudness_value_lufs=programme.integrated_lufs,
        loudness_range_lu=programme.loudness_range_lu,
        max_true_peak_dbtp=programme.true_peak_dbtp,
        max_momentary_lufs=programme.momentary_max_lufs,
        max_short_term_lufs=programme.short_term_max_lufs,
    )


def _ixml(take: Take, desk: _Desk, channels: int) -> Ixml:
    names = ["Mix"] if channels == 1 else ["Mix L", "Mix R"]
    sources = ", ".join(track.name or f"track {track.number}" for track in desk.tracks)
    return Ixml(
        project=take.project,
        scene=take.scene,
        take=take.take,
        tape=take.tape,
        note="; ".join(filter(None, [take.note, f"automatic mix of {sources}"])),
        circled=take.circled,
        timecode_rate=take.timecode_rate.fraction if take.timecode_rate else "",
        timecode_flag=take.timecode_rate.flag if take.timecode_rate else "",
        tracks=tuple(IxmlTrack(i + 1, i + 1, name) for i, name in enumerate(names)),
    )


def _file_name(take: Take) -> str:
    stem = re.sub(r'[\\/:*?"<>|\x00-\x1f]', "_", take.id)
    return f"{stem}_mix.wav"
