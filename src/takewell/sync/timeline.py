"""How do pairs become a timeline that an editor can open?

The clips of the day stand one behind the other, in the order of the report: pictures on the track V1, the clip's own sound on
the first audio track, the recordings beside it on as many tracks as they have, each named by take and track. Recordings that
belong to no clip follow at the end. Media are referred to with their own timecode; every position on the timeline is a whole
frame, and where in the recording a frame begins is said in samples, so nothing is rounded that matters: the cut lies on the
frame, the sound under it to half a sample. What cannot be laid so (a first part of a frame before the recording began) is
left out.

Findings, claps and what is odd are markers with words; notes on a track as a whole stand in the clip's metadata. Drift is said in metadata and a time warp only where asked for, because
most programs ignore one of a few ppm; resampled files serve better.

Conventions: OpenTimelineIO counts time in floats. All values here are whole numbers at the picture's rate or the
recording's, far below 2^53, so they are exact; positions are never added up in floats by us.

Source: OpenTimelineIO 0.18, schemas Timeline.1, Clip.2, Marker.2, ExternalReference.1.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import opentimelineio as otio
from opentimelineio.opentime import RationalTime

from takewell import files
from takewell.roll import Finding, Piece, Track
from takewell.sync.placed import by_clip, clip_length_s, stretches
from takewell.sync.timeline_clips import (
    clip_item,
    exact_time,
    mark_findings,
    mark_synced,
    say_of_pair,
    synced_item,
    track_item,
)
from takewell.sync.values import Clip, Pairing, Recording, SyncReport

START_HOUR = 1
"""Timelines begin at 01:00:00:00: common practice, no source."""

USUAL_RATE = Fraction(25)

_ROUNDING_S = Fraction(1, 1_000_000)
"""Of a frame's edge that floats may have moved: a stretch that begins this much later begins with the frame."""


@dataclass
class _Lane:
    """An audio track as it grows: what it holds and the frame it has reached."""

    track: Any
    frame: int = 0

    def put(self, item: Any, frame: int, count: int, rate: Fraction) -> None:
        """Lay an item of `count` frames at `frame`, with a gap before it."""
        self.skip_to(frame, rate)
        self.track.append(item)
        self.frame = frame + count

    def skip_to(self, frame: int, rate: Fraction) -> None:
        """Leave a gap up to `frame`."""
        if frame > self.frame:
            self.track.append(otio.schema.Gap(duration=exact_time(frame - self.frame, rate)))
            self.frame = frame


@dataclass
class _Sheet:
    """A timeline being laid out."""

    rate: Fraction
    pictures: _Lane
    lanes: list[_Lane] = field(default_factory=list)
    frame: int = 0

    def free_lanes(self, first: int, frame: int, count: int) -> list[_Lane]:
        """Return `count` neighbouring audio tracks from number `first` on that have nothing at or after `frame`."""
        while any(lane.frame > frame for lane in self.lanes[first : first + count]):
            first += 1
        while len(self.lanes) < first + count:
            name = f"A{len(self.lanes) + 1}"
            self.lanes.append(_Lane(otio.schema.Track(name, kind=otio.schema.TrackKind.Audio)))
        return self.lanes[first : first + count]


def timeline(
    report: SyncReport,
    *,
    name: str,
    findings: Sequence[Finding] = (),
    synced: Mapping[tuple[Path, str], Path] | None = None,
    warp: bool = False,
) -> Any:
    """Return an OpenTimelineIO timeline of a day's pairs.

    Parameters
    ----------
    report : SyncReport
    name : str
        Of the timeline.
    findings : sequence of Finding
        Of the recordings; those inside a stretch that is used become markers.
    synced : mapping of (clip's path, take's id) to path, optional
        Synced files to refer to instead of the recordings' own.
    warp : bool
        Whether a recording's clips carry a linear time warp of their drift.

    Returns
    -------
    opentimelineio.schema.Timeline
    """
    rate = timeline_rate(report)
    sheet = _Sheet(rate, _Lane(otio.schema.Track("V1", kind=otio.schema.TrackKind.Video)))
    for clip, pairings in by_clip(report.pairings):
        _lay_clip(sheet, clip, pairings, findings, synced or {}, warp=warp)
    for recording in report.lonely:
        _lay_lonely(sheet, recording, findings)
    made = otio.schema.Timeline(name, global_start_time=exact_time(START_HOUR * 3600 * _count(rate), rate))
    made.metadata["takewell"] = {
        "picture_rate": f"{rate.numerator}/{rate.denominator}",
        "unreadable": list(report.unreadable),
    }
    made.tracks.append(sheet.pictures.track)
    for lane in sheet.lanes:
        made.tracks.append(lane.track)
    return made


def timeline_rate(report: SyncReport) -> Fraction:
    """Return the picture rate of most clips, else how most recordings' timecode runs, else 25."""
    rates = Counter(
        pairing.clip.picture_rate for pairing in report.pairings if pairing.clip.picture_rate is not None
    )
    if not rates:
        takes = [p.recording.take for p in report.pairings if p.recording] + [r.take for r in report.lonely]
        rates = Counter(take.timecode_rate.real for take in takes if take.timecode_rate is not None)
    return rates.most_common(1)[0][0] if rates else USUAL_RATE


def frame_at_or_after(seconds: float | Fraction, rate: Fraction) -> int:
    """Return the first whole frame at or after a moment; floats' last digits do not make it the next."""
    return -int(-(Fraction(seconds) - _ROUNDING_S) * rate // 1)


def frame_at_or_before(seconds: float | Fraction, rate: Fraction) -> int:
    """Return the last whole frame at or before a moment; floats' last digits do not make it the one before."""
    return int((Fraction(seconds) + _ROUNDING_S) * rate // 1)


def write_timeline(made: Any, path: Path) -> None:
    """Write a timeline as OpenTimelineIO's own text file.

    Raises
    ------
    DestinationError
        If it cannot be written.
    """
    files.write_text(path, otio.adapters.write_to_string(made, adapter_name="otio_json", indent=1) + "\n")


def _lay_clip(
    sheet: _Sheet,
    clip: Clip,
    pairings: Sequence[Pairing],
    findings: Sequence[Finding],
    synced: Mapping[tuple[Path, str], Path],
    *,
    warp: bool,
) -> None:
    count = max(int(clip_length_s(clip) * sheet.rate), 1)
    start = sheet.frame
    if clip.picture_rate is not None:
        sheet.pictures.put(clip_item(clip, pairings, sheet.rate, count), start, count, sheet.rate)
    if clip.channels:
        (own,) = sheet.free_lanes(0, start, 1)
        marked = () if clip.picture_rate is not None else pairings
        own.put(clip_item(clip, marked, sheet.rate, count), start, count, sheet.rate)
    for pairing in pairings:
        if pairing.recording is None:
            continue
        laid = synced.get((clip.path, pairing.recording.name))
        if laid is not None:
            _lay_synced(sheet, pairing, laid, start, count, findings)
            continue
        for place in stretches(pairing):
            first = frame_at_or_after(place.clip_start_s, sheet.rate)
            stop = min(frame_at_or_before(place.clip_end_s, sheet.rate), count)
            if stop > first:
                at = Fraction(place.recording_s(float(first / sheet.rate)))
                _lay_take(
                    sheet, pairing.recording, at, start + first, stop - first, findings, pairing, warp=warp
                )
    sheet.frame = start + count


def _lay_lonely(sheet: _Sheet, recording: Recording, findings: Sequence[Finding]) -> None:
    count = int(recording.duration_s * sheet.rate)
    if count:
        _lay_take(sheet, recording, Fraction(0), sheet.frame, count, findings, None, warp=False)
        sheet.frame += count


def _lay_take(
    sheet: _Sheet,
    recording: Recording,
    at_s: Fraction,
    frame: int,
    count: int,
    findings: Sequence[Finding],
    pairing: Pairing | None,
    *,
    warp: bool,
) -> None:
    """Lay `count` frames of a take's tracks at `frame`, beginning `at_s` into the take."""
    take = recording.take
    lanes = sheet.free_lanes(1 if pairing is not None else 0, frame, len(take.tracks))
    begin = max(round(at_s * take.rate), 0)
    grid = _Grid.of(take.rate, sheet.rate)
    for lane, track in zip(lanes, take.tracks, strict=True):
        cuts = _cuts(track, begin, count, grid)
        if not cuts:
            continue
        first, last = cuts[0][1] // grid.frame, cuts[-1][2] // grid.frame
        lane.skip_to(frame + first, sheet.rate)
        reached = cuts[0][1]
        for piece, low, high in cuts:
            if low > reached:  # samples that the recorder lost between two files
                lane.track.append(otio.schema.Gap(duration=grid.time(low - reached)))
            start = begin + round(Fraction(low, grid.sample)) - piece.start_samples
            item = track_item(recording, track, piece, start, grid.time(high - low))
            if pairing is not None:
                say_of_pair(item, pairing, warp=warp)
            length = round(Fraction(high - low, grid.sample))
            mark_findings(item, take, track, piece, start, length, findings)
            lane.track.append(item)
            reached = high
        lane.frame = frame + last


@dataclass(frozen=True)
class _Grid:
    """Ticks of which both a sample and a frame have a whole number."""

    sample: int
    frame: int
    picture_rate: Fraction
    per_second: int

    @classmethod
    def of(cls, sample_rate: int, picture_rate: Fraction) -> "_Grid":
        frame = Fraction(sample_rate) / picture_rate
        return cls(frame.denominator, frame.numerator, picture_rate, sample_rate * frame.denominator)

    def time(self, ticks: int) -> RationalTime:
        """Return a length in frames where it is a whole number of them, else in ticks."""
        frames, rest = divmod(ticks, self.frame)
        return RationalTime(ticks, float(self.per_second)) if rest else exact_time(frames, self.picture_rate)


def _cuts(track: Track, begin: int, count: int, grid: _Grid) -> list[tuple[Piece, int, int]]:
    """Return which piece of a track lies from which tick to which, of `count` frames from sample `begin` on.

    The first begins and the last ends with a frame; between them files join to the sample.
    """
    found = []
    for piece in track.pieces:
        low = max((piece.start_samples - begin) * grid.sample, 0)
        high = min((piece.start_samples + piece.length_samples - begin) * grid.sample, count * grid.frame)
        if high > low:
            found.append((piece, low, high))
    if not found:
        return []
    piece, low, high = found[0]
    found[0] = (piece, -(-low // grid.frame) * grid.frame, high)
    piece, low, high = found[-1]
    found[-1] = (piece, low, high // grid.frame * grid.frame)
    return [cut for cut in found if cut[2] > cut[1]]


def _lay_synced(
    sheet: _Sheet, pairing: Pairing, path: Path, frame: int, count: int, findings: Sequence[Finding]
) -> None:
    assert pairing.recording is not None
    take = pairing.recording.take
    for channel, lane in enumerate(sheet.free_lanes(1, frame, len(take.tracks)), start=1):
        item = synced_item(pairing, take.tracks[channel - 1], path, channel, exact_time(count, sheet.rate))
        mark_synced(item, pairing, take.tracks[channel - 1], findings)
        lane.put(item, frame, count, sheet.rate)


def _count(rate: Fraction) -> int:
    return -(-rate.numerator // rate.denominator)
