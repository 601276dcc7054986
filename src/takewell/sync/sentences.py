"""What is told of a pair, or of a clip without one, in plain words?

One sentence each: which file, what is the matter, what to do. Numbers in the units that people at an editing desk use: frames,
milliseconds, metres.
"""

from collections.abc import Sequence
from dataclasses import replace

from takewell.sync.claims import AGREE_S
from takewell.sync.clock_line import PEOPLE_S, SPEED_OF_SOUND_M_S
from takewell.sync.settings import SyncSettings
from takewell.sync.sketch import Sketch
from takewell.sync.speed import drift_sentence, frame_out_after_s
from takewell.sync.values import Clip, Pairing, Recording

_INSIDE_S = 0.5

AS_HEARD = (
    "Offsets are as heard at the camera: every metre between sound and camera makes a recording lie 2.9 ms late "
    "(a frame at 14 m, at 25 a second); give --distance to take it out."
)
"""Said once, beside pairs from which nothing is taken out."""


def no_partner(
    clip: Clip, sketch: Sketch, any_recording: bool, best_seen: tuple[float, str], claimed: bool
) -> str:
    """Return why a clip has no partner."""
    if not any_recording:
        return "there is no recording with sound to hold it against."
    if clip.channels and len(clip.timecode_channels) == clip.channels:
        return "it holds timecode and no sound; give it a timecode that the recordings share, or a scratch track."
    if sketch.silent:
        return "it is silent: nothing can be heard in common" + (
            "." if clip.start_s is not None else ", and it has no timecode; line it up by eye at a clap."
        )
    if sketch.duration_s < 1.0:
        return (
            f"{sketch.duration_s:.1f} s are too short to be told by sound; line it up by eye, or by timecode."
        )
    confidence, name = best_seen
    if confidence >= 0.05:
        return f"it cannot be told: {name} comes nearest, and {confidence:.0%} sure is not enough; listen, and line it up by hand."
    if claimed:
        return "its timecode lies beside recordings, but nothing is heard in common there or anywhere else; check whether the recorder ran in another place."
    return "no recording has any sound in common with it; was the recorder running?"


def undecided(recording: Recording, confidence: float, rivals: Sequence[str]) -> str:
    """Return why a clip is not given to the recording that comes nearest."""
    if rivals:
        others = [name for name in dict.fromkeys(rivals) if name != recording.name]
        where = f"{recording.name} and {others[0]}" if others else f"several places of {recording.name}"
        return f"it fits {where} equally well (music that repeats, or one playback twice); timecode would decide, or an ear."
    return f"it cannot be told: {recording.name} comes nearest, and {confidence:.0%} sure is not enough; listen, and line it up by hand."


def clip_notes(clip: Clip) -> tuple[str, ...]:
    """Return what is odd about a clip that matters for lining up."""
    notes = list(clip.notes)
    if clip.variable_rate:
        sentence = "its pictures come at no even rate: it is lined up by time, not by counting pictures; convert it to a fixed rate before cutting."
        notes += [] if any("rate" in note for note in notes) else [sentence]
    if clip.timecode_channels:
        numbers = " and ".join(str(number) for number in clip.timecode_channels)
        notes.append(f"channel {numbers} carries timecode and is not listened to.")
    return tuple(notes)


def pair_notes(pairing: Pairing, settings: SyncSettings, *, upside_down: bool, rival: str) -> tuple[str, ...]:
    """Return what is to be told of a pair that was heard."""
    notes: list[str] = []
    offset_s, claimed_s = pairing.offset_s or 0.0, pairing.timecode_offset_s
    rate = float(pairing.clip.picture_rate or 25)
    if rival:
        notes.append(
            f"another place fits nearly as well ({rival}): music that repeats, or one playback used twice; check by eye."
        )
    if claimed_s is not None:
        notes += _against_timecode(offset_s - claimed_s, rate, settings)
    if pairing.drift_ppm is not None and pairing.drift_uncertainty_ppm is not None:
        drift, unsure = pairing.drift_ppm, pairing.drift_uncertainty_ppm
        if pairing.speed is not None or _frame_out_inside(pairing, rate):
            notes.append(drift_sentence(drift, unsure, pairing.clip.picture_rate))
        if settings.clock_ppm is not None and pairing.speed is None:
            notes += _against_clocks(drift, unsure, settings.clock_ppm)
    for jump in pairing.jumps:
        notes.append(_jump(jump.recording_s, jump.shift_s, jump.lost_by, rate))
    if pairing.hidden_delay_s:
        notes.append(_taken_out(pairing.hidden_delay_s, settings))
    if upside_down:
        notes.append("the clip hears it upside down (polarity).")
    return (*notes, *clip_notes(pairing.clip))


def timecode_only(pairing: Pairing, agreed: int, tried: int, *, heard: bool) -> tuple[str, ...]:
    """Return what is to be told of a pair that rests on timecode alone."""
    why = "sound could not bear it out" if heard else "one of them is silent"
    if tried:
        backing = f"in {agreed} of {tried} other pairs of this folder sound and timecode agree"
    else:
        backing = "nothing else bears this camera's timecode out; check by eye"
    return (f"placed by timecode alone, to a frame: {why}; {backing}.", *clip_notes(pairing.clip))


def with_insides(pairings: Sequence[Pairing]) -> tuple[Pairing, ...]:
    """Return the pairings, those whose clip lies wholly inside another clip's sound saying so."""
    spans = [_span(pairing) for pairing in pairings]
    out = []
    for pairing, span in zip(pairings, spans, strict=True):
        inside = [
            other.clip.name
            for other, wide in zip(pairings, spans, strict=True)
            if other.clip is not pairing.clip
            and pairing.recording is not None
            and other.recording is pairing.recording
            and wide[0] <= span[0] + _INSIDE_S
            and wide[1] >= span[1] - _INSIDE_S
            and wide[1] - wide[0] > span[1] - span[0]
        ]
        if inside:
            note = f"it lies wholly inside {' and '.join(inside[:3])}: a second camera, or a part copied out."
            pairing = replace(pairing, notes=(*pairing.notes, note))
        out.append(pairing)
    return tuple(out)


def _span(pairing: Pairing) -> tuple[float, float]:
    """Return what a clip covers on the recording's clock."""
    if pairing.recording is None:
        return (0.0, 0.0)
    return pairing.recording_time_s(0.0), pairing.recording_time_s(float(pairing.clip.duration_s))


def _against_timecode(off_s: float, rate: float, settings: SyncSettings) -> list[str]:
    if abs(off_s) > AGREE_S:
        way = "late" if off_s > 0 else "early"
        return [
            f"timecode lies: it puts the recording {_amount(abs(off_s), rate)} too {'early' if way == 'late' else 'late'}; the sound is right, jam the clocks again."
        ]
    if settings.exact_timecode and off_s < -0.002:
        return [
            f"the camera hears it {-off_s * 1000:.1f} ms before the recorder, by timecode: timecode is not exact to less than a frame."
        ]
    return []


def _against_clocks(drift: float, unsure: float, clock_ppm: float) -> list[str]:
    if abs(drift) > clock_ppm + unsure:
        return [
            f"the clocks run {abs(drift):.1f} ppm apart, more than the {clock_ppm:g} ppm their profiles allow: a wrong rate, a cold or broken clock, or samples lost."
        ]
    return []


def _jump(at_s: float, shift_s: float, lost_by: str, rate: float) -> str:
    minutes = f"{int(at_s // 60)}:{at_s % 60:04.1f}"
    where = "the recording" if lost_by == "recording" else "the clip"
    sentence = f"at {minutes} of the recording {_amount(abs(shift_s), rate)} are missing in {where}"
    if abs(shift_s) < PEOPLE_S:
        return f"{sentence}, or everybody moved {abs(shift_s) * SPEED_OF_SOUND_M_S:.1f} m; check there."
    return f"{sentence}; cut there and line up both parts."


def _frame_out_inside(pairing: Pairing, rate: float) -> bool:
    """Return whether the clocks run a whole picture apart before the recording ends."""
    assert pairing.recording is not None
    assert pairing.drift_ppm is not None
    return frame_out_after_s(pairing.drift_ppm, rate) < float(pairing.recording.duration_s)


def _taken_out(hidden_s: float, settings: SyncSettings) -> str:
    source = "timecode tells" if settings.known_delay_s is None else "distance and link tell"
    return f"{hidden_s * 1000:.1f} ms from the sound to the camera ({hidden_s * SPEED_OF_SOUND_M_S:.1f} m of air) are taken out, as {source}."


def _amount(seconds: float, rate: float) -> str:
    frames = seconds * rate
    if seconds < 0.1:
        return f"{seconds * 1000:.1f} ms ({frames:.2f} frames)"
    if seconds < 60:
        return f"{seconds:.2f} s ({frames:.0f} frames)"
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
