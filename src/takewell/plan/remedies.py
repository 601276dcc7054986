"""No gain serves both ends: what would?

Each remedy is tried, not guessed: the track is planned again with a pad, from farther away, with another microphone,
with less transmitter gain or into float files behind two converters, and the answer says which gains then serve both ends.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from takewell.errors import SettingError
from takewell.kit.profile import find_profile
from takewell.kit.values import Microphone, RecorderInput
from takewell.plan.day import PlannedTrack, SetUp
from takewell.plan.levels import Conditions, TrackLevels, track_levels

PADS_DB = (10.0, 20.0)
FARTHER = (1.5, 2.0)
OTHER_MICROPHONES = ("cardioid", "wide-cardioid", "dynamic-reporter")
FLOAT_INPUT = "two-converter-input"
LESS_TRANSMITTER_GAIN_DB = (6.0, 12.0, 18.0)


@dataclass(frozen=True)
class Remedy:
    """A change that was tried: which gains serve both ends with it (None: still none), and the floor at the best of them."""

    words: str
    low_db: float | None
    high_db: float | None
    floor_db_spl_a: float
    floor_change_db: float
    speech_over_floor_db: float | None

    @property
    def helps(self) -> bool:
        """Whether some gain serves both ends now."""
        return self.low_db is not None


def remedies(levels: TrackLevels, set_up: SetUp, conditions: Conditions) -> tuple[Remedy, ...]:
    """Return every remedy that was tried, those that help first."""
    tried = []
    for words, track in _variants(levels.track):
        try:
            changed = track_levels(track, set_up, conditions)
        except SettingError:  # the other device does not have this gain
            continue
        window = changed.window
        gain = window.high_db if window.high_db is not None else window.lowest_for_quiet_db
        at_gain = track_levels(replace(track, gain_db=gain), set_up, conditions)
        speech = at_gain.quietest_speech
        tried.append(
            Remedy(
                words,
                window.low_db,
                window.high_db,
                at_gain.floor_db_spl_a,
                at_gain.floor_db_spl_a - levels.floor_db_spl_a,
                speech.over_floor_db if speech else None,
            )
        )
    return tuple(sorted(tried, key=lambda remedy: not remedy.helps))


def _variants(track: PlannedTrack) -> Iterator[tuple[str, PlannedTrack]]:
    if track.transmitter is not None:
        for less in LESS_TRANSMITTER_GAIN_DB:
            gain = track.transmitter_gain_db - less
            if gain >= track.transmitter.gain_min_db:
                yield f"transmitter gain {gain:g} dB", replace(track, transmitter_gain_db=gain)
    elif track.recorder_input.gain_place == "before_converter":
        for pad in PADS_DB:
            yield f"a pad of {pad:g} dB", replace(track, pad_db=track.pad_db + pad)
    for factor in FARTHER:
        farther = tuple(replace(s, distance_m=s.distance_m * factor) for s in track.sources)
        yield f"microphone {factor:g} times as far away", replace(track, sources=farther)
    if track.transmitter is None:
        for name in OTHER_MICROPHONES:
            other = find_profile(name, Microphone)
            if other != track.microphone:
                yield f"{other.name[0].lower()}{other.name[1:]}", replace(track, microphone=other)
    if track.recorder_input.converters == 1:
        float_input = find_profile(FLOAT_INPUT, RecorderInput)
        yield (
            "two converters and float files",
            replace(track, recorder_input=float_input, encoding=float_input.encoding, gain_db=0.0),
        )
