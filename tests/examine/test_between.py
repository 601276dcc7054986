"""Delay, spill and comb filtering between microphones, against known paths and closed forms."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from takewell.errors import SignalError
from takewell.examine.between import best_for_voices, find_between
from takewell.examine.evidence import TakeEvidence
from takewell.examine.examination import examine_take
from takewell.examine.microphones import SPEED_OF_SOUND_M_S, ripple_db
from takewell.examine.voices import find_voices
from takewell.measure.averaged_delay import averaged_delay
from takewell.roll.values import Verdict
from twin_recordings import late, noise, voice

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]


def tail(rng: np.random.Generator, direct_over_db: float) -> F64:
    """A room's response: direct sound, then from 5 ms on noise that decays by 60 dB in 0.4 s."""
    n = round(0.4 * RATE)
    decay = rng.standard_normal(n) * np.exp(-np.arange(n) / RATE * np.log(1000) / 0.4)
    decay[: RATE // 200] = 0
    decay *= 10 ** (-direct_over_db / 20) / np.sqrt(np.sum(decay**2))
    decay[0] = 1
    return np.asarray(decay)


SECONDS = 15

LAV_B_MS, BOOM_A_MS, BOOM_B_MS, LAV_A_MS = 4.31, 2.14, 2.77, 4.02


@pytest.fixture
def panel() -> list[F64]:
    """Two talkers in turn, each with a lavalier, and a boom: direct paths of known length, a room behind each."""
    return [track.copy() for track in recorded_panel()]


@cache
def recorded_panel() -> tuple[F64, ...]:
    rng = np.random.default_rng(20_240_611)
    n = SECONDS * RATE
    turn = (np.arange(n) // (3 * RATE)) % 2
    fade = np.hanning(RATE // 10)
    said = [
        voice(SECONDS, seed=seed, room_dbfs=-140) * oaconvolve(1.0 * (turn == k), fade / fade.sum(), "same")
        for k, seed in enumerate((5, 31))
    ]

    def heard(k: int, delay_ms: float, level_db: float, over_db: float) -> F64:
        wet = oaconvolve(said[k], tail(rng, over_db))[:n]
        return 10 ** (level_db / 20) * late(wet, delay_ms * RATE / 1000)

    return (
        heard(0, 0.0, 0, 15) + heard(1, LAV_A_MS, -14, 3) + noise(n, -70, 1),
        heard(1, 0.0, 0, 15) + heard(0, LAV_B_MS, -14, 3) + noise(n, -70, 2),
        heard(0, BOOM_A_MS, -8, 6) + heard(1, BOOM_B_MS, -8, 6) + noise(n, -70, 3),
    )


NAMES = ["Lav Ada", "Lav Ben", "Boom"]


def test_each_microphones_delay_to_the_nearest_is_right_within_a_tenth_of_a_sample(
    hear: Hear, panel: list[F64]
) -> None:
    found, _ = find_between(hear(panel, names=NAMES), {})
    told = {f.track: f.evidence for f in found if f.kind == "delay"}
    for track, to, ms in ((3, 1, BOOM_A_MS), (3, 2, BOOM_B_MS), (2, 1, LAV_B_MS), (1, 2, LAV_A_MS)):
        samples = float(told[track][f"delay_samples_to_track_{to}"] or 0)
        assert samples == pytest.approx(ms * RATE / 1000, abs=0.1)
        metres = float(told[track][f"delay_m_to_track_{to}"] or 0)
        assert metres == pytest.approx(ms / 1000 * 343.2, abs=0.01)
        assert told[track][f"polarity_to_track_{to}"] == 1
    assert {f.severity for f in found} == {"note"}
    assert "reversed_polarity" not in {f.kind for f in found}


def test_the_speed_of_sound_is_that_of_air_at_20_degrees() -> None:
    # c = 331.3 sqrt(1 + T / 273.15), from the gas law with 331.3 m/s at 0 degrees (textbooks; from memory).
    assert pytest.approx(331.3 * np.sqrt(1 + 20 / 273.15), abs=0.2) == SPEED_OF_SOUND_M_S


def test_a_reversed_microphone_hears_every_voice_upside_down(hear: Hear, panel: list[F64]) -> None:
    panel[2] = -panel[2]
    found, _ = find_between(hear(panel, names=NAMES), {})
    (told,) = [f for f in found if f.kind == "reversed_polarity"]
    assert (told.track, told.severity) == (3, "note")


def test_spill_is_told_against_the_microphones_own_voice(hear: Hear, panel: list[F64]) -> None:
    found, _ = find_between(hear(panel, names=NAMES), {})
    told = {f.track: f for f in found if f.kind == "spill"}
    assert set(told) == {1, 2}
    # Levels as built: own 0 dB with a tail of -15 dB, the other's -14 dB with one of -3 dB: 12.4 dB apart; how
    # loud either voice happens to be in its turns adds its difference.
    assert float(told[1].evidence["under_own_voice_db_track_2"] or 0) == pytest.approx(12.4, abs=3)
    assert "Lav Ben" in told[1].sentence


@pytest.mark.parametrize("ratio", [0.2, 0.5, 0.9])
def test_the_ripple_of_a_comb_is_that_of_its_transfer_function(ratio: float) -> None:
    # |1 + r exp(-j w t)| runs from 1 - r to 1 + r: closed form, read off its values.
    turn = np.linspace(0, 2 * np.pi, 100_001)
    curve = np.abs(1 + ratio * np.exp(-1j * turn))
    assert ripple_db(ratio) == pytest.approx(20 * np.log10(curve.max() / curve.min()), abs=1e-6)


def test_a_mix_with_a_voice_twice_combs_where_half_a_period_fits_the_delay(
    hear: Hear, panel: list[F64]
) -> None:
    # The boom 8 dB up in the mix: the direct sounds are then as strong as each other.
    mix = 0.5 * panel[0] + 0.05 * panel[1] + 0.5 * 10 ** (8 / 20) * panel[2]
    heard = hear([*panel, mix], names=[*NAMES, "Mix"], roles=["iso", "iso", "iso", "mix"])
    (comb,) = [f for f in find_between(heard, {})[0] if f.kind == "comb_filtering"]
    assert comb.track == 4
    assert float(comb.evidence["delay_ms"] or 0) == pytest.approx(BOOM_A_MS, abs=0.01)
    assert float(comb.evidence["first_dip_hz"] or 0) == pytest.approx(1000 / (2 * BOOM_A_MS), rel=0.01)
    assert float(comb.evidence["ripple_db"] or 0) > 12


def test_a_mix_of_lavaliers_alone_does_not_comb(hear: Hear, panel: list[F64]) -> None:
    mix = 0.5 * panel[0] + 0.5 * panel[1]
    heard = hear([*panel, mix], names=[*NAMES, "Mix"], roles=["iso", "iso", "iso", "mix"])
    assert [f.kind for f in find_between(heard, {})[0] if f.kind == "comb_filtering"] == []


def verdict(track: int, word: str) -> Verdict:
    return Verdict("7-1", "a.wav", track, word, "")  # type: ignore[arg-type]


def test_the_best_track_of_a_voice_is_the_nearest_that_is_whole(hear: Hear, panel: list[F64]) -> None:
    heard = hear(panel, names=NAMES)
    voices, _ = find_voices(heard.tracks, {})
    assert [v.nearest.track.name for v in voices] == ["Lav Ada", "Lav Ben"]
    whole = {n: verdict(n, "good") for n in (1, 2, 3)}
    assert [(b.voice, b.track) for b in best_for_voices(voices, whole, {})] == [
        ("Lav Ada", 1),
        ("Lav Ben", 2),
    ]
    hurt = {**whole, 2: verdict(2, "mend")}
    assert [(b.voice, b.track) for b in best_for_voices(voices, hurt, {})] == [("Lav Ada", 1), ("Lav Ben", 3)]
    assert best_for_voices(voices, {n: verdict(n, "lost") for n in (1, 2, 3)}, {}) == []


def test_rooms_without_voices_and_single_tracks_say_nothing(hear: Hear) -> None:
    hiss = [noise(6 * RATE, -60, k) for k in range(3)]
    assert find_between(hear(hiss), {}) == ([], [])
    assert find_between(hear([voice(6)]), {})[0] == []


def test_a_take_with_open_microphones_keeps_its_verdicts(hear: Hear, panel: list[F64]) -> None:
    came = examine_take(hear(panel, names=NAMES))
    assert [v.verdict for v in came.verdicts] == ["good"] * 3


def test_white_noise_delayed_by_137_samples_peaks_there() -> None:
    # Knapp and Carter 1976: R(tau) of a pure delay is an impulse at it.
    x = np.random.default_rng(3).standard_normal((4, 9_600))
    y = np.roll(x, 137, axis=1)
    found = averaged_delay(x, y, RATE, longest_s=0.01, band_hz=(0, 24_000))
    assert found is not None
    assert found.delay_s * RATE == pytest.approx(137, abs=0.01)
    assert found.polarity == 1
    assert found.height > 0.95
    turned = averaged_delay(x, -y, RATE, longest_s=0.01, band_hz=(0, 24_000))
    assert turned is not None
    assert turned.polarity == -1


def test_silence_lines_up_with_nothing_and_short_stretches_are_refused() -> None:
    x = np.random.default_rng(3).standard_normal((2, 4_800))
    assert averaged_delay(x, np.zeros_like(x), RATE, longest_s=0.01, band_hz=(100, 8_000)) is None
    with pytest.raises(SignalError, match="too short"):
        averaged_delay(x, x, RATE, longest_s=0.1, band_hz=(100, 8_000))
    with pytest.raises(SignalError, match="shapes"):
        averaged_delay(x, x[:1], RATE, longest_s=0.01, band_hz=(100, 8_000))
