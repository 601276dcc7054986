"""Pairs, mid/side and sound fields on their way into a mix and onto disk."""

import numpy as np
import pytest
from wavinfo import WavInfoReader

from takewell.errors import SettingError
from takewell.mix import MixSettings, mix
from takewell.roll import TrackLabel, read_roll, write_labels
from takewell.shape.a_format import sums
from takewell.shape.b_format import ORDERS, VirtualMicrophone, conversion
from takewell.wave import open_audio

RATE = 48_000


@pytest.fixture(scope="module")
def voice(talk):  # type: ignore[no-untyped-def]
    return talk([0, 0], ("mira",))[0][:, 0]


def grouped(roll, group: str, numbers):  # type: ignore[no-untyped-def]
    write_labels(roll.folder, [TrackLabel("*", number, group=group) for number in numbers])
    return read_roll(roll.folder)


def samples_of(done) -> np.ndarray:  # type: ignore[no-untyped-def]
    with open_audio(done.target if hasattr(done, "target") else done) as audio:
        return np.asarray(audio.read(0, audio.info.length_samples), np.float64)


def balance_db(done) -> float:  # type: ignore[no-untyped-def]
    left, right = (samples_of(done) ** 2).mean(axis=0)[:2]
    return float(10 * np.log10(left / max(right, 1e-20)))


def capsules(voice: np.ndarray, azimuth_deg: float) -> np.ndarray:
    angle = np.radians(azimuth_deg)
    toward = np.array([np.cos(angle), np.sin(angle), 0.0])
    faces = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3)
    return voice[:, None] * (0.5 + 0.5 * faces @ toward)


def test_a_left_right_pair_stays_a_pair(make_roll, voice) -> None:  # type: ignore[no-untyped-def]
    roll = make_roll(np.stack([voice, 0.5 * voice], axis=1), ["Pair L", "Pair R"])
    (done,) = mix(roll, MixSettings(layout="stereo"))
    assert [(c.kind, c.tracks) for c in done.contributions] == [("pair", (1, 2))]
    assert balance_db(done) == pytest.approx(6.02, abs=0.01)


@pytest.mark.parametrize("width", [0.0, 0.5, 1.0])
def test_mid_side_is_decoded_with_its_width(make_roll, voice, width) -> None:  # type: ignore[no-untyped-def]
    """A voice on the left only is M = S = L / 2; its leak is 20 log10 |(1 - w) / (1 + w)|."""
    roll = make_roll(np.stack([voice / 2, voice / 2], axis=1), ["S", "M"], ["S-MID_SIDE", "M-MID_SIDE"])
    (done,) = mix(roll, MixSettings(layout="stereo", width=width))
    assert [(c.kind, c.tracks) for c in done.contributions] == [("mid/side", (2, 1))]
    if width == 1.0:
        assert balance_db(done) > 100
    else:
        assert balance_db(done) == pytest.approx(-20 * np.log10((1 - width) / (1 + width)), abs=0.01)


@pytest.mark.parametrize("azimuth", [0, 55, -120])
def test_four_capsules_are_heard_by_cardioids(make_roll, voice, azimuth) -> None:  # type: ignore[no-untyped-def]
    roll = make_roll(capsules(voice, azimuth), ["Tet FLU", "Tet FRD", "Tet BLD", "Tet BRU"])
    roll = grouped(roll, "a-format", (1, 2, 3, 4))
    (done,) = mix(roll, MixSettings(layout="stereo", capsule_radius_mm=0.0))
    left, right = (0.5 + 0.5 * np.cos(np.radians(azimuth - at)) for at in (55, -55))
    assert balance_db(done) == pytest.approx(20 * np.log10(left / right), abs=0.02)
    turned = MixSettings(layout="stereo", capsule_radius_mm=0.0, turn_deg=(-azimuth, 0, 0))
    assert balance_db(mix(roll, turned)[0]) == pytest.approx(0.0, abs=0.02)


def test_a_virtual_microphone_may_look_away(make_roll, voice) -> None:  # type: ignore[no-untyped-def]
    ambix = voice[:, None] * np.array([1.0, 0.0, 0.0, 1.0])  # from the front
    beside = 0.01 * np.random.default_rng(1).standard_normal(len(voice))
    roll = grouped(
        make_roll(np.hstack([ambix, beside[:, None]]), ["W", "Y", "Z", "X", "Lav"]), "ambix", (1, 2, 3, 4)
    )
    alike = []
    for azimuth in (0.0, 180.0):
        (done,) = mix(
            roll, MixSettings(virtual=(VirtualMicrophone(azimuth, 0.0, 0.5),), weights_db={1: 40.0})
        )
        assert done.contributions[0].kind == "ambix"
        alike.append(np.corrcoef(samples_of(done)[:, 0], voice)[0, 1])
    # A cardioid hears nothing from behind.
    assert alike[0] > 0.99
    assert abs(alike[1]) < 0.01


@pytest.mark.parametrize("convention", ["ambix", "fuma"])
@pytest.mark.parametrize("group", ["a-format", "b-format", "ambix"])
def test_sound_fields_are_handed_on_in_either_convention_and_say_which(  # type: ignore[no-untyped-def]
    make_roll, voice, convention, group
) -> None:
    heard = capsules(voice, 35.0)
    true = heard @ sums()
    given = {"a-format": heard, "ambix": true, "b-format": true @ conversion("ambix", "fuma")}[group]
    names = {"a-format": ("FLU", "FRD", "BLD", "BRU"), "ambix": ORDERS["ambix"], "b-format": ORDERS["fuma"]}[
        group
    ]
    roll = grouped(make_roll(given, names), group, (1, 2, 3, 4))
    (done,) = mix(roll, MixSettings(field=convention, capsule_radius_mm=0.0))
    (path,) = done.fields
    expected = true @ conversion("ambix", convention)
    assert np.abs(samples_of(path) - expected).max() < 1e-6
    info = WavInfoReader(str(path))
    order = " ".join(ORDERS[convention])
    assert f"order {order}, " in info.bext.description
    assert {"ambix": "SN3D", "fuma": "W at -3.01 dB"}[convention] in info.bext.coding_history
    assert [track.function for track in info.ixml.track_list] == [
        f"{name}-SOUNDFIELD" for name in ORDERS[convention]
    ]


def test_a_group_without_all_its_tracks_is_one_sentence(make_roll, voice) -> None:  # type: ignore[no-untyped-def]
    roll = grouped(make_roll(capsules(voice, 0), ["A", "B", "C", "D"]), "a-format", (1, 2, 3))
    with pytest.raises(SettingError, match=r"'a-format' of take 7-1 has 3 tracks \(A, B, C\); 4 are needed"):
        mix(roll)


def test_surround_spreads_a_field_and_leaves_the_lfe_empty(make_roll, voice) -> None:  # type: ignore[no-untyped-def]
    roll = grouped(make_roll(capsules(voice, 110), ["FLU", "FRD", "BLD", "BRU"]), "a-format", (1, 2, 3, 4))
    (done,) = mix(roll, MixSettings(layout="5.1"))
    power = (samples_of(done) ** 2).mean(axis=0)
    assert np.argmax(power) == 4  # the left surround
    assert power[3] < 1e-9  # 24 bits of dither
    with open_audio(done.target) as audio:
        assert audio.info.channel_mask == 0x3F


def test_high_pass_and_hum_notch_are_heard(make_roll, voice) -> None:  # type: ignore[no-untyped-def]
    t = np.arange(len(voice)) / RATE
    humming = voice + 0.05 * np.sin(2 * np.pi * 49.96 * t) + 0.03 * np.sin(2 * np.pi * 3 * 49.96 * t)
    roll = make_roll(humming[:, None], ["Lav Mira"])
    found = {}
    for name, settings in (
        ("plain", MixSettings()),
        ("notched", MixSettings(notch_hum=True)),
        ("high-passed", MixSettings(high_pass_hz=100.0)),
    ):
        (done,) = mix(roll, settings, encoding="float32")
        quiet = samples_of(done)[: int(0.45 * RATE), 0] / 10 ** (done.gain_db / 20)
        spectrum = np.abs(np.fft.rfft(quiet[-9600:] * np.hanning(9600))) / 2400
        found[name] = [20 * np.log10(spectrum[round(hertz / 5)] + 1e-9) for hertz in (50, 150)]
        if name == "notched":
            (hum,) = done.notched
            assert hum.lowest_hz == pytest.approx(49.96, abs=0.05)
            assert set(hum.orders) >= {1, 3}
    assert found["notched"][0] < found["plain"][0] - 10
    assert found["notched"][1] < found["plain"][1] - 10
    # Order 4 at 100 Hz: 24.1 dB at 50 Hz, 0.17 dB at 150 Hz.
    assert found["plain"][0] - found["high-passed"][0] == pytest.approx(24.1, abs=0.5)
    assert found["plain"][1] - found["high-passed"][1] == pytest.approx(0.17, abs=0.2)
