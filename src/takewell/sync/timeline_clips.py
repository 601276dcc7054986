"""What is a clip on a timeline: which media, which part of it, what is known about it, and what is marked on it?

Conventions: as `timeline`. Media are referred to by absolute file addresses, with the timecode they are stamped with; what
OpenTimelineIO has no word for (the channel of a poly file, how sure a pair is) stands in the metadata under ``takewell``.
Findings are markers with what to do as comment; notes on all of a clip stand in its metadata.
"""

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import opentimelineio as otio
from opentimelineio.opentime import RationalTime, TimeRange

from takewell.roll import Finding, Piece, Take, Track
from takewell.sync.placed import clip_length_s, clip_start_s, stretches
from takewell.sync.values import Clip, Pairing, Recording

_COLOURS = {"major": "RED", "minor": "ORANGE", "note": "YELLOW"}


def exact_time(value: int, rate: Fraction) -> RationalTime:
    """Return a whole number of frames or samples at a rate."""
    return RationalTime(value, float(rate))


def clip_item(clip: Clip, pairings: Sequence[Pairing], rate: Fraction, count: int) -> Any:
    """Return a clip of the day for a track of the timeline; it carries claps, and why it has no recording."""
    own = clip.picture_rate or rate
    start_s = clip_start_s(clip)
    start = 0 if start_s is None else round(start_s * own)
    media = _media(clip.path, start, max(int(clip_length_s(clip) * own), 1), own)
    item = otio.schema.Clip(clip.path.stem, media, TimeRange(exact_time(start, own), exact_time(count, rate)))
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


def track_item(recording: Recording, track: Track, piece: Piece, start: int, length: RationalTime) -> Any:
    """Return a stretch of a recording's track, from sample `start` of a piece on."""
    take = recording.take
    media_file = next(media for media in take.files if media.path == piece.file)
    stamp = _stamp(recording, piece, media_file.time_reference)
    media = _media(recording.folder / piece.file, stamp, media_file.length_samples, Fraction(take.rate))
    source = TimeRange(exact_time(stamp + start, Fraction(take.rate)), length)
    item = otio.schema.Clip(_name(take, track), media, source)
    item.metadata["takewell"] = {**_about_track(take, track), "channel": piece.channel, "synced": False}
    return item


def _stamp(recording: Recording, piece: Piece, time_reference: int | None) -> int:
    """Return the first sample of a piece's file in samples since midnight; from its take's where it has no stamp."""
    if time_reference is not None:
        return time_reference
    start_s = recording.start_s
    return piece.start_samples + (0 if start_s is None else round(start_s * recording.rate))


def say_of_pair(item: Any, pairing: Pairing, *, warp: bool) -> None:
    """Put what is known of a pair into a clip's metadata."""
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


def synced_item(pairing: Pairing, track: Track, path: Path, channel: int, length: RationalTime) -> Any:
    """Return a track of a synced file, whose first sample lies on the clip's first picture."""
    assert pairing.recording is not None
    take = pairing.recording.take
    stamp = _synced_stamp(pairing.clip, take.rate)
    media = _media(path, stamp, round(clip_length_s(pairing.clip) * take.rate), Fraction(take.rate))
    source = TimeRange(exact_time(stamp, Fraction(take.rate)), length)
    item = otio.schema.Clip(_name(take, track), media, source)
    item.metadata["takewell"] = {**_about_track(take, track), "channel": channel, "synced": True}
    say_of_pair(item, pairing, warp=False)
    return item


def mark_findings(
    item: Any,
    take: Take,
    track: Track,
    piece: Piece,
    start: int,
    length: int,
    findings: Sequence[Finding],
) -> None:
    """Mark the findings of a track inside `length` samples from sample `start` of a piece on."""
    stamp = int(item.source_range.start_time.value) - start
    low, high = start, start + length
    for finding in _of_track(findings, take, track):
        first = round(finding.start_s * take.rate) - piece.start_samples
        last = max(round(finding.end_s * take.rate) - piece.start_samples, first + 1)
        first, last = max(first, low), min(last, high)
        if last > first:
            _mark_finding(item, stamp, (first, last), (low, high), take.rate, finding)


def mark_synced(item: Any, pairing: Pairing, track: Track, findings: Sequence[Finding]) -> None:
    """Mark the findings of a track where they lie on the clip."""
    assert pairing.recording is not None
    take, places = pairing.recording.take, stretches(pairing)
    stamp = _synced_stamp(pairing.clip, take.rate)
    for finding in _of_track(findings, take, track):
        spans = [
            (max(p.clip_s(finding.start_s), p.clip_start_s), min(p.clip_s(finding.end_s), p.clip_end_s))
            for p in places
        ]
        inside = [round(edge * take.rate) for span in spans if span[1] >= span[0] for edge in span]
        if inside:
            whole = (round(places[0].clip_start_s * take.rate), round(places[-1].clip_end_s * take.rate))
            _mark_finding(item, stamp, (min(inside), max(inside)), whole, take.rate, finding)


def _synced_stamp(clip: Clip, rate: int) -> int:
    return round((clip_start_s(clip) or Fraction(0)) * rate)


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
        name=words, marked_range=TimeRange(exact_time(start, rate), exact_time(count, rate)), color=colour
    )
    marker.comment = comment
    item.markers.append(marker)


def _media(path: Path, start: int, length: int, rate: Fraction) -> Any:
    media = otio.schema.ExternalReference(
        path.resolve().as_uri(), TimeRange(exact_time(start, rate), exact_time(length, rate))
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
