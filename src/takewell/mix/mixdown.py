"""How does a take become one automatic mix, written as Broadcast Wave?

The ISOs go through their moves and the rest of the desk (`desk`), share the mix (`sharing`) and are added (`sum`). What comes out goes to an unnamed
temporary file beside the target and is measured on the way; then one gain brings it to the target loudness, under
the true-peak ceiling. The originals are only read. Memory does not grow with length.

Conventions: positions are samples of the take.
"""

import itertools
import re
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray

from takewell import __version__, files
from takewell.engine import Meter, Programme
from takewell.errors import SettingError
from takewell.mix.account import choices, contributions, lined_up_tracks, notched
from takewell.mix.desk import Desk, set_up
from takewell.mix.field import write_fields
from takewell.mix.report import Mix, write_report
from takewell.mix.settings import MixSettings
from takewell.mix.sources import isos
from takewell.mix.sum import steps_for
from takewell.mix.sum_figures import SumFigures
from takewell.mix.tally import Tally
from takewell.roll import (
    Finding,
    Logbook,
    Move,
    Roll,
    Take,
    TrackReader,
    derived_folder,
    measured_take,
    read_moves,
)
from takewell.shape import Limiter
from takewell.shape.places import CHANNEL_MASKS, CHANNELS
from takewell.units import amplitude
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, append_history, history_row

F64 = NDArray[np.float64]
MixedEncoding = Literal["int16", "int24", "float32"]

FOLDER = "mix"
BLOCK_SAMPLES = 8192
TRIALS = 4
NEAR_LU = 0.02
"""How near to the target is near enough."""
CLEAR_DB = 1.5
"""How far below the ceiling no limiter is needed."""
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
    return tuple(take for take in roll.takes if take.kind in ("take", "wild") and isos(take))


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
        if not isos(by_name[name]):
            raise SettingError(f"take {name!r} has no ISO to mix; its tracks have other roles.")
    return [by_name[name] for name in dict.fromkeys(names)]


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
    mine = [move for move in moves if move.take == take.id]
    with TrackReader(roll.folder, take) as reader:
        desk = set_up(measured, reader, settings, mine, _findings(roll, take, settings))
    tally = Tally(len(desk.sources))
    channels, mask = len(CHANNELS[settings.layout]), CHANNEL_MASKS[settings.layout]
    target = files.make_folder(folder) / _file_name(take)
    measure = partial(_programme, take.rate, channels, mask)
    try:
        with tempfile.TemporaryFile(dir=folder, prefix=".takewell-") as held:
            kept = _kept(held, _summed(roll, desk, tally, advance))
            first = SumFigures.of(kept, rate=take.rate, channels=channels, channel_mask=mask)

            def tried(gain_db: float) -> float | None:
                trial = Limiter(take.rate, channels, settings.ceiling_dbtp, linked=True)
                blocks = _limited(_given_back(held, channels), trial, gain_db)
                return measure(blocks, encoding="float32").integrated_lufs

            gain_db, short = _gain(first, tried, settings)
            limiter = None if _stays_below(first, gain_db, settings) else Limiter(take.rate, channels, settings.ceiling_dbtp, linked=True)  # fmt: skip
            bext = _bext(take, desk, encoding, channels, gain_db, settings)
            with BroadcastWriter(
                target,
                rate=take.rate,
                channels=channels,
                encoding=encoding,
                bext=bext,
                ixml=_ixml(take, desk),
                channel_mask=mask,
            ) as writer:

                def written() -> Iterator[F64]:
                    for block in _limited(_given_back(held, channels), limiter, gain_db):
                        writer.write(block)
                        yield block

                if limiter is None:
                    for _ in written():
                        pass
                    last = first.after(gain_db)
                else:
                    last = measure(written(), encoding=encoding)
                writer.bext = _with_loudness(bext, last)
    except OSError as error:
        raise files.destination_error(target, error) from error
    fields_written = write_fields(roll, desk, folder, settings.field, bext) if settings.field else ()
    result = Mix(
        take=take.id,
        target=target,
        rate=take.rate,
        length_samples=take.length_samples,
        layout=settings.layout,
        encoding=encoding,
        by=settings.by,
        gain_db=gain_db,
        loudness_lufs=last.integrated_lufs,
        true_peak_dbtp=last.true_peak_dbtp,
        limited_by_peaks=short,
        contributions=contributions(desk, tally),
        lined_up=lined_up_tracks(desk),
        choices=choices(desk),
        notched=notched(desk),
        fields=fields_written,
        actions=() if limiter is None else limiter.actions,
    )
    write_report(result)
    return result


def _findings(roll: Roll, take: Take, settings: MixSettings) -> tuple[Finding, ...]:
    """Return what is known of a take's damage, where a voice is to be followed."""
    if not settings.follow or not roll.keeps:
        return ()
    with Logbook(roll.folder) as logbook:
        known = logbook.examination()
    return () if known is None else tuple(one for one in known.findings if one.take == take.id)


def _summed(roll: Roll, desk: Desk, tally: Tally, advance: Callable[[int], None]) -> Iterator[F64]:
    take, latency = desk.take, desk.latency
    numbers = [track.number for track in desk.tracks]
    position = 0
    rows = _Rows(desk, tally)
    shape, summing = desk.set_off()
    with TrackReader(roll.folder, take) as reader:
        after = iter([np.zeros((latency, len(numbers)), np.float32)] if latency else [])
        for block in itertools.chain(reader.blocks(numbers, BLOCK_SAMPLES), after):
            heard = position - latency
            gains, at = rows.over(*steps_for(max(heard, 0), max(heard + len(block), 1), take.rate))
            mixed = summing.add(shape.apply(block, position), heard, gains, at)
            yield mixed[max(-heard, 0) :]
            position += len(block)
            advance(min(position, take.length_samples))
    rows.rest()


class _Rows:
    """Gains as the blocks ask for them, in order, tallied on the way."""

    def __init__(self, desk: Desk, tally: Tally) -> None:
        self._desk = desk
        self._stretches = desk.sharing.stretches()
        self._tally = tally
        self._first = 0
        self._gains = np.zeros((0, len(desk.tracks)))

    def over(self, first: int, stop: int) -> tuple[F64, int]:
        """Return gains that reach over some steps, and the step they begin with."""
        while self._first + len(self._gains) < stop and self._more(first):
            pass
        return self._gains, self._first

    def rest(self) -> None:
        """Tally what no block asked for."""
        while self._more(self._first):
            pass

    def _more(self, needed: int) -> bool:
        found = next(self._stretches, None)
        if found is None:
            return False
        first, shares, power = found
        self._tally.add(shares, power)
        kept = self._gains[max(needed - self._first, 0) :]
        self._first += len(self._gains) - len(kept)
        self._gains = np.concatenate([kept, self._desk.gains(first, shares)])
        return True


def _kept(held: BinaryIO, blocks: Iterator[F64]) -> Iterator[F64]:
    for block in blocks:
        held.write(block.astype(np.float32).data)
        yield block


def _given_back(held: BinaryIO, channels: int) -> Iterator[F64]:
    held.seek(0)
    while data := held.read(BLOCK_SAMPLES * channels * 4):
        yield np.frombuffer(data, np.float32).reshape(-1, channels).astype(np.float64)


def _limited(blocks: Iterator[F64], limiter: Limiter | None, gain_db: float) -> Iterator[F64]:
    factor = float(amplitude(gain_db))
    for block in blocks:
        yield block * factor if limiter is None else limiter.add(block * factor)
    if limiter is not None:
        yield limiter.finish()


def _stays_below(first: SumFigures, gain_db: float, settings: MixSettings) -> bool:
    """Return whether no meter can find the mix above the ceiling, so that it needs no limiter.

    Four-times oversampling reads at most 0.69 dB too low (BS.1770-5, Annex 2), printed filters up to 0.25 dB too high.
    """
    peak = first.programme.true_peak_dbtp
    return peak is None or peak + gain_db <= settings.ceiling_dbtp - CLEAR_DB


def _programme(
    rate: int, channels: int, mask: int | None, blocks: Iterator[F64], *, encoding: str
) -> Programme:
    meter = Meter(rate, channels, encoding=encoding, channel_mask=mask)
    for block in blocks:
        meter.add(block)
    programme = meter.finish().programme
    assert programme is not None  # every layout has a speaker for each channel
    return programme


def _gain(
    first: SumFigures, tried: Callable[[float], float | None], settings: MixSettings
) -> tuple[float, bool]:
    """Return the gain to the target, and whether the peaks keep the mix under it.

    What the limiter takes off is loudness too, so where it acts the mix is `tried` through it, and what is missing
    is added, until the target is met or the peaks allow no more.
    """
    gain, peak = first.gain_to(settings.target_lufs), first.programme.true_peak_dbtp
    if gain is None or peak is None:
        return 0.0, False
    most = settings.ceiling_dbtp + settings.limit_db - peak
    for _ in range(TRIALS):
        if gain >= most:
            return most, True
        if peak + gain <= settings.ceiling_dbtp:
            break
        reached = tried(gain)
        if reached is None or settings.target_lufs - reached <= NEAR_LU:
            break
        gain += settings.target_lufs - reached
    return min(gain, most), gain > most


def _bext(
    take: Take, desk: Desk, encoding: MixedEncoding, channels: int, gain_db: float, settings: MixSettings
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


def _ixml(take: Take, desk: Desk) -> Ixml:
    channels = CHANNELS[desk.settings.layout]
    names = ["Mix"] if len(channels) == 1 else [f"Mix {name}" for name in channels]
    sources = ", ".join(source.name for source in desk.sources)
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
