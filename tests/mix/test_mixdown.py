"""Whole mixes of a simulated panel, judged by libebur128, wavinfo and the truth they were made from."""

import json
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile
from wavinfo import WavInfoReader

from takewell.demo import voices
from takewell.errors import DestinationError, SettingError
from takewell.mix import MixSettings, mix
from takewell.roll import Move, Roll, read_roll, write_moves
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack

RATE = 48_000
SPILL_DB, FLOOR_DB = -14.0, -75.0
TURNS = [("mira", 0), ("tobin", 1), ("edda", 2), ("mira", 0), ("edda", 2), ("tobin", 1)]


class Panel:
    """Three microphones, three talkers in turn: what each talker gives each microphone, and who speaks when."""

    def __init__(self) -> None:
        rng = np.random.default_rng(9)
        clips = {name: [c for c in voices(RATE)[name] if c.effort == "normal"] for name, _ in TURNS}
        row, self.turns, at = [], [], 0
        for turn, (name, talker) in enumerate(TURNS):
            clip = clips[name][turn % len(clips[name])].samples.astype(np.float64)
            self.turns.append((talker, at, at + len(clip)))
            row.append((talker, at, clip))
            at += len(clip) + int(0.4 * RATE)
        self.dry = np.zeros((at, 3))
        for talker, start, clip in row:
            self.dry[start : start + len(clip), talker] = clip * 10 ** (-8 / 20)
        own = np.eye(3) + (1 - np.eye(3)) * 10 ** (SPILL_DB / 20)
        # Spill arrives later than the voice itself: 3 ms are a metre.
        late = np.roll(self.dry, 144, axis=0)
        self.mics = self.dry + late @ (own - np.eye(3)) + rng.standard_normal((at, 3)) * 10 ** (FLOOR_DB / 20)


@pytest.fixture(scope="module")
def panel() -> Panel:
    return Panel()


@pytest.fixture
def roll(tmp_path: Path, panel: Panel) -> Roll:
    folder = tmp_path / "roll"
    (folder / "takewell").mkdir(parents=True)
    names = ["Lav Mira", "Lav Tobin", "Lav Edda", "Mix"]
    tracks = tuple(
        IxmlTrack(i + 1, i + 1, name, "MIX" if name == "Mix" else "") for i, name in enumerate(names)
    )
    ixml = Ixml(project="Test", scene="4", take="2", tracks=tracks, timecode_rate="25/1", timecode_flag="NDF")
    samples = np.concatenate([panel.mics, panel.mics.sum(axis=1, keepdims=True)], axis=1)
    with BroadcastWriter(
        folder / "4-T02.wav", rate=RATE, channels=4, encoding="float32",
        bext=Bext(time_reference=40_000 * RATE, origination_date="2025-02-11"), ixml=ixml,
    ) as writer:  # fmt: skip
        writer.write(samples)
    return read_roll(folder)


SURROUND = (
    pyebur128.ChannelType.LEFT,
    pyebur128.ChannelType.RIGHT,
    pyebur128.ChannelType.CENTER,
    pyebur128.ChannelType.UNUSED,
    pyebur128.ChannelType.LEFT_SURROUND,
    pyebur128.ChannelType.RIGHT_SURROUND,
)


def loudness(samples: np.ndarray) -> float:
    state = pyebur128.R128State(samples.shape[1], RATE, pyebur128.MeasurementMode.MODE_I)
    if samples.shape[1] == 6:
        for at, speaker in enumerate(SURROUND):
            state.set_channel(at, speaker)
    state.add_frames(np.ascontiguousarray(samples, np.float64).ravel(), len(samples))
    return float(pyebur128.get_loudness_global(state))


def true_peak(samples: np.ndarray) -> float:
    state = pyebur128.R128State(samples.shape[1], RATE, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    ended = np.concatenate([samples, np.zeros((64, samples.shape[1]))])
    state.add_frames(np.ascontiguousarray(ended, np.float64).ravel(), len(ended))
    return float(20 * np.log10(max(pyebur128.get_true_peak(state, c) for c in range(samples.shape[1]))))


def samples_of(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="float64", always_2d=True)[0]


@pytest.mark.parametrize("layout", ["mono", "stereo", "5.1"])
@pytest.mark.parametrize(("encoding", "target_lufs"), [("float32", -23.0), ("int24", -18.0)])
def test_mixes_meet_loudness_and_ceiling(roll: Roll, layout: str, encoding: str, target_lufs: float) -> None:
    settings = MixSettings(layout=layout, target_lufs=target_lufs, pans={1: -1.0, 3: 0.5})  # type: ignore[arg-type]
    (done,) = mix(roll, settings, encoding=encoding)  # type: ignore[arg-type]
    samples = samples_of(done.target)
    assert samples.shape[1] == {"mono": 1, "stereo": 2, "5.1": 6}[layout]
    assert done.limited_by_peaks or loudness(samples) == pytest.approx(target_lufs, abs=0.05)
    assert not done.limited_by_peaks or target_lufs == -18.0
    assert loudness(samples) == pytest.approx(done.loudness_lufs, abs=0.02)
    assert true_peak(samples) <= -1.0
    assert soundfile.info(done.target).subtype == {"float32": "FLOAT", "int24": "PCM_24"}[encoding]


def test_peaks_hold_a_mix_that_would_need_more_than_the_limiter_may_take(roll: Roll) -> None:
    (done,) = mix(roll, MixSettings(target_lufs=-8.0, limit_db=1.0))
    assert done.limited_by_peaks
    assert true_peak(samples_of(done.target)) <= -1.0
    assert max(action.reduction_db for action in done.actions) <= 1.3
    assert done.loudness_lufs is not None
    assert done.loudness_lufs < -8.5


def test_each_talkers_microphone_leads_while_they_talk(roll: Roll, panel: Panel) -> None:
    (done,) = mix(roll)
    spoken = np.array([sum(b - a for who, a, b in panel.turns if who == track) for track in range(3)])
    expected = spoken / spoken.sum()
    leads = np.array([c.leads for c in done.contributions])
    assert leads == pytest.approx(expected, abs=0.08)
    assert sum(c.mean_share for c in done.contributions) == pytest.approx(1.0)
    assert sum(c.sound for c in done.contributions) == pytest.approx(1.0)
    assert [c.tracks for c in done.contributions] == [(1,), (2,), (3,)]


def test_spill_in_the_mix_is_less_than_in_a_plain_sum(roll: Roll, panel: Panel) -> None:
    """With 14 dB of spill the law leaves a spilt-on microphone 14 dB less gain; both its paths add up to 28 dB."""
    (done,) = mix(roll, encoding="float32")
    mixed = samples_of(done.target)[:, 0] / 10 ** (done.gain_db / 20)
    plain = panel.mics.sum(axis=1)

    def spill_db(out: np.ndarray) -> float:
        """What is in the mix besides the talkers' own sound at their own microphones, while they talk."""
        errors, wanted = 0.0, 0.0
        for who, start, end in panel.turns:
            voice, heard = panel.dry[start:end, who], out[start:end]
            gain = float(voice @ heard) / float(voice @ voice)
            errors += float(((heard - gain * voice) ** 2).sum()) / gain**2
            wanted += float((voice**2).sum())
        return 10 * np.log10(errors / wanted)

    assert spill_db(mixed) <= spill_db(plain) - 8.0


def test_moves_are_applied_before_the_sharing(roll: Roll) -> None:
    length_s = float(roll.takes[0].duration_s)
    moves = [Move("4-2", 1, 0.0, length_s, 40.0, 0.0, 0.0, True, "")]
    write_moves(roll.folder, moves)
    (done,) = mix(roll)
    assert done.contributions[0].leads > 0.95
    (plain,) = mix(roll, moves=[])
    assert plain.contributions[0].leads < 0.5


def test_the_level_of_a_track_does_not_matter_once_its_moves_make_up_for_it(
    roll: Roll, tmp_path: Path
) -> None:
    length_s = float(roll.takes[0].duration_s)
    (first,) = mix(roll, out=tmp_path / "a", encoding="float32", moves=[])
    media = roll.folder / "4-T02.wav"
    low = soundfile.read(media, dtype="float32")[0]
    low[:, 1] *= np.float32(2.0**-10)
    other = tmp_path / "low"
    other.mkdir()
    soundfile.write(other / "4-T02.wav", low[:, :3], RATE, subtype="FLOAT")
    take = read_roll(other).takes[0].id
    moves = [Move(take, 2, 0.0, length_s, 20 * np.log10(1024), 0.0, 0.0, True, "")]
    (second,) = mix(read_roll(other), out=tmp_path / "b", encoding="float32", moves=moves)
    assert np.abs(samples_of(second.target) - samples_of(first.target)).max() < 2e-4


def test_places_and_weights_are_heard(roll: Roll) -> None:
    settings = MixSettings(layout="stereo", pans={1: -1.0, 2: 1.0, 3: 1.0}, weights_db={1: 60.0})
    (done,) = mix(roll, settings)
    left, right = (samples_of(done.target) ** 2).mean(axis=0)
    assert left > 100 * right
    assert done.contributions[0].pan == -1.0


def test_a_mix_says_what_it_is(roll: Roll) -> None:
    (done,) = mix(roll)
    info = WavInfoReader(str(done.target))
    assert done.target == roll.folder / "takewell" / "mix" / "4-2_mix.wav"
    assert info.bext.time_reference == 40_000 * RATE
    assert info.bext.originator == "Takewell"
    assert info.bext.loudness_value == pytest.approx(-23.0, abs=0.05)
    assert info.bext.max_true_peak == pytest.approx(done.true_peak_dbtp, abs=0.006)
    assert "gain-sharing mix of tracks 1 2 3" in info.bext.coding_history
    assert b"<SCENE>4</SCENE>" in done.target.read_bytes()[:20_000]
    report = json.loads(done.sidecar.read_text())
    assert report["integrated_lufs"] == done.loudness_lufs
    assert [one["name"] for one in report["sources"]] == ["Lav Mira", "Lav Tobin", "Lav Edda"]


def test_nothing_lies_half_written_when_something_breaks(roll: Roll, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("takewell.mix.sum.Summing.add", broken)
    with pytest.raises(DestinationError, match="the disk is full"):
        mix(roll)
    assert [p.name for p in (roll.folder / "takewell" / "mix").iterdir()] == []


def test_mixes_never_lie_among_the_media(roll: Roll) -> None:
    with pytest.raises(DestinationError, match="lies among the media"):
        mix(roll, out=roll.folder)


def test_takes_without_isos_are_named(roll: Roll) -> None:
    with pytest.raises(SettingError, match="has no take '7'; its takes are 4-2"):
        mix(roll, takes=["7"])


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("[mix]\nlayout = '7.1'", "none of mono, stereo, 5.1"),
        ("[mix]\nby = 'ear'", "neither 'level' nor 'talker'"),
        ("[mix]\nfollow = [[1]]", "fewer than two tracks"),
        ("[mix]\nfollow = [[1, 1]]", "names a track twice"),
        ("[mix]\nfollow = [[1.5, 2]]", "by number or name"),
        ("[mix]\nfollow = 'boom'", "follow = 'boom' is not a list"),
        ("[mix]\nhigh_pass_hz = 3", "is below 10; 0 is none"),
        ("[mix]\nline_up = 1", "neither true nor false"),
        ("[mix]\nturn_deg = [10]", "has 1 angles; 3 are needed"),
        (
            "[mix]\nlayout = 'stereo'\nvirtual = [{azimuth_deg = 3}]",
            "1 virtual microphones were given; stereo needs 2",
        ),
        ("[mix]\nvirtual = [{angle = 3}]", "give azimuth_deg, elevation_deg and pattern"),
        ("[mix]\npan = 3", "'pan' is not known"),
        ("[mix]\npans = {1 = 2.0}", "pans of track 1 = 2.0 is not a number from -1 to 1"),
        ("[mix]\nweights_db = {boom = 1}", "names a track that is no number"),
        ("[mix]\ntarget_lufs = nan", "target_lufs = nan is not a number"),
        ("[mix", "cannot be read as TOML"),
    ],
)
def test_settings_that_make_no_sense_are_one_sentence(tmp_path: Path, text: str, what: str) -> None:
    path = tmp_path / "mix.toml"
    path.write_text(text)
    with pytest.raises(SettingError, match=what) as error:
        MixSettings.from_toml(path)
    assert str(path) in str(error.value)


def test_settings_from_toml(tmp_path: Path) -> None:
    path = tmp_path / "mix.toml"
    path.write_text('[mix]\nlayout = "stereo"\n[mix.pans]\n1 = -0.5\n[mix.weights_db]\n2 = 3\n')
    settings = MixSettings.from_toml(path)
    assert (settings.layout, settings.pans, settings.weights_db) == ("stereo", {1: -0.5}, {2: 3})
