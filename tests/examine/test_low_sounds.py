"""Knocks, popped consonants, wind and rumble are told apart, placed and weighed; clean speech has none of them."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from takewell.demo import labelled_speech
from takewell.engine import Meter
from takewell.engine.results import Passage
from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.low_band import low_steps
from takewell.examine.plosive import find_plosives
from takewell.examine.rumble import find_rumble
from takewell.examine.thump import find_thumps
from takewell.examine.wind import find_wind
from takewell.roll.values import Finding

RATE = 48_000
SPEECH_DBFS = -26.0
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
ALL = (find_thumps, find_plosives, find_wind, find_rumble)


def noise(n: int, low_hz: float, high_hz: float, seed: int) -> F64:
    """Gaussian noise between two frequencies, at RMS 1."""
    sections = butter(4, (low_hz, high_hz), "bandpass", fs=RATE, output="sos")
    sound = sosfilt(sections, np.random.default_rng(seed).standard_normal(n + RATE))[RATE:]
    return np.asarray(sound / sound.std())


def at_dbfs(sound: F64, level_dbfs: float) -> F64:
    """A sound of RMS 1 at an AES17 level."""
    return sound * 10 ** (level_dbfs / 20) * np.sqrt(0.5)


@pytest.fixture(scope="module")
def speech() -> F64:
    return labelled_speech(24, seed=5, speech_dbfs=SPEECH_DBFS, floor_dbfs=-70, pause_s=(0.8, 1.5)).samples[
        :, 0
    ]


@pytest.fixture(scope="module")
def talk_s() -> tuple[tuple[float, float], ...]:
    return labelled_speech(24, seed=5, speech_dbfs=SPEECH_DBFS, floor_dbfs=-70, pause_s=(0.8, 1.5)).talk_s


@pytest.fixture
def listen(hear: Hear) -> Callable[[F64], TrackEvidence]:
    def with_level(samples: F64) -> TrackEvidence:
        length_s = len(samples) / RATE
        passage = Passage(0.0, length_s, -26.0, SPEECH_DBFS, -70.0, -75.0, 44.0)
        return hear([samples], passages=[(passage,)]).tracks[0]

    return with_level


Listen = Callable[[F64], TrackEvidence]


def every(heard: TrackEvidence) -> list[Finding]:
    return [finding for find in ALL for finding in find(heard)]


def knock(level_db: float) -> F64:
    """A ring of 45 Hz that dies away within a tenth of a second; its first 100 ms at a level against the speech."""
    t = np.arange(RATE // 2) / RATE
    ring = np.sin(2 * np.pi * 45 * t) * np.exp(-t / 0.03)
    return at_dbfs(ring / np.sqrt(np.mean(ring[: RATE // 10] ** 2)), SPEECH_DBFS + level_db)


def added(sound: F64, more: F64, at_s: float) -> F64:
    out = sound.copy()
    start = round(at_s * RATE)
    out[start : start + len(more)] += more
    return out


def test_clean_speech_has_none_of_them_and_is_not_read(listen: Listen, speech: F64) -> None:
    heard = listen(speech)
    assert every(heard) == []
    assert heard.reader.samples_read == 0  # type: ignore[attr-defined]


def test_a_knock_in_a_pause_is_placed_to_20_ms_and_weighed(
    listen: Listen, speech: F64, talk_s: tuple[tuple[float, float], ...]
) -> None:
    at_s = talk_s[1][1] + 0.3
    found = every(listen(added(speech, knock(3.0), at_s)))
    assert [f.kind for f in found] == ["thump"]
    assert found[0].start_s == pytest.approx(at_s, abs=0.02)
    # Its level over 40 ms is the ring's there: 2.8 dB more than over 100 ms.
    assert found[0].evidence["over_speech_db"] == pytest.approx(5, abs=2)


def test_the_same_push_before_a_word_is_a_popped_consonant(
    listen: Listen, speech: F64, talk_s: tuple[tuple[float, float], ...]
) -> None:
    onset = talk_s[2][0]
    first = np.flatnonzero(np.abs(speech[round(onset * RATE) :]) > 0.02)[0] / RATE + onset
    found = every(listen(added(speech, knock(0.0), first - 0.06)))
    assert [f.kind for f in found] == ["plosive"]
    assert found[0].start_s == pytest.approx(first - 0.06, abs=0.03)


def test_a_drum_in_time_is_no_knock(listen: Listen, speech: F64) -> None:
    sound = speech.copy()
    for beat in np.arange(0.7, 23, 0.5):
        sound = added(sound, knock(0.0), float(beat))
    assert not [f for f in every(listen(sound)) if f.kind in ("thump", "plosive", "wind")]


def test_gusts_are_wind_and_steady_noise_of_the_same_band_is_rumble(listen: Listen, speech: F64) -> None:
    low = noise(len(speech), 15, 70, 1)
    t = np.arange(len(speech)) / RATE
    swell = sum(
        h * np.exp(-(((t - s) / w) ** 2))
        for s, w, h in ((8.6, 0.3, 1), (10, 0.5, 0.6), (12.6, 0.4, 1.4), (13.4, 0.2, 1))
    )
    gusty = low * swell
    blown = every(listen(speech + at_dbfs(gusty, SPEECH_DBFS + 4)))
    assert [f.kind for f in blown] == ["wind"]
    assert blown[0].start_s == pytest.approx(8, abs=0.7)
    assert blown[0].end_s == pytest.approx(14, abs=0.7)
    steady = every(listen(speech + at_dbfs(low, SPEECH_DBFS - 12)))
    assert [f.kind for f in steady] == ["rumble"]


def test_a_bass_note_that_comes_and_goes_is_no_wind(listen: Listen, speech: F64) -> None:
    t = np.arange(len(speech)) / RATE
    note = (
        np.sqrt(2) * np.sin(2 * np.pi * 49 * t) * (np.sin(2 * np.pi * 0.5 * t) > 0)
    )  # G1, a second on, a second off
    assert not [f for f in every(listen(speech + at_dbfs(note, SPEECH_DBFS))) if f.kind == "wind"]


@pytest.mark.parametrize("under_db", [22.0, 12.0, 8.0])
def test_rumble_is_weighed_to_a_decibel(listen: Listen, speech: F64, under_db: float) -> None:
    found = find_rumble(listen(speech + at_dbfs(noise(len(speech), 30, 90, 2), SPEECH_DBFS - under_db)))
    assert [f.kind for f in found] == ["rumble"]
    assert found[0].evidence["under_speech_db"] == pytest.approx(under_db, abs=1.0)
    assert found[0].severity == ("note" if under_db > 15 else "minor")
    assert 40 < float(found[0].evidence["middle_hz"] or 0) < 80


def test_mains_hum_and_an_offset_are_no_rumble(listen: Listen, speech: F64) -> None:
    t = np.arange(len(speech)) / RATE
    lines = np.sqrt(2 / 3) * sum(np.sin(2 * np.pi * 50 * k * t) for k in (1, 2, 3))
    assert find_rumble(listen(speech + at_dbfs(lines, SPEECH_DBFS - 15))) == []
    assert every(listen(speech + 0.03)) == []


# IEC 61672-1, table 3: A is -50.5 dB at 20 Hz, -34.6 at 40, -26.2 at 63, -19.1 at 100, -10.9 at 200. ITU-R BS.1770 K-weighting
# (Annex 1, high pass of 38 Hz): about -13 dB at 20 Hz, -6 at 40 and -3 at 60.
@pytest.mark.parametrize(
    ("hertz", "marked"), [(20, True), (40, True), (63, True), (100, True), (200, False), (440, False)]
)
def test_the_traces_point_to_what_lies_under_the_voice(listen: Listen, hertz: int, marked: bool) -> None:
    t = np.arange(3 * RATE) / RATE
    tone = at_dbfs(np.sqrt(2) * np.sin(2 * np.pi * hertz * t), SPEECH_DBFS)
    assert bool(low_steps(listen(tone))[50:250].all()) is marked


def test_a_room_tone_and_a_short_track_are_left_alone(hear: Hear) -> None:
    low = at_dbfs(noise(12 * RATE, 20, 80, 3), -40)
    passage = Passage(0.0, 12.0, -40.0, -40.0, -40.0, -60.0, 0.0)
    assert every(hear([low], passages=[(passage,)], kind="room_tone").tracks[0]) == []
    assert every(hear([np.zeros(100)], passages=[()]).tracks[0]) == []
    assert every(hear([np.zeros(RATE)], passages=[()]).tracks[0]) == []


def test_the_engine_traces_point_alike(speech: F64, listen: Listen) -> None:
    """The slow tracer of these tests and the engine mark the same steps, but for the filters' first ring."""
    sound = (speech + added(np.zeros(len(speech)), knock(6.0), 11.0)).astype(np.float32)
    meter = Meter(RATE, 1, encoding="float32")
    meter.add(sound[:, None])
    trace = meter.finish()[2][0]
    slow = listen(sound.astype(np.float64))
    fast = TrackEvidence(slow.take, slow.track, trace, slow.measured, slow.reader)
    assert np.mean(low_steps(fast) != low_steps(slow)) < 0.002
