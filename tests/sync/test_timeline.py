"""Timelines and edit lists: OpenTimelineIO, and its adapter for edit lists, read back what was written."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import opentimelineio as otio
import pytest

from takewell.errors import SettingError
from takewell.roll import Finding, MediaFile, Piece, Take, Track
from takewell.sync.edit_list import edit_list, write_edit_list
from takewell.sync.timeline import timeline, write_timeline
from takewell.sync.values import Clap, Clip, Pairing, Recording, SyncReport
from takewell.timecode import Timecode, TimecodeRate

RATE = 48_000
RATES = {"25": "25", "29.97 DF": "30000/1001", "23.976": "24000/1001"}
KNOWN_RATES = [
    Fraction(RATE),
    Fraction(25),
    Fraction(30_000, 1001),
    Fraction(24_000, 1001),
    Fraction(5 * RATE),
]


def exact(time: otio.opentime.RationalTime) -> Fraction:
    """A time read back, in exact seconds: a whole value at one of the rates that can be meant."""
    assert time.value == int(time.value)
    rate = next(rate for rate in KNOWN_RATES if float(rate) == time.rate)
    return int(time.value) / rate


def laid_out(track: otio.schema.Track) -> list[tuple[Fraction, otio.schema.Clip]]:
    """Clips of a track and where each begins, added up in fractions by this test."""
    position, found = Fraction(0), []
    for item in track:
        if isinstance(item, otio.schema.Clip):
            found.append((position, item))
        position += exact(item.source_range.duration if item.source_range else item.duration())
    return found


def recording(rate: str, *, seconds: int = 60, files: tuple[int, ...] = (), name: str = "14-2") -> Recording:
    """Two tracks stamped 10:00:00:00; `files` are the lengths in samples where it lies in more than one."""
    kept = TimecodeRate.parse(rate)
    start = Timecode.parse("10:00:00:00", kept)
    lengths = files or (seconds * RATE,)
    stamp, media, pieces = start.time_reference(RATE), [], []
    for number, length in enumerate(lengths, start=1):
        path, before = f"{name}_{number}.WAV", sum(lengths[: number - 1])
        media.append(MediaFile(path, length * 6, "WAVE", "int24", RATE, 2, length, stamp + before))
        pieces.append((path, before, length))
    tracks = tuple(
        Track(
            n, title, "iso", "int24", tuple(Piece(path, n, before, length) for path, before, length in pieces)
        )
        for n, title in ((1, "Boom"), (2, "Lav"))
    )
    take = Take(
        name,
        "14",
        "2",
        "take",
        RATE,
        sum(lengths),
        start,
        kept,
        "2026-05-04",
        tuple(media),
        tracks,
        tape="R03",
    )
    return Recording(Path("/day/roll"), take)


def clip(rate: str, *, name: str = "A001C003.mov", frames: int = 500, start: str = "10:00:02:00") -> Clip:
    kept = TimecodeRate.parse(rate)
    begin = Timecode.parse(start, kept)
    length = frames / kept.real
    return Clip(
        Path("/day/cam") / name,
        RATE,
        2,
        round(length * RATE),
        begin,
        begin.seconds,
        kept.real,
        picture_length_s=length,
    )


def read_back(made: otio.schema.Timeline, folder: Path) -> otio.schema.Timeline:
    path = folder / "day.otio"
    write_timeline(made, path)
    return otio.adapters.read_from_file(str(path))


@pytest.mark.parametrize("rate", RATES)
def test_what_is_written_reads_back_with_exact_times(rate: str, tmp_path: Path) -> None:
    real, sound = Fraction(RATES[rate]), recording(rate)
    first, second = clip(rate), clip(rate, name="A001C004.mov", frames=301, start="10:00:30:00")
    offset = Fraction(-2001, 1000)
    report = SyncReport(
        (
            Pairing(sound, first, offset_s=float(offset), confidence=1.0),
            Pairing(sound, second, offset_s=-30.0, confidence=1.0),
        )
    )
    back = read_back(timeline(report, name="day"), tmp_path)
    assert back.name == "day"
    assert exact(back.global_start_time) == Fraction(3600) * TimecodeRate.parse(rate).count / real
    pictures, own, boom, lav = (laid_out(track) for track in back.tracks)
    assert [track.kind for track in back.tracks] == ["Video", "Audio", "Audio", "Audio"]
    for track in (pictures, own, boom, lav):
        assert [position for position, _ in track] == [0, 500 / real]
        assert [exact(item.source_range.duration) for _, item in track] == [500 / real, 301 / real]
    assert [item.name for _, item in pictures] == ["A001C003", "A001C004"]
    start = Timecode.parse("10:00:02:00", TimecodeRate.parse(rate))
    assert exact(pictures[0][1].source_range.start_time) == start.seconds
    assert pictures[0][1].media_reference.target_url == "file:///day/cam/A001C003.mov"
    item = boom[0][1]
    assert item.name == "14-2 Boom"
    assert item.media_reference.target_url == "file:///day/roll/14-2_1.WAV"
    assert item.metadata["takewell"]["channel"] == 1
    stamp = Timecode.parse("10:00:00:00", TimecodeRate.parse(rate)).time_reference(RATE)
    # The picture's first frame lies 2.001 s into the recording: 96 048 samples, not a whole number of frames.
    assert int(item.source_range.start_time.value) == stamp + 96_048
    assert item.source_range.start_time.rate == RATE
    media = item.media_reference.available_range
    assert (int(media.start_time.value), int(media.duration.value)) == (stamp, 60 * RATE)
    assert lav[1][1].metadata["takewell"]["channel"] == 2


def test_a_recording_that_begins_late_begins_with_the_next_whole_frame(tmp_path: Path) -> None:
    sound = recording("25", seconds=4)
    report = SyncReport((Pairing(sound, clip("25"), offset_s=1.013, confidence=1.0),))
    back = read_back(timeline(report, name="day"), tmp_path)
    ((position, item),) = laid_out(back.tracks[2])
    assert position == Fraction(26, 25)  # frame 26 begins 27 ms into the recording
    stamp = 36_000 * RATE
    assert int(item.source_range.start_time.value) == stamp + round(0.027 * RATE)
    assert exact(item.source_range.duration) == Fraction(
        99, 25
    )  # frames that the recording fills whole: 1.04 to 5.00


@pytest.mark.parametrize("rate", ["25", "29.97 DF"])
def test_continuation_files_join_to_the_sample(rate: str, tmp_path: Path) -> None:
    real = Fraction(RATES[rate])
    sound = recording(rate, files=(10 * RATE + 777, 50 * RATE - 777))
    report = SyncReport((Pairing(sound, clip(rate), offset_s=-2.0, confidence=1.0),))
    back = read_back(timeline(report, name="day"), tmp_path)
    (_, one), (joined, two) = laid_out(back.tracks[2])
    assert one.media_reference.target_url.endswith("14-2_1.WAV")
    assert two.media_reference.target_url.endswith("14-2_2.WAV")
    stamp = sound.take.files[0].time_reference
    assert stamp is not None
    at = int(one.source_range.start_time.value) - stamp
    assert joined == Fraction(10 * RATE + 777 - at, RATE)
    assert int(two.source_range.start_time.value) == stamp + 10 * RATE + 777
    assert exact(one.source_range.duration) + exact(two.source_range.duration) == 500 / real


def test_findings_inside_the_stretch_are_markers_with_words(tmp_path: Path) -> None:
    def finding(start_s: float, end_s: float, track: int = 1, severity: str = "major") -> Finding:
        return Finding(
            "14-2", "14-2_1.WAV", track, "clipped", start_s, end_s, 0.99, severity, None, {}, "take the safety track", "flat"
        )  # fmt: skip

    sound = recording("25")
    findings = (
        finding(5.0, 5.5),
        finding(1.0, 1.5),
        finding(21.9, 30.0, severity="note"),
        finding(0.0, 60.0, severity="note"),
        finding(6.0, 6.1, track=2),
    )
    report = SyncReport((Pairing(sound, clip("25"), offset_s=-2.0, confidence=1.0),))
    back = read_back(timeline(report, name="day", findings=findings), tmp_path)
    boom, lav = laid_out(back.tracks[2])[0][1], laid_out(back.tracks[3])[0][1]
    one, two = boom.markers
    assert (one.name, one.comment, one.color) == ("clipped: flat", "take the safety track", "RED")
    assert exact(one.marked_range.start_time) == 36_005
    assert exact(one.marked_range.duration) == Fraction(1, 2)
    assert (two.color, exact(two.marked_range.duration)) == (
        "YELLOW",
        Fraction(1, 10),
    )  # cut where the clip ends
    assert len(lav.markers) == 1
    assert list(boom.metadata["takewell"]["findings"]) == [
        "clipped: flat"
    ]  # the note on the whole take is no place
    synced = {(clip("25").path, "14-2"): Path("/day/synced/A001C003_14-2.wav")}
    back = read_back(timeline(report, name="day", findings=findings, synced=synced), tmp_path)
    one, two = laid_out(back.tracks[2])[0][1].markers
    assert one.name == "clipped: flat"
    # 5 s into the recording, 3 s into the clip that began at 10:00:02
    assert exact(one.marked_range.start_time) == 36_005
    assert exact(one.marked_range.duration) == Fraction(1, 2)
    assert exact(two.marked_range.duration) == Fraction(1, 10)


def test_claps_lonely_clips_and_lonely_recordings_are_there(tmp_path: Path) -> None:
    sound, other = recording("25"), recording("25", name="15-1", seconds=10)
    lone = clip("25", name="B001.mov", frames=100)
    report = SyncReport(
        (
            Pairing(sound, clip("25"), offset_s=-2.0, claps=(Clap(3.5, 1.5, 30.0),)),
            Pairing(None, lone, reason="it is silent."),
        ),
        lonely=(other,),
    )
    back = read_back(timeline(report, name="day"), tmp_path)
    pictures = laid_out(back.tracks[0])
    (clap,) = pictures[0][1].markers
    assert clap.name == "clap"
    assert exact(clap.marked_range.start_time) == 36_002 + Fraction(round(1.5 * 25), 25)
    assert pictures[1][1].markers[0].name == "no recording: it is silent."
    names = [[item.name for _, item in laid_out(track)] for track in back.tracks]
    assert names == [
        ["A001C003", "B001"],
        ["A001C003", "B001", "15-1 Boom"],
        ["14-2 Boom", "15-1 Lav"],
        ["14-2 Lav"],
    ]
    assert laid_out(back.tracks[1])[2][0] == Fraction(600, 25)


def test_two_recordings_of_one_clip_stand_beside_each_other_where_they_overlap(tmp_path: Path) -> None:
    one, two = recording("25"), recording("25", name="B-1")
    pair = clip("25")
    report = SyncReport((Pairing(one, pair, offset_s=-2.0), Pairing(two, pair, offset_s=-5.0)))
    back = read_back(timeline(report, name="day"), tmp_path)
    names = [[item.name for _, item in laid_out(track)] for track in back.tracks]
    assert names == [["A001C003"], ["A001C003"], ["14-2 Boom"], ["14-2 Lav"], ["B-1 Boom"], ["B-1 Lav"]]


def test_synced_files_are_referred_to_where_there_are_any(tmp_path: Path) -> None:
    sound, pair = recording("29.97 DF"), clip("29.97 DF")
    synced = {(pair.path, "14-2"): Path("/day/synced/A001C003_14-2.wav")}
    report = SyncReport((Pairing(sound, pair, offset_s=-2.0, drift_ppm=12.0),))
    back = read_back(timeline(report, name="day", synced=synced), tmp_path)
    item = laid_out(back.tracks[3])[0][1]
    assert item.media_reference.target_url == "file:///day/synced/A001C003_14-2.wav"
    assert item.metadata["takewell"]["channel"] == 2
    stamp = round(Timecode.parse("10:00:02:00", TimecodeRate.parse("29.97 DF")).to_samples(RATE))
    assert int(item.source_range.start_time.value) == stamp
    assert not item.effects


def test_drift_is_a_time_warp_where_asked(tmp_path: Path) -> None:
    report = SyncReport((Pairing(recording("25"), clip("25"), offset_s=-2.0, drift_ppm=12.0),))
    back = read_back(timeline(report, name="day", warp=True), tmp_path)
    (effect,) = laid_out(back.tracks[2])[0][1].effects
    assert isinstance(effect, otio.schema.LinearTimeWarp)
    assert effect.time_scalar == pytest.approx(1 + 12e-6, abs=1e-12)


def test_an_empty_day_is_an_empty_timeline(tmp_path: Path) -> None:
    back = read_back(timeline(SyncReport(()), name="nothing"), tmp_path)
    assert [len(track) for track in back.tracks] == [0]


@pytest.mark.parametrize("rate", RATES)
def test_an_edit_list_is_read_back_by_the_adapter(rate: str, tmp_path: Path) -> None:
    pytest.importorskip("otio_cmx3600_adapter", reason="the edit list adapter is not installed")
    kept = TimecodeRate.parse(rate)
    lone = clip(rate, name="B001.mov", frames=100)
    report = SyncReport(
        (
            Pairing(recording(rate), clip(rate), offset_s=-2.002, confidence=1.0),
            Pairing(None, lone, reason="it is silent."),
        )
    )
    path = tmp_path / "day.edl"
    write_edit_list(report, path, name="day 1")
    back = otio.adapters.read_from_file(str(path), adapter_name="cmx_3600", rate=float(kept.count))
    assert back.name == "day 1"
    video = [item for track in back.video_tracks() for item in track if isinstance(item, otio.schema.Clip)]
    assert [item.name for item in video] == ["A001C003.mov", "B001.mov"]
    begin = Timecode.parse("10:00:02:00", kept)
    assert int(video[0].source_range.duration.value) == 500
    assert (
        otio.opentime.to_timecode(video[0].source_range.start_time, float(kept.count), False) == "10:00:02:00"
    )
    audio = [item for track in back.audio_tracks() for item in track if isinstance(item, otio.schema.Clip)]
    assert audio
    assert {item.name for item in audio} == {"14-2_1.WAV"}
    # The frame of the recording's timecode that is nearest to where the picture begins.
    place = recording(rate).start_s + Fraction(round(2.002 * RATE), RATE)
    shown = Timecode.from_frames(round(place * kept.real), kept)
    lines = path.read_text().splitlines()
    assert lines[:2] == ["TITLE: day 1", f"FCM: {'DROP FRAME' if kept.drop else 'NON-DROP FRAME'}"]
    sound = next(line for line in lines if line.startswith("002")).split()
    assert sound[1:4] == ["R03", "AA", "C"]
    assert sound[4] == str(shown).replace(";", ":")
    assert sound[6] == "01:00:00:00"
    assert Timecode.parse(sound[7], kept).frames - Timecode.parse(sound[6], kept).frames == 500
    assert begin.rate == kept
    assert "* B001.mov: no recording; it is silent." in lines
    off = round((place - shown.seconds) * RATE)
    words = f"* THE SOUND BEGINS {abs(off)} SAMPLES {'AFTER' if off > 0 else 'BEFORE'} ITS FRAME"
    assert (words in lines) == bool(off)
    assert abs(off) <= RATE / kept.real / 2


@pytest.mark.parametrize("frames", range(743, 757))
def test_the_sound_is_as_long_as_the_picture_whatever_floats_do(frames: int) -> None:
    report = SyncReport((Pairing(recording("29.97 DF"), clip("29.97 DF", frames=frames), offset_s=-20.0),))
    lines = [line.split() for line in edit_list(report, name="day").splitlines() if line.startswith("00")]
    assert len(lines) == 2
    assert lines[0][6:] == lines[1][6:]
    made = timeline(report, name="day")
    pictures, _, sound, _ = (laid_out(track) for track in made.tracks)
    assert exact(sound[0][1].source_range.duration) == exact(pictures[0][1].source_range.duration)


def test_an_edit_list_that_cannot_be_is_one_sentence() -> None:
    odd = replace(clip("25"), picture_rate=Fraction(18), start=None, start_s=None)
    with pytest.raises(SettingError, match=r"18\.000 a second"):
        edit_list(SyncReport((Pairing(None, odd, reason="x"),)), name="day")
    many = tuple(Pairing(None, clip("25", name=f"C{k}.mov", frames=2), reason="x") for k in range(1000))
    with pytest.raises(SettingError, match="1000 events"):
        edit_list(SyncReport(many), name="day")
