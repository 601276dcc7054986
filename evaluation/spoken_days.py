"""Simulated takes whose levels are known: recorded voices in a row, told apart from the floor they lie on.

A take is made of *stretches*: one talker at one level, at one setting of the gain. Every sentence is brought to the
stretch's level by libebur128 and then said up to `SAID_DB` louder or softer, as people do. Speech and floor are kept
apart, so that what levelling did to either can be read from it. Files are 32-bit float.

Conventions: 48 kHz; loudness in LUFS of one channel, floors in AES17 dBFS, A-weighted; positions are samples.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyebur128
from evaluation.corpus import rng_of
from evaluation.sources import RATE, Source, at_48k, decoded, files
from numpy.typing import NDArray
from scipy.fft import next_fast_len
from scipy.signal import sosfilt

from takewell.measure.weighting import weighting_sos
from takewell.units import SINE_CREST_DB, amplitude, rms_dbfs

F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

SAID_DB = 1.5
"""Standard deviation of a sentence's level around the talker's."""

PAUSES_S = (0.35, 1.2)

POOL = 60
"""Recordings of a voice that takes are put together from."""

SENTENCE_S = (1.0, 12.0)

WORD_UNDER_DB = 30.0
"""A step of 10 ms belongs to a word where the clean recording stands no further under its loudest tenth of a second."""

CLOSURE_S = 0.15
"""Gaps inside a word are no longer (common practice, no source)."""


@dataclass(frozen=True)
class Stretch:
    """One talker at one level, at one setting of the gain."""

    kind: str
    start: int
    end: int
    lufs: float
    """As recorded."""
    floor_dbfs_a: float
    """As recorded."""
    sentences: tuple[tuple[int, int], ...]
    shout_lu: float = 0.0
    """How far it is shouted above what lies around it."""


@dataclass(frozen=True)
class SimulatedTrack:
    """One microphone's track and the truth about it."""

    recorded: NDArray[np.float32]
    speech: NDArray[np.float32]
    """Its own talkers, as recorded, without floor and spill."""
    words: Bools
    """For each 10 ms whether anybody is in the middle of a word, own or from afar."""
    stretches: tuple[Stretch, ...]
    settings: tuple[int, ...]
    """Where the gain setting moved."""


@dataclass(frozen=True)
class SimulatedTake:
    """Tracks of one length, recorded together."""

    kind: str
    tracks: tuple[SimulatedTrack, ...]


@dataclass(frozen=True)
class Part:
    """What to simulate: seconds of a voice at a level; `drift_lu` is how much it rises on the way."""

    voice: Source
    seconds: float
    lufs: float
    kind: str = "steady"
    drift_lu: float = 0.0
    shout_lu: float = 0.0


def integrated_lufs(samples: NDArray[np.floating]) -> float:
    """Return the loudness of one channel by libebur128."""
    state = pyebur128.R128State(1, RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples, np.float64), len(samples))
    return float(pyebur128.get_loudness_global(state))


def true_peak_dbtp(samples: NDArray[np.floating]) -> float:
    """Return the true peak of one channel by libebur128."""
    state = pyebur128.R128State(1, RATE, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    ended = np.concatenate([np.asarray(samples, np.float64), np.zeros(64)])
    state.add_frames(ended, len(ended))
    return float(20 * np.log10(max(pyebur128.get_true_peak(state, 0), 1e-30)))


@lru_cache(maxsize=8)
def _sentences(voice: Source) -> tuple[tuple[F64, Bools], ...]:
    """Return recordings of a voice at -23 LUFS, each with its words."""
    found = []
    for path in files(voice)[:: max(1, len(files(voice)) // (4 * POOL))]:
        clip = _clip(path)
        if clip is not None:
            found.append((clip, _words(clip)))
        if len(found) == POOL:
            break
    return tuple(found)


def _clip(path: Path) -> F64 | None:
    clip = at_48k(*decoded(path))
    loud = np.flatnonzero(np.abs(clip) > np.abs(clip).max(initial=0.0) * amplitude(-40.0))
    clip = clip[loud[0] : loud[-1] + 1] if len(loud) else clip[:0]
    if not SENTENCE_S[0] * RATE <= len(clip) <= SENTENCE_S[1] * RATE:
        return None
    lufs = integrated_lufs(clip)
    if not np.isfinite(lufs):
        return None
    edge = np.minimum(1.0, np.minimum(np.arange(len(clip)), np.arange(len(clip))[::-1]) / 480)
    return np.asarray(clip * edge * amplitude(-23.0 - lufs))


def _words(clip: F64) -> Bools:
    step = RATE // 100
    power = np.add.reduceat(clip**2, np.arange(0, len(clip), step))
    loudest = np.convolve(power, np.ones(10) / 10, "same").max()
    word = power > loudest * 10 ** (-WORD_UNDER_DB / 10)
    edges = np.flatnonzero(np.diff(word.astype(np.int8)))
    for left, right in pairwise(edges):
        if not word[left + 1] and (right - left) / 100 <= CLOSURE_S:
            word[left + 1 : right + 1] = True
    return np.asarray(word)


def spoken(
    parts: Sequence[Part], rng: np.random.Generator, *, said_db: float = SAID_DB
) -> tuple[F64, Bools, list[Stretch]]:
    """Return the clean voices of some parts one after the other, their words, and the stretches (without floors)."""
    sound: list[F64] = []
    words: list[Bools] = []
    stretches = []
    at = 0
    for part in parts:
        clips = _sentences(part.voice)
        start, lines = at, []
        order: list[int] = []
        while at - start < part.seconds * RATE:
            order = order or list(rng.permutation(len(clips)))
            clip, word = clips[order.pop()]
            along = (at - start) / (part.seconds * RATE)
            level = part.lufs + 23.0 + rng.normal(0.0, said_db) + part.drift_lu * along
            pause = RATE // 100 * round(rng.uniform(*PAUSES_S) * 100)
            length = len(word) * (RATE // 100)
            lines.append((at, at + len(clip)))
            sound += [np.pad(clip * amplitude(level), (0, length - len(clip))), np.zeros(pause)]
            words += [word, np.zeros(pause // (RATE // 100), np.bool_)]
            at += length + pause
        stretches.append(Stretch(part.kind, start, at, part.lufs, 0.0, tuple(lines), part.shout_lu))
    return np.concatenate(sound), np.concatenate(words), stretches


def recorded(
    parts: Sequence[Part],
    rng: np.random.Generator,
    *,
    floor_dbfs: float,
    settings: Sequence[tuple[float, float]] = (),
) -> SimulatedTrack:
    """Return a track: the parts over a steady floor, with the gain moved to `dB` at each `(second, dB)`."""
    speech, words, stretches = spoken(parts, rng)
    floor = noise(len(speech), floor_dbfs, rng)
    gain = np.ones(len(speech))
    moved = [round(at_s * RATE) for at_s, _ in settings]
    for at, (_, db) in zip(moved, settings, strict=True):
        gain[at:] = amplitude(db)
    return SimulatedTrack(
        (speech * gain + floor * gain).astype(np.float32),
        (speech * gain).astype(np.float32),
        words,
        tuple(_under_settings(stretches, moved, [db for _, db in settings], a_weighted_dbfs(floor))),
        tuple(moved),
    )


def _under_settings(
    stretches: Sequence[Stretch], moved: Sequence[int], gains_db: Sequence[float], floor: float
) -> list[Stretch]:
    """Return the stretches cut where the setting moved, with levels as recorded."""
    found = []
    edges = [0, *moved, max(s.end for s in stretches)]
    for low, high, db in zip(edges[:-1], edges[1:], [0.0, *gains_db], strict=True):
        for s in stretches:
            start, end = max(s.start, low), min(s.end, high)
            lines = tuple((a, b) for a, b in s.sentences if a >= start and b <= end)
            if lines:
                found.append(Stretch(s.kind, start, end, s.lufs + db, floor + db, lines, s.shout_lu))
    return found


def noise(n: int, level_dbfs: float, rng: np.random.Generator) -> F64:
    """Return steady noise that falls by 3 dB an octave above 100 Hz, at an AES17 level."""
    whole = next_fast_len(n, real=True)
    spectrum = np.fft.rfft(rng.standard_normal(whole))
    hertz = np.fft.rfftfreq(whole, 1 / RATE)
    shaped = np.fft.irfft(spectrum / np.sqrt(np.maximum(hertz, 100.0)) * (hertz > 20), whole)[:n]
    return np.asarray(shaped * amplitude(level_dbfs - SINE_CREST_DB) / shaped.std())


def a_weighted_dbfs(floor: F64) -> float:
    """Return the A-weighted level of a noise."""
    weighted = sosfilt(weighting_sos("A", RATE), floor[: 10 * RATE])
    return float(rms_dbfs(np.mean(weighted[RATE:] ** 2)))


def take(kind: str, voices: Sequence[Source], salt: str, number: int, minutes: float) -> SimulatedTake:
    """Return a simulated take of a kind; its seed is made of the names."""
    rng = rng_of(salt, "level", kind, number)
    chosen = [voices[i] for i in rng.permutation(len(voices))]
    return SimulatedTake(kind, KINDS[kind](chosen, rng, minutes))


def _steady(voices: Sequence[Source], rng: np.random.Generator, minutes: float) -> tuple[SimulatedTrack, ...]:
    lufs = rng.uniform(-50.0, -10.0)
    part = Part(voices[0], 60 * minutes, lufs)
    return (recorded([part], rng, floor_dbfs=lufs - rng.uniform(40.0, 55.0)),)


def _talkers(
    voices: Sequence[Source], rng: np.random.Generator, minutes: float
) -> tuple[SimulatedTrack, ...]:
    """One microphone, several talkers in turn; quiet rooms and loud ones."""
    lufs = [rng.uniform(-45.0, -25.0)]
    while len(lufs) < 3:
        lufs.append(lufs[-1] + rng.choice([-1.0, 1.0]) * rng.uniform(3.0, 18.0))
    parts, left = [], 60 * minutes
    while left > 0:
        who = (len(parts) + int(rng.integers(2))) % min(3, len(voices))
        seconds = rng.uniform(20.0, 60.0)
        parts.append(Part(voices[who], seconds, lufs[who], "talkers"))
        left -= seconds
    return (recorded(parts, rng, floor_dbfs=min(lufs) - rng.uniform(20.0, 55.0)),)


def _distance(
    voices: Sequence[Source], rng: np.random.Generator, minutes: float
) -> tuple[SimulatedTrack, ...]:
    """One talker who changes place."""
    lufs = rng.uniform(-40.0, -25.0)
    parts, left = [], 60 * minutes
    while left > 0:
        seconds = rng.uniform(25.0, 70.0)
        parts.append(Part(voices[0], seconds, lufs, "distance"))
        lufs += rng.uniform(4.0, 14.0) * (1.0 if lufs < -32.0 else -1.0)
        left -= seconds
    return (recorded(parts, rng, floor_dbfs=-46.0 - rng.uniform(30.0, 45.0)),)


def _shouts(voices: Sequence[Source], rng: np.random.Generator, minutes: float) -> tuple[SimulatedTrack, ...]:
    lufs, parts, left = rng.uniform(-45.0, -30.0), [], 60 * minutes
    while left > 0:
        seconds = rng.uniform(30.0, 60.0)
        over = rng.uniform(10.0, 20.0)
        parts.append(Part(voices[0], seconds, lufs, "calm around shouts"))
        parts.append(Part(voices[0], rng.uniform(3.0, 8.0), lufs + over, "shouts", shout_lu=over))
        left -= seconds
    parts.append(Part(voices[0], 30.0, lufs, "calm around shouts"))
    return (recorded(parts, rng, floor_dbfs=lufs - 50.0),)


def _gain_moved(
    voices: Sequence[Source], rng: np.random.Generator, minutes: float
) -> tuple[SimulatedTrack, ...]:
    """The setting of the gain is moved, in words and in pauses alike."""
    lufs = rng.uniform(-55.0, -45.0)
    part = Part(voices[0], 60 * minutes, lufs, "gain moved")
    db, moved = 0.0, []
    for at_s in np.arange(1, 4) * 15.0 * minutes:
        db += rng.choice([-1.0, 1.0]) * rng.uniform(6.0, 60.0)
        moved.append((float(at_s + rng.uniform(-5.0, 5.0)), float(db)))
    return (recorded([part], rng, floor_dbfs=lufs - rng.uniform(40.0, 50.0), settings=moved),)


def _drift(voices: Sequence[Source], rng: np.random.Generator, minutes: float) -> tuple[SimulatedTrack, ...]:
    """One talker who slowly turns away or comes nearer; told by windows, not as one passage."""
    lufs, drift = rng.uniform(-40.0, -30.0), rng.choice([-1.0, 1.0]) * rng.uniform(6.0, 10.0)
    part = Part(voices[0], 60 * minutes, lufs, "drift", drift_lu=drift)
    return (recorded([part], rng, floor_dbfs=lufs - 50.0),)


def _panel(voices: Sequence[Source], rng: np.random.Generator, minutes: float) -> tuple[SimulatedTrack, ...]:
    """Two talkers in conversation, a microphone each, both in both; levels differ from seat to seat."""
    lufs = rng.uniform(-45.0, -25.0, 2)
    turns, left = [], 60 * minutes
    while left > 0:
        who = len(turns) % 2
        seconds = rng.uniform(4.0, 20.0)
        turns.append(Part(voices[who], seconds, -23.0, "panel"))
        left -= seconds
    speech, words, stretches = spoken(turns, rng)
    mine = [np.zeros(len(speech)), np.zeros(len(speech))]
    lines: list[list[tuple[int, int]]] = [[], []]
    for turn, s in enumerate(stretches):
        mine[turn % 2][s.start : s.end] = speech[s.start : s.end]
        lines[turn % 2] += s.sentences
    tracks = []
    for seat in range(2):
        other = np.roll(mine[1 - seat], 150) * amplitude(-rng.uniform(12.0, 18.0))
        floor = noise(len(speech), -75.0, rng)
        gain = amplitude(lufs[seat] + 23.0)
        floor_a = a_weighted_dbfs(floor) + lufs[seat] + 23.0
        whole = Stretch("panel", 0, len(speech), lufs[seat], floor_a, tuple(lines[seat]))
        tracks.append(
            SimulatedTrack(
                ((mine[seat] + other + floor) * gain).astype(np.float32),
                (mine[seat] * gain).astype(np.float32),
                words,
                (whole,),
                (),
            )
        )
    return tuple(tracks)


KINDS: dict[str, Callable[[Sequence[Source], np.random.Generator, float], tuple[SimulatedTrack, ...]]] = {
    "steady": _steady,
    "talkers": _talkers,
    "distance": _distance,
    "shouts": _shouts,
    "gain moved": _gain_moved,
    "drift": _drift,
    "panel": _panel,
}
