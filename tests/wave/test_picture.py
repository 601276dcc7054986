"""Camera files, made by ffmpeg with known timecode, rate and place of the sound; where it is not installed these skip.

ffmpeg's muxers and encoders are the outside here: noise goes in at a known place beside the pictures, and must come out
there, whatever the encoder's delay, the order of the pictures and the container's stamps do on the way."""

import shutil
import struct
import subprocess
import threading
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell.engine import measure_file
from takewell.errors import FileError
from takewell.timecode import Timecode, TimecodeRate
from takewell.wave import open_audio, picture_info, read_info
from takewell.wave.picture_kind import picture_kind
from takewell.wave.timecode_track import packed_timecode, picture_group_timecode, standard_rate

FFMPEG = shutil.which("ffmpeg")
needs_ffmpeg = pytest.mark.skipif(FFMPEG is None, reason="ffmpeg is not installed; it makes the camera files")
RATE, SECONDS = 48_000, 6
AAC = ("-c:a", "aac", "-b:a", "256k", "-aac_pns", "0")
X264 = ("-c:v", "libx264", "-preset", "ultrafast", "-bf", "2")

# name: (how the sound and the pictures are written, what the file stores exactly)
KINDS = {
    "pcm24.mov": (("-c:v", "mpeg4", "-bf", "2", "-c:a", "pcm_s24le"), True),
    "pcm32.mov": (("-c:v", "mpeg4", "-c:a", "pcm_s32le"), True),
    "float.mov": (("-c:v", "mpeg4", "-c:a", "pcm_f32le"), True),
    "alac.mov": (("-c:v", "mpeg4", "-c:a", "alac"), True),
    "aac.mp4": ((*X264, *AAC), False),
    "pieces.mp4": ((*X264, *AAC, "-movflags", "frag_keyframe+empty_moov"), False),
    "pcm24.mxf": (("-c:v", "mpeg2video", "-bf", "2", "-c:a", "pcm_s24le"), True),
    "aac.mts": ((*X264, *AAC), False),
    "ac3.mts": (("-c:v", "mpeg2video", "-c:a", "ac3", "-b:a", "448k"), False),
    "pcm24.m2ts": (
        ("-c:v", "mpeg2video", "-c:a", "pcm_bluray", "-f", "mpegts", "-mpegts_m2ts_mode", "1"),
        True,
    ),
    "pcm24.mkv": ((*X264, "-c:a", "pcm_s24le"), True),
    "aac.mkv": ((*X264, *AAC), False),
}


def ffmpeg(*arguments: object) -> None:
    subprocess.run([str(FFMPEG), "-v", "error", "-y", *map(str, arguments)], check=True)


@pytest.fixture(scope="session")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray]:
    path = tmp_path_factory.mktemp("sound") / "noise.wav"
    noise = np.random.default_rng(7).normal(size=(SECONDS * RATE, 2)) * 0.1
    soundfile.write(path, noise, RATE, subtype="PCM_24")
    return path, soundfile.read(path, always_2d=True)[0]


@pytest.fixture(scope="session")
def clips(tmp_path_factory: pytest.TempPathFactory, sound: tuple[Path, np.ndarray]):
    folder, made = tmp_path_factory.mktemp("clips"), {}

    def clip(name: str, *options: object, rate: str = "25", before: tuple[object, ...] = ()) -> Path:
        key = (name, options, rate, before)
        if key not in made:
            made[key] = folder / f"{len(made)}-{name}"
            pictures = ("-f", "lavfi", "-i", f"testsrc=r={rate}:s=64x48:d={SECONDS}")
            ffmpeg(*pictures, *before, "-i", sound[0], "-map", "0:v", "-map", "1:a", *options, made[key])
        return made[key]

    return clip


def lag_of(heard: np.ndarray, source: np.ndarray) -> int:
    """Samples by which `heard` comes later than `source`, by plain cross-correlation."""
    size = 2 * max(len(heard), len(source))
    spectrum = np.fft.rfft(heard, size) * np.conj(np.fft.rfft(source, size))
    lag = int(np.argmax(np.fft.irfft(spectrum, size)))
    return lag - size if lag > size // 2 else lag


@needs_ffmpeg
@pytest.mark.parametrize("name", KINDS)
def test_sound_lies_beside_the_picture_where_it_was_put(name: str, clips, sound) -> None:
    options, exact = KINDS[name]
    path = clips(name, *options)
    info = picture_info(path)
    with open_audio(path) as audio:
        heard = audio.read(0, audio.info.length_samples)
    assert audio.info.rate == RATE
    assert heard.shape == (audio.info.length_samples, 2)
    lag = lag_of(heard[:, 0], sound[1][:, 0])
    # Matroska stamps in milliseconds, both the sound's and the picture's; everything else names the sample.
    allowed = Fraction(1, 1000) if name.endswith(".mkv") else 0
    assert abs(info.audio_start_s + Fraction(lag, RATE)) <= allowed
    if exact:
        assert lag == 0
        np.testing.assert_array_equal(heard, sound[1].astype(heard.dtype)[: len(heard)])
        assert len(heard) == len(sound[1])
    else:
        assert (
            0 <= len(heard) - lag - len(sound[1]) + 1536 <= 2 * 1536
        )  # what fills the encoder's last pieces


@needs_ffmpeg
@pytest.mark.parametrize("name", KINDS)
def test_any_stretch_reads_as_it_does_from_the_beginning(name: str, clips) -> None:
    with open_audio(clips(name, *KINDS[name][0])) as audio:
        whole = np.concatenate(list(audio.blocks(10_000)))
        assert len(whole) == audio.info.length_samples
        # AC-3 fills quiet bands with noise of its own (A/52, 7.3.4): a hundred-thousandth of full scale.
        allowed = 1e-4 if name.startswith("ac3") else 1e-6
        for start in (0, 1, 95_000, len(whole) - 300, 47_999, 120_001, 200_000, 60_000, 0):
            piece = audio.read(start, 2_500)
            assert len(piece) == min(2_500, len(whole) - start)
            np.testing.assert_allclose(piece, whole[start : start + 2_500], atol=allowed)
        assert audio.read(len(whole), 10).shape == (0, 2)


@needs_ffmpeg
def test_several_threads_read_at_once(clips) -> None:
    with open_audio(clips("aac.mp4", *KINDS["aac.mp4"][0])) as audio:
        whole = audio.read(0, audio.info.length_samples)
        wrong = []

        def read(first: int) -> None:
            for start in range(first, first + 40_000, 4_000):
                if np.abs(audio.read(start, 4_000) - whole[start : start + 4_000]).max() > 1e-6:
                    wrong.append(start)

        threads = [
            threading.Thread(target=read, args=(first,)) for first in (0, 50_000, 100_000, 150_000, 200_000)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert not wrong


@needs_ffmpeg
@pytest.mark.parametrize("name", ["pcm24.mov", "aac.mp4", "pcm24.mkv"])
@pytest.mark.parametrize("late_s", [Fraction(1, 2), Fraction(-1, 4)])
def test_sound_that_begins_earlier_or_later_than_the_picture_says_so(
    name: str, late_s: Fraction, clips, sound
) -> None:
    path = clips(name, *KINDS[name][0], before=("-itsoffset", float(late_s)))
    info = picture_info(path)
    with open_audio(path) as audio:
        lag = lag_of(audio.read(0, audio.info.length_samples)[:, 0], sound[1][:, 0])
    # The edit list counts the movie's time scale, a millisecond here, as Matroska does.
    assert abs(info.audio_start_s + Fraction(lag, RATE) - late_s) <= Fraction(1, 1000)


@needs_ffmpeg
def test_an_edit_list_that_leaves_out_more_is_followed_to_the_sample(clips, tmp_path: Path) -> None:
    """ISO/IEC 14496-12: the second number of an edit is where the media begins; 2112 is what some encoders put before."""
    plain = clips("aac.mp4", *KINDS["aac.mp4"][0])
    data = bytearray(plain.read_bytes())
    place = data.rfind(b"elst") + 16
    assert struct.unpack(">i", data[place : place + 4]) == (1024,)  # the encoder's own delay
    data[place : place + 4] = struct.pack(">i", 2112)
    other = tmp_path / "edited.mp4"
    other.write_bytes(data)
    with open_audio(plain) as one, open_audio(other) as two:
        np.testing.assert_allclose(two.read(0, 50_000), one.read(2112 - 1024, 50_000), atol=1e-6)
        np.testing.assert_allclose(two.read(150_000, 500), one.read(150_000 + 2112 - 1024, 500), atol=1e-6)


@needs_ffmpeg
def test_several_streams_stand_side_by_side_on_one_clock(sound, tmp_path: Path) -> None:
    path = tmp_path / "four.mov"
    ffmpeg(
        *(
            "-f",
            "lavfi",
            "-i",
            f"testsrc=r=25:s=64x48:d={SECONDS}",
            "-i",
            sound[0],
            "-itsoffset",
            "0.5",
            "-i",
            sound[0],
        ),
        *("-map", "0:v", "-map", "1:a", "-map", "2:a", "-c:v", "mpeg4", "-c:a", "pcm_s24le", path),
    )
    with open_audio(path) as audio:
        heard = audio.read(0, audio.info.length_samples)
    assert heard.shape == (SECONDS * RATE + RATE // 2, 4)
    np.testing.assert_array_equal(heard[: SECONDS * RATE, :2], sound[1].astype(np.float32))
    np.testing.assert_array_equal(heard[RATE // 2 :, 2:], sound[1].astype(np.float32))
    assert not heard[: RATE // 2, 2:].any()


@needs_ffmpeg
def test_a_stream_nobody_can_decode_and_a_tag_in_another_alphabet_do_not_stop_the_rest(
    sound, tmp_path: Path
) -> None:
    path = tmp_path / "odd.mov"
    ffmpeg(
        *(
            "-f",
            "lavfi",
            "-i",
            f"testsrc=r=25:s=64x48:d={SECONDS}",
            "-i",
            sound[0],
            "-metadata",
            "title=cafX",
        ),
        *(
            "-map",
            "0:v",
            "-map",
            "1:a",
            "-map",
            "1:a",
            "-c:v",
            "mpeg4",
            "-c:a:0",
            "pcm_s24le",
            "-c:a:1",
            "pcm_s16le",
            path,
        ),
    )
    data = path.read_bytes()
    assert data.count(b"sowt") == 1
    path.write_bytes(data.replace(b"sowt", b"z?z?").replace(b"cafX", b"caf\xe9"))
    with open_audio(path) as audio:
        assert audio.info.channels == 2
        assert audio.info.recoveries == (
            "Sound stream 2 (unknown code) cannot be decoded; it is damaged, empty or not sound.",
        )
        np.testing.assert_array_equal(audio.read(0, 1000), sound[1].astype(np.float32)[:1000])
    assert [stream.codec for stream in picture_info(path).streams] == ["mpeg4", "pcm_s24le", "unknown code"]


@needs_ffmpeg
@pytest.mark.parametrize(
    ("name", "rate", "timecode", "counted"),
    [
        ("pcm24.mov", "30000/1001", "00:59:59;28", "29.97 DF"),
        ("pcm24.mov", "30000/1001", "00:59:59:28", "29.97 NDF"),
        ("pcm24.mov", "24000/1001", "23:59:58:23", "23.976"),
        ("pcm24.mov", "60000/1001", "10:01:00;04", "59.94 DF"),
        ("aac.mp4", "25", "10:00:00:00", "25"),
        ("aac.mp4", "50", "10:00:00:49", "50"),
        ("pcm24.mxf", "25", "10:11:12:13", "25"),
        ("pcm24.mxf", "30000/1001", "01:10:00;00", "29.97 DF"),
        ("ac3.mts", "25", "10:11:12:13", "25"),
        ("ac3.mts", "30000/1001", "01:11:00;02", "29.97 DF"),
    ],
)
def test_start_timecode_and_rate_are_exact(name: str, rate: str, timecode: str, counted: str, clips) -> None:
    info = picture_info(clips(name, *KINDS[name][0], "-timecode", timecode, rate=rate))
    kept = TimecodeRate.parse(counted)
    assert info.frame_rate == Fraction(rate) == kept.real
    assert info.start_timecode == Timecode.parse(timecode, kept)
    assert not info.variable_frame_rate
    due = {"mov": "timecode track", "mp4": "timecode track", "mxf": "file", "mts": "first picture"}
    assert info.timecode_from == due[name[-3:]]


@needs_ffmpeg
def test_without_timecode_there_is_none(clips) -> None:
    info = picture_info(clips("aac.mkv", *KINDS["aac.mkv"][0]))
    assert info.start_timecode is None
    assert info.timecode_from is None
    assert info.container == "Matroska"
    assert [stream.kind for stream in info.streams] == ["pictures", "sound"]


@needs_ffmpeg
@pytest.mark.parametrize("name", ["aac.mp4", "aac.mkv"])
def test_an_uneven_picture_rate_is_told(name: str, sound, tmp_path: Path) -> None:
    path = tmp_path / name
    uneven = "setpts='if(lt(N,60),N,60+(N-60)*1.4)/25/TB'"
    ffmpeg(
        *("-f", "lavfi", "-i", f"testsrc=r=25:s=64x48:d={SECONDS}", "-i", sound[0], "-vf", uneven),
        *("-vsync", "vfr", *KINDS[name][0], path),
    )
    info = picture_info(path)
    assert info.variable_frame_rate
    assert "uneven rate" in info.notes[0]
    assert not picture_info_of_even(name, tmp_path, sound).variable_frame_rate


def picture_info_of_even(name: str, folder: Path, sound):
    path = folder / f"even-{name}"
    pictures = ("-f", "lavfi", "-i", f"testsrc=r=30000/1001:s=64x48:d={SECONDS}")
    ffmpeg(*pictures, "-i", sound[0], *KINDS[name][0], path)
    return picture_info(path)


@needs_ffmpeg
def test_a_camera_file_measures_like_the_sound_in_it(clips, sound) -> None:
    measured = measure_file(clips("pcm24.mov", *KINDS["pcm24.mov"][0]), workers=2)
    plain = measure_file(sound[0])
    assert measured.format.container == "MOV"
    assert measured.format.encoding == "int24"
    assert [track.integrated_lufs for track in measured.tracks] == pytest.approx(
        [track.integrated_lufs for track in plain.tracks], abs=1e-9
    )


@needs_ffmpeg
def test_a_file_of_pictures_alone_is_said_to_have_no_sound(tmp_path: Path) -> None:
    path = tmp_path / "mute.mov"
    ffmpeg("-f", "lavfi", "-i", "testsrc=r=25:s=64x48:d=1", "-c:v", "mpeg4", path)
    with pytest.raises(FileError, match="has no sound"):
        open_audio(path)
    info = picture_info(path)
    assert info.frame_rate == 25
    assert info.audio_start_s == 0
    assert "no sound" in info.notes[0]


@needs_ffmpeg
def test_a_file_of_sound_alone_has_no_pictures(sound, tmp_path: Path) -> None:
    path = tmp_path / "sound.m4a"
    ffmpeg("-i", sound[0], "-c:a", "alac", path)
    info = picture_info(path)
    assert info.frame_rate is None
    assert info.length_s == SECONDS
    assert read_info(path).length_samples == SECONDS * RATE


@needs_ffmpeg
def test_a_recording_that_was_never_finished_is_one_sentence(clips, tmp_path: Path) -> None:
    whole = clips("pcm24.mov", *KINDS["pcm24.mov"][0]).read_bytes()
    path = tmp_path / "unfinished.mov"
    path.write_bytes(whole[: len(whole) // 2])  # the index stands at the end
    for read in (open_audio, picture_info):
        with pytest.raises(FileError, match="never finished"):
            read(path)


@needs_ffmpeg
def test_a_cut_file_is_read_as_far_as_it_goes(clips, sound, tmp_path: Path) -> None:
    whole = clips("pcm24.mov", *KINDS["pcm24.mov"][0], "-movflags", "+faststart").read_bytes()
    path = tmp_path / "cut.mov"
    path.write_bytes(whole[: len(whole) // 2])
    with open_audio(path) as audio:
        count = audio.info.length_samples
        assert 0.3 * len(sound[1]) < count < 0.7 * len(sound[1])
        np.testing.assert_array_equal(audio.read(0, count), sound[1].astype(np.float32)[:count])


def test_what_only_looks_like_a_camera_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "liar.mp4"
    path.write_bytes(b"\0\0\0\x18ftypqt  " + bytes(5_000))
    for read in (open_audio, picture_info):
        with pytest.raises(FileError, match=r"liar\.mp4 cannot be read"):
            read(path)
    path.write_text("not a film at all, only words")
    with pytest.raises(FileError, match="no camera file"):
        picture_info(path)


@pytest.mark.parametrize(
    ("start", "kind"),
    [
        (b"\0\0\0\x14ftypqt  ", "mov"),
        (b"\0\0\0\x08wide", "mov"),
        (bytes.fromhex("060e2b34020501010d01020101020400"), "mxf"),
        (bytes.fromhex("1a45dfa3a3428681"), "matroska"),
        ((b"\x47" + bytes(187)) * 3, "mpegts"),
        ((bytes(4) + b"\x47" + bytes(187)) * 3, "mpegts"),
        (b"RIFF\x24\0\0\0WAVEfmt ", None),
        (b"\x47\x47\x47 text that begins with G", None),
        (b"", None),
    ],
)
def test_kinds_are_told_by_their_first_bytes(start: bytes, kind: str | None) -> None:
    assert picture_kind(start) == kind


# ISO/IEC 13818-2, 6.2.2.6: time_code is drop_frame_flag 1, hours 5, minutes 6, marker 1, seconds 6, pictures 6 bits.
def test_a_group_of_pictures_says_its_timecode() -> None:
    word = int("1" + f"{13:05b}" + f"{11:06b}" + "1" + f"{0:06b}" + f"{2:06b}", 2)
    found = picture_group_timecode(word.to_bytes(8, "little"), Fraction(30_000, 1001))
    assert found == Timecode.parse("13:11:00;02", TimecodeRate.parse("29.97DF"))
    assert picture_group_timecode((63).to_bytes(8, "little"), Fraction(25)) is None  # picture 63 of 25


def test_packed_digits_of_a_picture_are_read() -> None:
    digits = (
        0x18 << 24 | 0x59 << 16 | 0x34 << 8 | 0x12
    )  # frames, seconds, minutes, hours, as they are written
    one = struct.pack("<2I", 1, digits)
    assert packed_timecode(one, Fraction(25)) == Timecode.parse("12:34:59:18", TimecodeRate.parse("25"))
    pair = struct.pack("<2I", 1, digits | 1 << 7)
    assert packed_timecode(pair, Fraction(50)) == Timecode.parse("12:34:59:37", TimecodeRate.parse("50"))
    assert packed_timecode(struct.pack("<2I", 0, 0), Fraction(25)) is None
    dropping = struct.pack("<2I", 1, 1 << 30 | 2 << 24 | 0x01 << 8)
    assert packed_timecode(dropping, Fraction(30_000, 1001)) == Timecode.parse(
        "00:01:00;02", TimecodeRate.parse("29.97DF")
    )


@pytest.mark.parametrize(
    ("written", "exact"),
    [
        ("2997/100", "30000/1001"),
        ("23976/1000", "24000/1001"),
        ("25", "25"),
        ("24", "24"),
        ("18", "18"),
        ("119880/2000", "60000/1001"),
    ],
)
def test_rounded_rates_mean_exact_ones(written: str, exact: str) -> None:
    assert standard_rate(Fraction(written)) == Fraction(exact)
