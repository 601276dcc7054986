"""Rooms and microphones: distances, directions and decay against textbook formulas."""

import numpy as np
import pytest

from takewell.demo import Microphone, Room, response

RATE = 48_000
ROOM = Room((6.0, 5.0, 3.0), 0.5, 30.0)


def heard(microphone: Microphone, source: tuple[float, float, float], seed: int = 1) -> np.ndarray:
    return response(ROOM, source, microphone, RATE, 24_000, np.random.default_rng(seed)).astype(np.float64)


def test_direct_sound_comes_at_its_time_and_falls_with_distance() -> None:
    for distance in (0.3, 0.6, 1.2):
        taps = heard(Microphone("m", (2.0 + distance, 2.5, 1.2), 100), (2.0, 2.5, 1.2))
        at = distance / 343 * RATE
        near = slice(round(at) - 20, round(at) + 20)
        # A windowed sinc sums to the arrival's factor, 1/r.
        assert taps[near].sum() == pytest.approx(1 / distance, rel=0.05)
        assert not taps[: round(at) - 30].any()


def test_arrivals_lie_between_samples() -> None:
    # The delay from the phase slope of the direct part below 8 kHz, where the sinc is exact.
    for distance in (0.5, 0.5017, 0.5033):
        taps = heard(Microphone("m", (2.0 + distance, 2.5, 1.2), 100), (2.0, 2.5, 1.2))
        direct = np.zeros(1024)
        last = round(distance / 343 * RATE) + 24
        direct[:last] = taps[:last]
        freqs = np.fft.rfftfreq(1024)[10:170]
        phase = np.unwrap(np.angle(np.fft.rfft(direct)[10:170]))
        delay = -np.polyfit(freqs, phase, 1)[0] / (2 * np.pi)
        assert delay == pytest.approx(distance / 343 * RATE, abs=0.02)


def test_reverberation_decays_by_60_db_in_the_stated_time() -> None:
    # Schroeder's backward integration; slope from -5 to -25 dB (T20, ISO 3382-1), low part of the spectrum only:
    # the model makes the top die away faster.
    taps = heard(Microphone("m", (4.0, 3.5, 1.5), 100), (1.0, 1.0, 1.2))
    spectrum = np.fft.rfft(taps)
    spectrum[int(1500 / RATE * len(taps)) :] = 0
    energy = np.cumsum(np.fft.irfft(spectrum)[::-1] ** 2)[::-1]
    level = 10 * np.log10(energy / energy[0])
    inside = np.flatnonzero((level < -5) & (level > -25))
    slope = np.polyfit(inside / RATE, level[inside], 1)[0]
    assert -60 / slope == pytest.approx(0.5, rel=0.08)


def test_diffuse_energy_follows_the_absorption_area() -> None:
    # Diffuse against direct energy at 1 m: 16 pi / A, A = 0.161 V / T (Sabine), of which what comes after t is
    # exp(-13.8 t / T) (as in Barron and Lee 1988); the top dies away twice as fast, so the sum lies between that and
    # its square. The last of the six reflections has come after 28 ms.
    total = 16 * np.pi / (0.161 * 90 / 0.5)
    late_s = 0.03
    after = np.exp(-6 * np.log(10) * late_s / 0.5)
    got = np.mean(
        [
            np.sum(
                heard(Microphone("m", (4.0, 3.5, 1.5), 100), (1.0, 1.0, 1.2), seed)[round(late_s * RATE) :]
                ** 2
            )
            for seed in range(8)
        ]
    )
    assert total * after**2 < got < total * after
    # A supercardioid hears that much less of it as its directivity factor says (textbook: 3.73, 5.7 dB).
    aimed = Microphone("m", (4.0, 3.5, 1.5), 100, (1.0, 1.0, 1.2), 0.366)
    less = np.mean(
        [np.sum(heard(aimed, (1.0, 1.0, 1.2), seed)[round(late_s * RATE) :] ** 2) for seed in range(8)]
    )
    assert 10 * np.log10(got / less) == pytest.approx(5.7, abs=0.1)


@pytest.mark.parametrize(("share", "factor"), [(1.0, 1.0), (0.5, 3.0), (0.37, 3.71), (0.25, 4.0)])
def test_directivity_factors_are_the_textbooks(share: float, factor: float) -> None:
    # Omni 1, cardioid 3, supercardioid 3.73 (at share 0.366), hypercardioid 4: textbook values.
    microphone = Microphone("m", (0, 0, 0), 100, (1, 0, 0), share)
    assert microphone.directivity_factor == pytest.approx(factor, abs=0.03)
    # And by numerical integration over the sphere.
    cosine = np.linspace(-1, 1, 20_001)
    mean = np.mean((share + (1 - share) * cosine) ** 2)
    assert microphone.directivity_factor == pytest.approx(1 / mean, rel=1e-3)


def test_a_cardioid_is_deaf_behind_and_half_at_the_side() -> None:
    microphone = Microphone("m", (2, 2, 1), 100, (3, 2, 1), 0.5)
    assert microphone.sensitivity_towards((5, 2, 1)) == pytest.approx(1)
    assert microphone.sensitivity_towards((2, 4, 1)) == pytest.approx(0.5)
    assert microphone.sensitivity_towards((0, 2, 1)) == pytest.approx(0)


def test_the_same_draw_gives_the_same_room() -> None:
    microphone = Microphone("m", (4.0, 3.5, 1.5), 100)
    assert np.array_equal(heard(microphone, (1, 1, 1)), heard(microphone, (1, 1, 1)))
    assert not np.array_equal(heard(microphone, (1, 1, 1)), heard(microphone, (1, 1, 1), seed=2))
