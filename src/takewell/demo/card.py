"""How does the invented day get onto a card, and what is written down about it?

Conventions: the card is laid out as a field recorder would: one folder a roll; per take a poly float file with the
ISOs and a poly 24-bit file (``_S``) with rough mix and safety copies, further files numbered from ``_2``;
Broadcast Wave with bext version 2 and iXML, one iXML family a take. The truth lies beside the card, not on it.
"""

import json
import struct
import uuid
from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.demo.day import DATE, FRAMES_PER_SECOND, TAKES, TAPE, TITLE, TakePlan
from takewell.demo.faults import Mark, NeverFinalised
from takewell.demo.recorder import MIX_NAMES, Recording
from takewell.demo.room import SPEED_OF_SOUND_M_S, distance_m
from takewell.demo.sound_field import floor_dbfs
from takewell.demo.truth import Planted, Truth, TruthFile, TruthLine, TruthTake, TruthTrack
from takewell.errors import DestinationError, SettingError
from takewell.files import write_text
from takewell.timecode import Timecode, TimecodeRate
from takewell.units import decibels, finite_or_none, rms_dbfs
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, read_info

RATE = 48_000
CARD = "card"
FOLDER = "ROLL03"
REPORT = "REPORT.TXT"
RAIL_FS = 1 - 2.0**-23
"""What a 24-bit sample reaches at most."""
CLUSTER_BYTES = 32_768
"""A card whose power fails holds whole clusters: the last sample is cut."""
VERDICTS_WORST_LAST = ("good", "level", "mend", "lost")


def write_day(folder: Path | str, *, seed: int = 3, takes: Collection[str] | None = None) -> Truth:
    """Write the invented day's card and ``truth.json`` into a folder.

    Parameters
    ----------
    folder : path
        Made where it is missing; its ``card`` folder must not exist yet.
    seed : int
        Draws pauses, rooms and noise; the same seed gives the same bytes.
    takes : collection of str, optional
        Only these takes, such as ``{"10A-2"}``; each is the same as in the whole day.

    Returns
    -------
    Truth
        What ``truth.json`` holds.

    Raises
    ------
    DestinationError
        If there is a card already, or the place cannot be written to.
    SettingError
        If a take is not of this day.
    """
    folder = Path(folder)
    known = {plan.id for plan in TAKES}
    if takes is not None and (unknown := set(takes) - known):
        raise SettingError(f"take {sorted(unknown)[0]!r} is not of the invented day; it has {sorted(known)}.")
    roll = folder / CARD / FOLDER
    if roll.parent.exists():
        raise DestinationError(f"{roll.parent} exists already; name a folder without a card in it.")
    try:
        roll.mkdir(parents=True)
    except OSError as error:
        raise DestinationError(f"{roll} cannot be made: {error.strerror}; choose another place.") from error
    plans = [(number, plan) for number, plan in enumerate(TAKES) if takes is None or plan.id in takes]
    with ThreadPoolExecutor(2) as pool:
        # The longest first, so that both cores are busy to the end.
        jobs = {
            plan.id: pool.submit(_write_take, roll, plan, (seed, number))
            for number, plan in sorted(plans, key=lambda item: -item[1].length_s)
        }
        written = [jobs[plan.id].result() for _, plan in plans]
    write_text(roll / REPORT, _report(written))
    truth = Truth(
        title=TITLE,
        seed=seed,
        card=CARD,
        other_files=[f"{FOLDER}/{REPORT}"],
        takes=[take.truth for take in written],
        tracks=[track for take in written for track in take.tracks],
        planted=[planted for take in written for planted in take.planted],
    )
    write_text(folder / "truth.json", json.dumps(truth, indent=1) + "\n")
    return truth


@dataclass(frozen=True)
class _WrittenTake:
    truth: TruthTake
    tracks: list[TruthTrack]
    planted: list[Planted]


@dataclass
class _Tally:
    """Figures of one track, added up while it is written."""

    peak: float = 0.0
    over_full_scale: int = 0
    at_rail: int = 0
    energy: float = 0.0
    energy_samples: int = 0
    reached: list[int] = field(default_factory=list)
    """First and last sample at full scale of each span asked for."""


@dataclass(frozen=True)
class _FileSet:
    """The files of one side of a take: ``float32`` or ``int24``."""

    encoding: Literal["float32", "int24"]
    names: tuple[str, ...]
    paths: tuple[Path, ...]


def _write_take(roll: Path, plan: TakePlan, seed: tuple[int, int]) -> _WrittenTake:
    recording = Recording(plan, RATE, seed)
    clock = recording.clock
    edges = [0, *(round(at * RATE) for at in plan.pieces_s), clock.length_samples]
    sides = [side for side in _file_sets(roll, recording, len(edges) - 1) if side.names]
    marks = _marks(recording)
    tallies = [[_Tally() for _ in side.names] for side in sides]
    spans = _rail_spans(marks)
    talking = _talking(recording)
    writers = _Writers(recording, sides, edges)
    with writers:
        start = 0
        for isos, fixed in recording.blocks():
            for side, side_tallies in zip(sides, tallies, strict=True):
                block = isos if side.encoding == "float32" else np.clip(fixed, -1.0, np.float32(RAIL_FS))
                writers.write(side, block, start)
                for c, (name, tally) in enumerate(zip(side.names, side_tallies, strict=True)):
                    _count(
                        tally,
                        block[:, c],
                        start,
                        side.encoding,
                        spans.get((side.encoding, name)),
                        talking.get(name),
                    )
            start += len(isos if len(sides) > 1 else fixed)
    finalised = not any(isinstance(fault, NeverFinalised) for fault in plan.faults)
    if not finalised:
        for side in sides:
            for path in side.paths:
                leave_unfinalised(path, 0 if side.encoding == "float32" else 0xFFFF_FFFF)
    return _stated(recording, sides, tallies, marks, finalised)


def _file_sets(roll: Path, recording: Recording, pieces: int) -> tuple[_FileSet, _FileSet]:
    plan = recording.plan
    stem = f"{plan.scene}-{f'T{plan.take:0>2}' if plan.take.isdigit() else plan.take}"
    beside = "_S" if recording.iso_names else ""
    suffixes = ["", *(f"_{number}" for number in range(2, pieces + 1))]
    safeties = tuple(f"{name} safety" for name in plan.safeties)
    return (
        _FileSet("float32", recording.iso_names, tuple(roll / f"{stem}{end}.WAV" for end in suffixes)),
        _FileSet(
            "int24", (*MIX_NAMES, *safeties), tuple(roll / f"{stem}{beside}{end}.WAV" for end in suffixes)
        ),
    )


class _Writers(ExitStack):
    """All files of a take, open at once; a block that crosses an edge goes into two."""

    def __init__(self, recording: Recording, sides: list[_FileSet], edges: list[int]) -> None:
        super().__init__()
        self._edges = edges
        self._writers: dict[str, list[BroadcastWriter]] = {}
        total = len(sides) * (len(edges) - 1)
        index = 0
        for side in sides:
            self._writers[side.encoding] = []
            for piece, path in enumerate(side.paths):
                index += 1
                stamp = time_reference(recording.plan) + edges[piece]
                self._writers[side.encoding].append(
                    BroadcastWriter(
                        path,
                        rate=RATE,
                        channels=len(side.names),
                        encoding=side.encoding,
                        bext=_bext(recording.plan, side, path, stamp),
                        ixml=_ixml(recording, side, path, stamp, index, total),
                        dither=False,
                    )
                )

    def __enter__(self) -> "_Writers":
        for writers in self._writers.values():
            for writer in writers:
                self.enter_context(writer)
        return self

    def write(self, side: _FileSet, block: NDArray[np.float32], start: int) -> None:
        """Write a block that begins at sample `start` of the take."""
        for piece, writer in enumerate(self._writers[side.encoding]):
            first = max(self._edges[piece] - start, 0)
            last = min(self._edges[piece + 1] - start, len(block))
            if first < last:
                writer.write(block[first:last])


def time_reference(plan: TakePlan) -> int:
    """Return a take's first sample, counted from midnight."""
    rate = TimecodeRate.parse(FRAMES_PER_SECOND)
    stamp = Timecode.parse(plan.starts, rate).to_samples(RATE)
    return int(stamp)


def _bext(plan: TakePlan, side: _FileSet, path: Path, stamp: int) -> Bext:
    seconds = stamp // RATE
    clock_time = f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"
    return Bext(
        description=f"{TITLE}, scene {plan.scene} take {plan.take}\r\n",
        originator="Invented recorder",
        originator_reference=f"XXINV{path.stem[:12]}{clock_time.replace(':', '')}",
        origination_date=DATE,
        origination_time=clock_time,
        time_reference=stamp,
        coding_history=f"A=PCM,F={RATE},W={24 if side.encoding == 'int24' else 32},M=multi,T=invented recorder\r\n",
    )


def _ixml(recording: Recording, side: _FileSet, path: Path, stamp: int, index: int, total: int) -> Ixml:
    plan = recording.plan
    functions = {"Mix L": "L-MIX", "Mix R": "R-MIX"}
    isos = len(recording.iso_names)
    first_channel = 1 if side.encoding == "float32" else isos + 1
    return Ixml(
        project=TITLE,
        scene=plan.scene,
        take=plan.take,
        tape=TAPE,
        note=plan.note,
        circled=plan.circled,
        wild_track=plan.kind == "wild",
        take_type=("WILD_TRACK",) if plan.kind == "wild" else ("DEFAULT",),
        file_uid=_uid(path.name),
        ubits="11020325",
        timecode_rate=FRAMES_PER_SECOND,
        timecode_flag="NDF",
        file_sample_rate=RATE,
        digitizer_sample_rate=RATE,
        timestamp_sample_rate=RATE,
        timestamp_samples=stamp,
        family_uid=_uid(plan.id),
        family_name=plan.id,
        file_set_index=str(index),
        total_files=total,
        original_filename=path.name,
        tracks=tuple(
            IxmlTrack(first_channel + c, c + 1, name, functions.get(name, ""))
            for c, name in enumerate(side.names)
        ),
    )


def _uid(name: str) -> str:
    return uuid.uuid5(uuid.NAMESPACE_URL, f"takewell:demo/{DATE}/{name}").hex.upper()


def leave_unfinalised(path: Path, size: int) -> None:
    """Change a finished file in place into one whose recorder lost its power.

    RIFF and data sizes say `size` (0 or 0xFFFFFFFF, as recorders do), ``fact`` says nothing, and the file ends
    with the last whole cluster of the card, in the middle of a sample.
    """
    info = read_info(path)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // CLUSTER_BYTES * CLUSTER_BYTES)
        for offset in (4, info.data_offset - 4):
            file.seek(offset)
            file.write(struct.pack("<I", size))
        for chunk in info.chunks:
            if chunk.id == "fact":
                file.seek(chunk.offset)
                file.write(bytes(4))


def _marks(recording: Recording) -> list[tuple[str, Mark]]:
    """Return (microphone, mark) for every mark that has a track to lie on."""
    plan = recording.plan
    return [
        (fault.microphone, mark)
        for fault in plan.faults
        for mark in fault.marks(recording.clock)
        if mark.target != "safety" or fault.microphone in plan.safeties
    ]


def _track_names(microphone: str, mark: Mark) -> tuple[tuple[str, str], ...]:
    """Return (encoding, name) of the tracks a mark lies on."""
    if mark.target == "iso":
        return (("float32", microphone),)
    if mark.target == "safety":
        return (("int24", f"{microphone} safety"),)
    return tuple(("int24", name) for name in MIX_NAMES) if mark.target == "mix" else ()


def _rail_spans(marks: list[tuple[str, Mark]]) -> dict[tuple[str, str], tuple[int, int]]:
    return {
        key: (mark.start_samples, mark.end_samples)
        for microphone, mark in marks
        if mark.to_the_rails
        for key in _track_names(microphone, mark)
    }


def _talking(recording: Recording) -> dict[str, list[tuple[int, int]]]:
    """Return, by track name, when the voice speaks that the microphone is there for."""
    spans = {}
    for microphone, voice in recording.plan.worn_by.items():
        said = [(u.start_samples, u.end_samples) for u in recording.clock.lines if u.clip.voice == voice]
        spans[microphone] = spans[f"{microphone} safety"] = said
    return spans


def _count(
    tally: _Tally,
    samples: NDArray[np.float32],
    start: int,
    encoding: str,
    rail_span: tuple[int, int] | None,
    talking: list[tuple[int, int]] | None,
) -> None:
    size = np.abs(samples)
    tally.peak = float(np.fmax(tally.peak, np.fmax.reduce(size, initial=0.0)))
    limit = 1.0 if encoding == "float32" else RAIL_FS
    if tally.peak >= limit:
        over = size > limit if encoding == "float32" else size >= np.float32(limit)
        found = np.flatnonzero(over) + start
        if encoding == "float32":
            tally.over_full_scale += len(found)
        else:
            tally.at_rail += len(found)
        if rail_span is not None and len(found):
            found = found[(found >= rail_span[0]) & (found < rail_span[1])]
            tally.reached += [int(found[0]), int(found[-1])] if len(found) else []
    for first, last in talking or ():
        part = samples[max(first - start, 0) : max(last - start, 0)]
        tally.energy += float(np.nansum(np.square(part, dtype=np.float64)))
        tally.energy_samples += len(part)


def _stated(
    recording: Recording,
    sides: list[_FileSet],
    tallies: list[list[_Tally]],
    marks: list[tuple[str, Mark]],
    finalised: bool,
) -> _WrittenTake:
    """Return the truth of a take that has been written."""
    plan, clock = recording.plan, recording.clock
    number, files = 0, []
    numbers: dict[tuple[str, str], tuple[int, _Tally, _FileSet]] = {}
    for side, side_tallies in zip(sides, tallies, strict=True):
        files += [_truth_file(side, path, finalised) for path in side.paths]
        for name, tally in zip(side.names, side_tallies, strict=True):
            number += 1
            numbers[side.encoding, name] = number, tally, side
    planted = []
    for microphone, mark in marks:
        for key in _track_names(microphone, mark):
            track, tally, side = numbers[key]
            if mark.to_the_rails and not tally.reached:
                continue
            planted.append(_planted(plan, mark, track, key[1], _relative(side.paths[0]), tally))
        if mark.target == "file":
            planted += [
                _planted(plan, mark, 0, "", _relative(path), None) for side in sides for path in side.paths
            ]
    tracks = [
        _truth_track(recording, name, track, tally, side, planted)
        for (_, name), (track, tally, side) in numbers.items()
    ]
    take = TruthTake(
        take=plan.id,
        scene=plan.scene,
        take_name=plan.take,
        kind=plan.kind,
        set_up="" if plan.set_up is None else plan.set_up.name,
        note=plan.note,
        rate=RATE,
        length_samples=max(
            sum(file["length_samples"] for file in files if file["encoding"] == side.encoding)
            for side in sides
        ),
        time_reference=time_reference(plan),
        timecode_rate=FRAMES_PER_SECOND,
        files=files,
        lines=[
            TruthLine(
                voice=u.clip.voice,
                effort=u.clip.effort,
                start_s=u.start_samples / RATE,
                end_s=u.end_samples / RATE,
                text=u.clip.text,
            )
            for u in clock.lines
        ],
        natural=list(plan.natural),
    )
    return _WrittenTake(take, tracks, planted)


def _relative(path: Path) -> str:
    return f"{FOLDER}/{path.name}"


def _truth_file(side: _FileSet, path: Path, finalised: bool) -> TruthFile:
    info = read_info(path)
    assert info.bext is not None
    return TruthFile(
        file=_relative(path),
        encoding=side.encoding,
        channels=len(side.names),
        time_reference=info.bext.time_reference,
        length_samples=(path.stat().st_size - info.data_offset)
        // (len(side.names) * (4 if side.encoding == "float32" else 3)),
        finalised=finalised,
    )


def _planted(plan: TakePlan, mark: Mark, track: int, name: str, file: str, tally: _Tally | None) -> Planted:
    start, end = mark.start_samples, mark.end_samples
    numbers = dict(mark.numbers)
    if mark.to_the_rails and tally is not None:
        start, end = min(tally.reached), max(tally.reached) + 1
        if mark.target == "iso":
            numbers["sample_peak_dbfs"] = float(decibels(tally.peak))
            numbers["samples_over_full_scale"] = tally.over_full_scale
        else:
            numbers["samples_at_rail"] = tally.at_rail
    return Planted(
        take=plan.id,
        file=file,
        track=track,
        name=name,
        kind=mark.kind,
        accept=list(mark.accept or (mark.kind,)),
        also=list(mark.also),
        must=mark.must,
        start_s=start / RATE,
        end_s=end / RATE,
        numbers=numbers,
        verdicts=list(mark.verdicts),
        what=mark.what,
    )


def _truth_track(
    recording: Recording, name: str, track: int, tally: _Tally, side: _FileSet, planted: list[Planted]
) -> TruthTrack:
    plan = recording.plan
    microphone_name = name.removesuffix(" safety")
    microphone = next(
        (m for m in (plan.set_up.microphones if plan.set_up else ()) if m.name == microphone_name), None
    )
    mine = [p for p in planted if p["track"] == track]
    verdicts = ["good", "level"]
    if mine:
        # Of several damages the worst one decides.
        verdicts = max((p["verdicts"] for p in mine), key=lambda words: VERDICTS_WORST_LAST.index(words[0]))
    role = "mix" if name in MIX_NAMES else "iso" if side.encoding == "float32" else "safety"
    floor = arrivals = None
    if plan.set_up is not None and microphone is not None:
        floor = floor_dbfs(plan.set_up.room, microphone)
        arrivals = {
            voice: 1000 * distance_m(place, microphone.place_m) / SPEED_OF_SOUND_M_S
            for voice, place in plan.set_up.talkers.items()
        }
    return TruthTrack(
        take=plan.id,
        track=track,
        name=name,
        role=role,
        encoding=side.encoding,
        files=[_relative(path) for path in side.paths],
        channel=side.names.index(name) + 1,
        clean=not mine,
        verdicts=list(verdicts),
        talker=plan.worn_by.get(microphone_name),
        floor_dbfs=floor,
        talk_dbfs=finite_or_none(float(rms_dbfs(tally.energy / tally.energy_samples)))
        if tally.energy_samples
        else None,
        sample_peak_dbfs=finite_or_none(float(decibels(tally.peak))),
        samples_over_full_scale=tally.over_full_scale,
        samples_at_rail=tally.at_rail,
        arrival_ms=arrivals or {},
    )


def _report(written: list[_WrittenTake]) -> str:
    """Return the plain text that the recorder leaves beside its files."""
    lines = [f"{TITLE}", f"Roll {TAPE}    {DATE}    48 kHz    25 fps    times of day", ""]
    for take in written:
        truth = take.truth
        stamp = Timecode.from_samples(truth["time_reference"], RATE, TimecodeRate.parse(FRAMES_PER_SECOND))
        lines.append(f"{stamp}  scene {truth['scene']:<7} take {truth['take_name']:<4} {truth['note']}")
        lines += [f"             {file['file'].split('/')[1]}" for file in truth["files"]]
    return "\n".join(lines) + "\n"
