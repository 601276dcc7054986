"""How do pairs become the plain edit decision list of the trade?

One event for the picture of each clip and one for each recording that lies beside it, in the order of the timeline: number, reel,
channels, cut, source in and out, record in and out, all in timecode; names in comment lines, as every reader takes them.

An edit list knows whole frames and no file names beyond comments, and of channels four: a recording of more tracks is one event
for its first two, the rest named in a comment. Where in a frame the sound lies is said in a comment in samples; programs do
not read that, so use the timeline or the synced files where up to half a frame matters.

OpenTimelineIO's adapter for this format refuses audio tracks without a single video track and writes no audio events, so the
lines are written here; the adapter reads them back in the tests.

Conventions: times by exact fractions; record times begin at 01:00:00:00. A recording or clip without timecode counts from zero.

Source: the CMX 3600 list format as commonly published (from memory): columns separated by blanks, FCM line before the events,
reels of at most eight letters and figures.
"""

import re
from fractions import Fraction
from pathlib import Path

from takewell import files
from takewell.errors import SettingError
from takewell.roll import Take
from takewell.sync.placed import by_clip, clip_length_s, clip_start_s, stretches
from takewell.sync.timeline import START_HOUR, frame_at_or_after, frame_at_or_before, timeline_rate
from takewell.sync.values import Recording, SyncReport
from takewell.timecode import Timecode, TimecodeRate

MOST_EVENTS = 999


def edit_list(report: SyncReport, *, name: str) -> str:
    """Return the text of an edit list of a day's pairs.

    Raises
    ------
    SettingError
        If the picture rate has no timecode, or there are more events than such a list can number.
    """
    counted = _counted(report)
    lines = [
        f"TITLE: {_plain(name)}",
        f"FCM: {'DROP FRAME' if counted.drop else 'NON-DROP FRAME'}",
        "",
    ]
    number, frame = 0, 0
    hour = Timecode.parse(f"{START_HOUR:02d}:00:00:00", counted).frames
    for clip, pairings in by_clip(report.pairings):
        count = max(int(clip_length_s(clip) * counted.real), 1)
        if clip.picture_rate is not None:
            number += 1
            source = _frame(clip_start_s(clip), counted)
            lines += _event(number, _reel(clip.path.stem), "V", source, hour + frame, count, counted)
            lines.append(f"* FROM CLIP NAME: {clip.name}")
        for pairing in pairings:
            if pairing.recording is None:
                lines.append(f"* {clip.name}: no recording; {pairing.reason}")
                continue
            take = pairing.recording.take
            for place in stretches(pairing):
                first = frame_at_or_after(place.clip_start_s, counted.real)
                stop = min(frame_at_or_before(place.clip_end_s, counted.real), count)
                if stop <= first:
                    continue
                at = Fraction(place.recording_s(float(first / counted.real)))
                source, rest = _sound_frame(pairing.recording, at, counted)
                number += 1
                lines += _event(
                    number,
                    _reel(take.tape or take.id),
                    _channels(take),
                    source,
                    hour + frame + first,
                    stop - first,
                    counted,
                )
                lines += _about(take, rest)
        frame += count
    if number > MOST_EVENTS:
        raise SettingError(
            f"{number} events do not fit an edit list, which numbers {MOST_EVENTS} at most; write one for each day or camera."
        )
    return "\n".join(lines) + "\n"


def write_edit_list(report: SyncReport, path: Path, *, name: str) -> None:
    """Write the edit list as a text file.

    Raises
    ------
    SettingError
        As `edit_list`.
    DestinationError
        If it cannot be written.
    """
    files.write_text(path, edit_list(report, name=name))


def _counted(report: SyncReport) -> TimecodeRate:
    """Return how the list counts: as most clips do that run at the timeline's rate, else without dropping."""
    real = timeline_rate(report)
    rates = [
        pairing.clip.timecode_rate
        for pairing in report.pairings
        if pairing.clip.timecode_rate is not None and pairing.clip.timecode_rate.real == real
    ]
    if rates:
        return max(set(rates), key=rates.count)
    try:
        return TimecodeRate(-(-real.numerator // real.denominator), real)
    except SettingError:
        raise SettingError(
            f"Pictures at {float(real):.3f} a second have no timecode; no edit list can be written of them."
        ) from None


def _event(
    number: int, reel: str, channels: str, source: int, record: int, count: int, rate: TimecodeRate
) -> list[str]:
    times = " ".join(
        str(Timecode.from_frames(frame, rate)).replace(";", ":")
        for frame in (source, source + count, record, record + count)
    )
    return [f"{number:03d}  {reel:<8} {channels:<5} C        {times}"]


def _about(take: Take, rest: Fraction) -> list[str]:
    names = ", ".join(f"{track.number} {track.name}".strip() for track in take.tracks)
    lines = [
        f"* FROM CLIP NAME: {Path(take.files[0].path).name}",
        f"* TAKE {take.id}, TRACKS: {_plain(names)}",
    ]
    if round(rest):
        side = "AFTER" if rest > 0 else "BEFORE"
        lines.append(f"* THE SOUND BEGINS {abs(round(rest))} SAMPLES {side} ITS FRAME")
    return lines


def _channels(take: Take) -> str:
    return "A" if len(take.tracks) == 1 else "AA"


def _frame(start_s: Fraction | None, rate: TimecodeRate) -> int:
    return 0 if start_s is None else round(start_s * rate.real)


def _sound_frame(recording: Recording, at_s: Fraction, rate: TimecodeRate) -> tuple[int, Fraction]:
    """Return the frame of the recording's timecode nearest to a moment of it, and how many samples later the moment is."""
    start_s = recording.start_s or Fraction(0)
    place = start_s + Fraction(round(at_s * recording.rate), recording.rate)
    frame = (place * rate.real + Fraction(1, 2)) // 1
    return int(frame), (place - frame / rate.real) * recording.rate


def _reel(name: str) -> str:
    return re.sub(r"[^A-Z0-9_]", "", name.upper().replace("-", "_").replace(" ", "_"))[:8] or "REEL"


def _plain(text: str) -> str:
    return " ".join(text.split())
