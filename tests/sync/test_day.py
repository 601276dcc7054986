"""A small day lined up: invented voices, clocks and stamps with known truth."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from sync.conftest import RATE, clip, drifted, recording, talk, with_floor
from takewell.sync import Clip, Pairing, Recording, SyncSettings, line_up
from takewell.sync.values import SyncReport
from takewell.timecode import Timecode, TimecodeRate

TWENTY_FIVE = TimecodeRate.parse("25")


def stamped(subject: Recording | Clip, code: str) -> Recording | Clip:
    start = Timecode.parse(code, TWENTY_FIVE)
    if isinstance(subject, Clip):
        return replace(subject, start=start, start_s=start.seconds)
    file = replace(subject.take.files[0], time_reference=int(start.to_samples(RATE)))
    return replace(subject, take=replace(subject.take, start=start, files=(file,)))


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory, scene: np.ndarray) -> dict[str, Recording | Clip]:
    """Two recordings; clips of the first with and without drift, of the second, silent, and of something else."""
    folder = tmp_path_factory.mktemp("day")
    other = talk(30.0, 9)
    gone = np.concatenate([scene[20 * RATE : 45 * RATE], scene[45 * RATE + 1920 : 75 * RATE]])
    return {
        "first": recording(folder / "first.wav", with_floor(scene, 1)),
        "second": recording(folder / "second.wav", with_floor(other, 2)),
        "plain": clip(folder / "plain.wav", with_floor(scene[10 * RATE + 123 : 40 * RATE], 3, 3e-3)),
        "fast": clip(folder / "fast.wav", with_floor(drifted(scene, 80.0), 4, 3e-3)),
        "pulled": clip(folder / "pulled.wav", with_floor(drifted(scene, 1000.0), 4)),
        "late": clip(folder / "late.wav", with_floor(np.concatenate([np.zeros(5 * RATE), other]), 5)),
        "short": clip(folder / "short.wav", with_floor(scene[50 * RATE : 52 * RATE], 6)),
        "gone": clip(folder / "gone.wav", with_floor(gone, 7)),
        "through": clip(folder / "through.wav", with_floor(np.concatenate([scene[20 * RATE :], other]), 11)),
        "silent": clip(folder / "silent.wav", np.zeros(8 * RATE)),
        "alien": clip(folder / "alien.wav", with_floor(np.zeros(20 * RATE), 8, 0.05)),
        "upside down": clip(folder / "upside down.wav", with_floor(-scene[: 20 * RATE], 10)),
    }


def lined_up(day: dict[str, Recording | Clip], *names: str, **settings: float) -> SyncReport:
    recordings = [day["first"], day["second"]]
    return line_up(recordings, [day[name] for name in names], SyncSettings(**settings), workers=1)  # type: ignore[misc,arg-type]


def test_each_clip_finds_its_recording_and_place(day: dict[str, Recording | Clip]) -> None:
    report = lined_up(day, "plain", "late", "short")
    plain, late, short = report.pairings
    assert [p.recording.name for p in report.pairings if p.recording] == ["first", "second", "first"]
    # Known to the sample: where the clips were cut.
    assert plain.offset_s == pytest.approx(-(10 + 123 / RATE), abs=0.5 / RATE)
    assert late.offset_s == pytest.approx(5.0, abs=0.5 / RATE)
    assert short.offset_s == pytest.approx(-50.0, abs=1 / RATE)
    assert short.drift_ppm is None
    assert all(p.method == "sound" and p.confidence > 0.99 for p in report.pairings)
    assert report.settled
    assert report.lonely == ()


def test_a_clip_that_ran_through_holds_two_recordings(day: dict[str, Recording | Clip]) -> None:
    report = lined_up(day, "through", "plain")
    names = [(p.clip.name, p.recording.name) for p in report.pairings if p.recording]
    assert names == [("through.wav", "first"), ("through.wav", "second"), ("plain.wav", "first")]
    first, second, _ = report.pairings
    assert first.offset_s == pytest.approx(-20.0, abs=0.5 / RATE)
    assert second.offset_s == pytest.approx(70.0, abs=0.5 / RATE)


def test_a_drift_is_found_and_said(day: dict[str, Recording | Clip]) -> None:
    (pair,) = lined_up(day, "fast", clock_ppm=5.0).pairings
    assert pair.drift_ppm is not None
    # The clip's clock runs 80 ppm fast, so the recording's runs slow against it.
    assert pair.drift_ppm == pytest.approx((1 / (1 + 80e-6) - 1) * 1e6, abs=0.5)
    assert any("more than the 5 ppm their profiles allow" in note for note in pair.notes)


def test_a_pull_down_is_named(day: dict[str, Recording | Clip]) -> None:
    (pair,) = lined_up(day, "pulled").pairings
    assert pair.speed == "pulled down 0.1 %"
    assert pair.drift_ppm == pytest.approx(-999.0, abs=1.0)


def test_lost_samples_are_found_where_they_are(day: dict[str, Recording | Clip]) -> None:
    (pair,) = lined_up(day, "gone").pairings
    (jump,) = pair.jumps
    assert jump.shift_s == pytest.approx(-1920 / RATE, abs=1e-4)
    assert jump.lost_by == "clip"
    assert jump.recording_s == pytest.approx(45.0, abs=jump.within_s + 1)
    assert any("missing in the clip" in note for note in pair.notes)
    assert pair.clip_time_s(70.0) == pytest.approx(70 - 20 - 0.04, abs=2e-4)
    assert pair.recording_time_s(pair.clip_time_s(70.0)) == pytest.approx(70.0, abs=1e-9)


def test_what_has_no_partner_says_why_and_the_rest_goes_on(day: dict[str, Recording | Clip]) -> None:
    report = lined_up(day, "silent", "alien", "plain")
    silent, alien, plain = report.pairings
    assert silent.recording is None
    assert "silent" in silent.reason
    assert alien.recording is None
    assert "sound in common" in alien.reason
    assert plain.recording is not None
    assert not report.settled
    assert [r.name for r in report.lonely] == ["second"]


def test_timecode_that_the_sound_bears_out_counts_as_both(day: dict[str, Recording | Clip]) -> None:
    first = stamped(day["first"], "10:00:00:00")
    honest, lying = stamped(day["plain"], "10:00:10:00"), stamped(day["plain"], "10:07:00:00")
    silent = stamped(day["silent"], "10:00:30:00")
    report = line_up([first], [honest, lying, silent], workers=1)  # type: ignore[list-item]
    by = [pair.method for pair in report.pairings]
    assert by == ["both", "sound", "timecode"]
    assert report.pairings[0].offset_s == pytest.approx(-(10 + 123 / RATE), abs=0.5 / RATE)
    assert any("timecode lies" in note for note in report.pairings[1].notes)
    assert not report.settled
    assert report.pairings[2].offset_s == pytest.approx(-30.0, abs=0.05)
    assert report.pairings[2].confidence < 0.9


def test_midnight_is_no_day_away(day: dict[str, Recording | Clip]) -> None:
    first, clip_ = stamped(day["first"], "23:59:55:00"), stamped(day["plain"], "00:00:05:00")
    (pair,) = line_up([first], [clip_], workers=1).pairings  # type: ignore[list-item]
    assert pair.method == "both"
    assert pair.timecode_offset_s == pytest.approx(-10.0)


def test_distance_is_taken_out_only_where_it_is_told(day: dict[str, Recording | Clip]) -> None:
    (plain,) = lined_up(day, "plain").pairings
    (told,) = lined_up(day, "plain", distance_m=5.0).pairings
    assert plain.hidden_delay_s == 0.0
    # 5 m / 343.2 m/s
    assert told.hidden_delay_s == pytest.approx(0.014569, abs=1e-5)
    assert told.offset_s == plain.offset_s
    assert told.picture_offset_s == pytest.approx(plain.offset_s - told.hidden_delay_s)  # type: ignore[operator]


def test_a_clip_upside_down_or_inside_another_says_so(day: dict[str, Recording | Clip]) -> None:
    report = lined_up(day, "upside down", "fast")
    assert any("upside down" in note for note in report.pairings[0].notes)
    assert any("inside fast.wav" in note for note in report.pairings[0].notes)


def test_sound_that_repeats_is_left_open(tmp_path: Path) -> None:
    bar = talk(4.0, 21)
    song = with_floor(np.tile(bar, 6), 1, 1e-5)
    (pair,) = line_up(
        [recording(tmp_path / "song.wav", song)],
        [clip(tmp_path / "part.wav", with_floor(np.tile(bar, 2), 2, 1e-4))],
        workers=1,
    ).pairings
    assert pair.recording is None
    assert "repeats" in pair.reason


def test_one_playback_twice_in_a_take_is_left_open(tmp_path: Path) -> None:
    played = talk(6.0, 22)
    take = with_floor(np.concatenate([played, talk(45.0, 23), played]), 1, 1e-5)
    (pair,) = line_up(
        [recording(tmp_path / "twice.wav", take)],
        [clip(tmp_path / "c.wav", with_floor(played, 2, 1e-4))],
        workers=1,
    ).pairings
    assert pair.recording is None
    assert "several places" in pair.reason


def test_an_unreadable_recording_is_one_sentence(day: dict[str, Recording | Clip], tmp_path: Path) -> None:
    broken = recording(tmp_path / "broken.wav", np.zeros(RATE))
    (tmp_path / "broken.wav").unlink()
    report = line_up([broken, day["first"]], [day["plain"]], workers=1)  # type: ignore[list-item]
    assert len(report.unreadable) == 1
    assert "broken.wav" in report.unreadable[0]
    assert report.pairings[0].recording is not None


def test_a_pair_needs_an_offset_to_be_asked(day: dict[str, Recording | Clip]) -> None:
    lonely = Pairing(None, day["plain"], reason="none")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="no partner"):
        lonely.clip_time_s(1.0)
    assert isinstance(day["plain"].duration_s, Fraction)
