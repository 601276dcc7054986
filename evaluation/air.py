"""Rows about what the air and the hand do to a microphone: rumble, wind, knocks, popped consonants, rooms.

Each track is a minute of one voice with several events more than 11 s apart, or one room or rumble all through.
"""

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from evaluation.air_sounds import gusts, knock, loudest, low_cut, puff, rumble
from evaluation.corpus import SPEECH_DBFS, noise, rng_of, speech_track, stored
from evaluation.hearing import examined
from evaluation.rows import Aim, Clean, Job, Planted, Row
from evaluation.sources import RATE, Source
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from takewell.demo.room import Microphone, Room, response
from takewell.units import SINE_CREST_DB, amplitude

F64 = NDArray[np.float64]

SEEN = ("*_desc_ca.ogg", "*_desc_el.ogg")
"""Voices of the held-apart set that early states of these detectors were tried on; they are left out of it here."""

TITLE = "Air and hands: rumble, wind, knocks, popped consonants, rooms"

CLEAN = ("rumble", "wind", "thump", "reverberant")
"""Popped consonants are in many of these recordings, and nobody labelled them."""

AIMS: tuple[Aim, ...] = (
    Aim("knocks as strong as the speech", "thump", 0.0, 0.95),
    Aim("popped consonants as strong as the speech", "plosive", 0.0, 0.95),
    Aim("gusts as strong as the speech", "wind", 0.0, 0.95),
    Aim("rumble 12 dB under the speech", "rumble", -12.0, 0.95),
    Aim("rooms of 0.9 s and more, 1.5 m away", "reverberant", 0.9, 0.95),
)

TRACK_S = 60.0
EVENTS = 4
APART_S = 13.0
SLACK_S = 0.3
TRACKS = 4
"""Tracks of each severity and way, shared among the voices."""

PUSHES = (-12.0, -6.0, 0.0, 6.0)
"""Of knocks, pops and gusts against the speech, in dB."""

RUMBLES = (-30.0, -24.0, -18.0, -12.0, -6.0)

ROOMS_S = (0.3, 0.45, 0.6, 0.9, 1.3, 1.8)
DRY_S = 0.5
"""Rooms for speech ring no longer (common practice, no source)."""

DISTANCES_M = {"0.3 m": 0.3, "1.5 m": 1.5}

FAINTEST_ASKED_DB = -6.0
WAYS = ("open", "low cut")


def jobs(salt: str, voices: Sequence[Source]) -> Iterator[Job]:
    """Return the work of one set."""
    unseen = [voice for voice in voices if not voice.pattern.endswith(SEEN)]
    for voice in unseen:
        for k in range(max(1, TRACKS // len(unseen))):
            for way in WAYS:
                for over_db in PUSHES:
                    for kind in ("thump", "plosive", "wind"):
                        yield Job(pushed, (salt, voice, kind, over_db, way, k))
            for way in ("traffic", "air handling"):
                for over_db in RUMBLES:
                    yield Job(rumbling, (salt, voice, over_db, way, k))
            for time_s in ROOMS_S:
                for way, distance_m in DISTANCES_M.items():
                    yield Job(rooming, (salt, voice, time_s, way, distance_m, k))


def pushed(salt: str, voice: Source, kind: str, over_db: float, way: str, k: int) -> list[Row]:
    """Return the rows of one track with pushes of one kind and strength."""
    rng = rng_of(salt, voice.name, kind, over_db, way, k)
    track, events = track_with(voice, kind, over_db, way, rng)
    found = [f for f in examined(stored(track, "float32"), "float32") if f.kind == kind]
    rows: list[Row] = []
    for start_s, end_s in events:
        hits = [f for f in found if f.start_s <= end_s + SLACK_S and f.end_s >= start_s - SLACK_S]
        off_ms = min((1000 * abs(f.start_s - start_s) for f in hits), default=None)
        rows.append(
            Planted(
                kind, f"{over_db:+.0f} dB", over_db, bool(hits), off_ms, way=way,
                asked=over_db >= FAINTEST_ASKED_DB and way == "open",
            )
        )  # fmt: skip
    return rows


def rumbling(salt: str, voice: Source, over_db: float, way: str, k: int) -> list[Row]:
    """Return the row of one track with rumble all through."""
    rng = rng_of(salt, voice.name, "rumble", over_db, way, k)
    track, _ = speech_track(voice, TRACK_S, rng)
    level_dbfs = SPEECH_DBFS + over_db
    track += rumble(TRACK_S, way, rng)[: len(track)] * amplitude(level_dbfs - SINE_CREST_DB)
    found = [f for f in examined(stored(track, "float32"), "float32") if f.kind == "rumble"]
    off = abs(float(found[0].evidence["low_dbfs"] or 0.0) - level_dbfs) if found else None
    return [
        Planted("rumble", f"{over_db:.0f} dB under", over_db, bool(found), off=off, unit="level, dB", way=way)
    ]


def rooming(salt: str, voice: Source, time_s: float, way: str, distance_m: float, k: int) -> list[Row]:
    """Return the row of one voice in a simulated room.

    Rooms of less than `DRY_S` count as undamaged: what is told of them is an alarm.
    """
    rng = rng_of(salt, voice.name, "room", time_s, way, k)
    dry, _ = speech_track(voice, TRACK_S, rng)
    size_m = (rng.uniform(4, 10), rng.uniform(3.5, 7), rng.uniform(2.5, 4))
    room = Room(size_m, time_s, 30.0)
    mouth = (size_m[0] / 3, size_m[1] / 2, 1.2)
    microphone = Microphone("", (mouth[0] + distance_m, mouth[1], 1.3), 0.0)
    taps = response(room, mouth, microphone, RATE, round(1.2 * time_s * RATE), rng).astype(np.float64)
    heard = oaconvolve(dry, taps)[: len(dry)]
    heard = heard * dry.std() / heard.std() + noise(len(dry), -75.0, rng)
    found = [f for f in examined(stored(heard, "float32"), "float32") if f.kind == "reverberant"]
    if time_s < DRY_S:
        alarms = tuple((f.kind, f"room of {time_s:g} s, {way}", f.sentence) for f in found)
        return [Clean(f"{voice.name}, in rooms of 0.3 and 0.45 s", TRACK_S / 3600, ("reverberant",), alarms)]
    own_s = t30(taps)
    off = abs(float(found[0].evidence["decay_s"] or 0.0) / own_s - 1) if found else None
    asked = distance_m > 1 and time_s >= 0.9
    return [
        Planted(
            "reverberant", f"room of {time_s:g} s", time_s, bool(found), off=off, unit="share of T30", way=way, asked=asked
        )
    ]  # fmt: skip


def t30(response: F64) -> float:
    """Return the reverberation time of an impulse response from its fall between 5 and 35 dB (ISO 3382-1, by Schroeder)."""
    energy = np.cumsum(response[np.argmax(np.abs(response)) :][::-1] ** 2)[::-1]
    level = 10 * np.log10(np.maximum(energy / energy[0], 1e-20))
    part = np.flatnonzero((level <= -5) & (level >= -35))
    return float(-60 / (np.polyfit(part, level[part], 1)[0] * RATE))


def track_with(
    voice: Source, kind: str, over_db: float, way: str, rng: np.random.Generator
) -> tuple[F64, list[tuple[float, float]]]:
    """Return a track and the (start, end) of each event in it."""
    track, floor_dbfs = speech_track(voice, TRACK_S, rng)
    if way == "low cut":
        track = low_cut(track)
    voiced = _levels(track)
    events = []
    for k in range(EVENTS):
        first_s, last_s = 2 + k * APART_S + k, 2 + (k + 1) * APART_S + k - 2
        sound, at_s = _MAKERS[kind](voiced, floor_dbfs, first_s, last_s, rng)
        if at_s is None:
            continue
        whole = len(sound) / RATE > 1
        if way == "low cut" and whole:  # wind is brought to its level behind the low cut, a push before it
            sound = low_cut(sound)
        height = float(np.sqrt(np.mean(sound**2))) if whole else loudest(sound)
        if way == "low cut" and not whole:
            sound = low_cut(sound)
        start = round(at_s * RATE)
        track[start : start + len(sound)] += sound * amplitude(SPEECH_DBFS + over_db - SINE_CREST_DB) / height
        events.append((at_s, at_s + (len(sound) / RATE if whole else 0.1)))
    return track, events


def _levels(track: F64) -> F64:
    """Return levels in dBFS of 20 ms steps."""
    n = round(0.02 * RATE)
    power = np.mean(track[: len(track) // n * n].reshape(-1, n) ** 2, axis=1)
    return np.asarray(10 * np.log10(np.maximum(power, 1e-20)) + SINE_CREST_DB)


def _knocked(
    voiced: F64, floor_dbfs: float, first_s: float, last_s: float, rng: np.random.Generator
) -> tuple[F64, float | None]:
    """A knock in a pause of 0.4 s or more."""
    quiet = voiced[round(first_s * 50) : round(last_s * 50)] < max(floor_dbfs + 10, SPEECH_DBFS - 30)
    starts = np.flatnonzero(np.convolve(quiet, np.ones(20), "valid") >= 20)
    if not len(starts):
        return np.zeros(0), None
    return knock(rng), float(first_s + (rng.choice(starts) + 3) / 50)


def _popped(
    voiced: F64, floor_dbfs: float, first_s: float, last_s: float, rng: np.random.Generator
) -> tuple[F64, float | None]:
    """A puff 20 to 50 ms before an onset of the voice that comes after 60 ms or more of almost nothing."""
    del floor_dbfs
    here = voiced[round(first_s * 50) : round(last_s * 50)]
    onsets = [
        i
        for i in range(5, len(here) - 5)
        if here[i - 4 : i].max() < SPEECH_DBFS - 18
        and here[i : i + 5].max() > SPEECH_DBFS - 3
        and here[i] > SPEECH_DBFS - 14
    ]
    if not onsets:
        return np.zeros(0), None
    return puff(rng), float(first_s + int(rng.choice(onsets)) / 50 - rng.uniform(0.02, 0.05))


def _blown(
    voiced: F64, floor_dbfs: float, first_s: float, last_s: float, rng: np.random.Generator
) -> tuple[F64, float | None]:
    """Gusts of 2 to 5 s anywhere."""
    del voiced, floor_dbfs
    seconds = float(rng.uniform(2, 5))
    return gusts(seconds, rng), float(rng.uniform(first_s, last_s - seconds))


_MAKERS: dict[str, Callable[..., tuple[F64, float | None]]] = {
    "thump": _knocked,
    "plosive": _popped,
    "wind": _blown,
}
