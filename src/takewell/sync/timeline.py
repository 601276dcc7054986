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
from opentimelineio.opentime import RationalTime, TimeRange

from takewell import files
from takewell.roll import Finding, Piece, Take, Track
from takewell.sync.placed import by_clip, clip_length_s, clip_start_s, stretches
from takewell.sync.values import Clip, Pairing, Recording, SyncReport

START_HOUR = 1
"""Timelines begin at 01:00:00:00: common practice, no source."""

USUAL_RATE = Fraction(25)

_COLOURS = {"major": "RED", "minor": "ORANGE", "note": "YELLOW"}
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
            self.track.append(otio.schema.Gap(duration=_time(frame - self.frame, rate)))
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
    made = otio.schema.Timeline(name, global_start_time=_time(START_HOUR * 3600 * _count(rate), rate))
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
        sheet.pictures.put(_clip_item(clip, pairings, sheet.rate, count), start, count, sheet.rate)
    if clip.channels:
        (own,) = sheet.free_lanes(0, start, 1)
        marked = () if clip.picture_rate is not None else pairings
        own.put(_clip_item(clip, marked, sheet.rate, count), start, count, sheet.rate)
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
            item = _track_item(recording, track, piece, start, grid.time(high - low))
            if pairing is not None:
                _say_of_pair(item, pairing, warp=warp)
            length = round(Fraction(high - low, grid.sample))
            _mark_findings(item, take, track, piece, start, length, findings)
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
        return RationalTime(ticks, float(self.per_second)) if rest else _time(frames, self.picture_rate)


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
    recording = pairing.recording
    assert recording is not None
    take = recording.take
    lanes = sheet.free_lanes(1, frame, len(take.tracks))
    start_s = clip_start_s(pairing.clip) or Fraction(0)
    stamp = round(start_s * take.rate)
    length = round(clip_length_s(pairing.clip) * take.rate)
    for channel, (lane, track) in enumerate(zip(lanes, take.tracks, strict=True), start=1):
        media = _media(path, stamp, length, Fraction(take.rate))
        item = otio.schema.Clip(
            _name(take, track), media, TimeRange(_time(stamp, Fraction(take.rate)), _time(count, sheet.rate))
        )
        item.metadata["takewell"] = {**_about_track(take, track), "channel": channel, "synced": True}
        _say_of_pair(item, pairing, warp=False)
        places = stretches(pairing)
        for finding in _of_track(findings, take, track):
            spans = [
                (max(p.clip_s(finding.start_s), p.clip_start_s), min(p.clip_s(finding.end_s), p.clip_end_s))
                for p in places
            ]
            inside = [round(edge * take.rate) for span in spans if span[1] >= span[0] for edge in span]
            if inside:
                whole = (round(places[0].clip_start_s * take.rate), round(places[-1].clip_end_s * take.rate))
                _mark_finding(item, stamp, (min(inside), max(inside)), whole, take.rate, finding)
        lane.put(item, frame, count, sheet.rate)


def _clip_item(clip: Clip, pairings: Sequence[Pairing], rate: Fraction, count: int) -> Any:
    own = clip.picture_rate or rate
    start_s = clip_start_s(clip)
    start = 0 if start_s is None else round(start_s * own)
    media = _media(clip.path, start, max(int(clip_length_s(clip) * own), 1), own)
    item = otio.schema.Clip(clip.path.stem, media, TimeRange(_time(start, own), _time(count, rate)))
    item.metadata["takewell"] = {
        "timecode": None if clip.start is None else str(clip.start),
        "timecode_rate": None if clip.timecode_rate is None else str(clip.timecode_rate),
        "notes": list(clip.notes),
    }
    for pairing in pairings:
        if pairing.recording is None:
            _mark(item, start, 1, own, f"no recording: {pairing.reason}", "RED")
        for clap in pairing.claps:
            at = round((Fraction(clap.clip_s) + (clip.sound_start_s if clip.picture_rate else 0)) * own)
            if 0 <= at < count:
                _mark(item, start + at, 1, own, "clap", "GREEN")
    return item


def _track_item(recording: Recording, track: Track, piece: Piece, start: int, length: RationalTime) -> Any:
    take = recording.take
    media_file = next(media for media in take.files if media.path == piece.file)
    stamp = _stamp(recording, piece, media_file.time_reference)
    media = _media(recording.folder / piece.file, stamp, media_file.length_samples, Fraction(take.rate))
    source = TimeRange(_time(stamp + start, Fraction(take.rate)), length)
    item = otio.schema.Clip(_name(take, track), media, source)
    item.metadata["takewell"] = {**_about_track(take, track), "channel": piece.channel, "synced": False}
    return item


def _stamp(recording: Recording, piece: Piece, time_reference: int | None) -> int:
    """Return the first sample of a piece's file in samples since midnight; from its take's where it has no stamp."""
    if time_reference is not None:
        return time_reference
    start_s = recording.start_s
    return piece.start_samples + (0 if start_s is None else round(start_s * recording.rate))


def _say_of_pair(item: Any, pairing: Pairing, *, warp: bool) -> None:
    item.metadata["takewell"]["sync"] = {
        "offset_s": pairing.offset_s,
        "offset_uncertainty_s": pairing.offset_uncertainty_s,
        "hidden_delay_s": pairing.hidden_delay_s,
        "drift_ppm": pairing.drift_ppm,
        "drift_uncertainty_ppm": pairing.drift_uncertainty_ppm,
        "confidence": pairing.confidence,
        "method": pairing.method,
        "notes": list(pairing.notes),
    }
    if warp and pairing.drift_ppm:
        item.effects.append(otio.schema.LinearTimeWarp("drift", 1 + pairing.drift_ppm * 1e-6))


def _mark_findings(
    item: Any,
    take: Take,
    track: Track,
    piece: Piece,
    start: int,
    length: int,
    findings: Sequence[Finding],
) -> None:
    stamp = int(item.source_range.start_time.value) - start
    low, high = start, start + length
    for finding in _of_track(findings, take, track):
        first = round(finding.start_s * take.rate) - piece.start_samples
        last = max(round(finding.end_s * take.rate) - piece.start_samples, first + 1)
        first, last = max(first, low), min(last, high)
        if last > first:
            _mark_finding(item, stamp, (first, last), (low, high), take.rate, finding)


def _of_track(findings: Sequence[Finding], take: Take, track: Track) -> list[Finding]:
    """Return the findings on a track; those on the take as a whole belong to its first."""
    numbers = (track.number, 0) if track is take.tracks[0] else (track.number,)
    return [finding for finding in findings if finding.take == take.id and finding.track in numbers]


def _mark_finding(
    item: Any, stamp: int, span: tuple[int, int], whole: tuple[int, int], rate: int, finding: Finding
) -> None:
    """Mark a finding from one sample to another; a mere note on all that is used goes into the metadata instead."""
    words = f"{finding.kind}: {finding.sentence}" if finding.sentence else finding.kind
    if finding.severity == "note" and span[0] <= whole[0] and span[1] >= whole[1]:
        about = item.metadata["takewell"]
        about["findings"] = [*about.get("findings", []), words]
        return
    first, last = span
    colour = _COLOURS[finding.severity]
    _mark(item, stamp + first, max(last - first, 1), Fraction(rate), words, colour, finding.remedy)


def _mark(
    item: Any, start: int, count: int, rate: Fraction, words: str, colour: str, comment: str = ""
) -> None:
    marker = otio.schema.Marker(
        name=words, marked_range=TimeRange(_time(start, rate), _time(count, rate)), color=colour
    )
    marker.comment = comment
    item.markers.append(marker)


def _media(path: Path, start: int, length: int, rate: Fraction) -> Any:
    media = otio.schema.ExternalReference(
        path.resolve().as_uri(), TimeRange(_time(start, rate), _time(length, rate))
    )
    media.name = path.name
    return media


def _about_track(take: Take, track: Track) -> dict[str, Any]:
    return {
        "take": take.id,
        "scene": take.scene,
        "take_name": take.take,
        "track": track.number,
        "track_name": track.name,
        "role": track.role,
    }


def _name(take: Take, track: Track) -> str:
    return f"{take.id} {track.name or track.number}"


def _count(rate: Fraction) -> int:
    return -(-rate.numerator // rate.denominator)


def _time(value: int, rate: Fraction) -> RationalTime:
    return RationalTime(value, float(rate))
