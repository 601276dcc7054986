"""The invented day is what its truth says: every file, every planted thing, and nothing else.

Sound is read by libsndfile and judged here by slow checks of the test's own; headers are read by wavinfo.
"""

import json
import shutil
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
import wavinfo

from takewell.demo import Planted, Truth, TruthTake, TruthTrack, write_day
from takewell.roll import loose
from takewell.wave import open_audio

RATE = 48_000


def level_dbfs(samples: np.ndarray) -> float:
    """AES17: a full-scale sine reads 0."""
    return float(10 * np.log10(2 * np.mean(np.square(samples, dtype=np.float64)) + 1e-40))


@dataclass(frozen=True)
class Day:
    folder: Path
    truth: Truth

    def take(self, name: str) -> TruthTake:
        return next(take for take in self.truth["takes"] if take["take"] == name)

    def track(self, take: str, name: str) -> TruthTrack:
        return next(t for t in self.truth["tracks"] if (t["take"], t["name"]) == (take, name))

    def planted(self, take: str, name: str, kind: str) -> list[Planted]:
        found = [p for p in self.truth["planted"] if (p["take"], p["name"], p["kind"]) == (take, name, kind)]
        assert found, f"nothing of kind {kind} planted on {take} {name}"
        return found

    def path(self, file: str) -> Path:
        return self.folder / self.truth["card"] / file

    def file(self, take: str, encoding: str) -> np.ndarray:
        """The (n, channels) samples of one side of a take, through its continuation files."""
        pieces = []
        for file in self.take(take)["files"]:
            if file["encoding"] != encoding:
                continue
            if file["finalised"]:
                pieces.append(soundfile.read(self.path(file["file"]), dtype="float32", always_2d=True)[0])
            else:
                with open_audio(self.path(file["file"])) as audio:
                    pieces.append(audio.read(0, audio.info.length_samples))
        return np.concatenate(pieces)

    def samples(self, take: str, name: str) -> np.ndarray:
        """One track, (n,)."""
        track = self.track(take, name)
        return self.file(take, track["encoding"])[:, track["channel"] - 1]


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Day]:
    folder = tmp_path_factory.mktemp("day")
    yield Day(folder, write_day(folder))
    shutil.rmtree(folder)


def test_truth_file_holds_what_was_returned(day: Day) -> None:
    assert json.loads((day.folder / "truth.json").read_text(encoding="utf-8")) == day.truth


def test_day_lasts_about_ten_minutes_in_8_to_13_tracks(day: Day) -> None:
    seconds = sum(take["length_samples"] for take in day.truth["takes"]) / RATE
    assert 9 * 60 <= seconds <= 11 * 60
    counts = {
        take["take"]: sum(t["take"] == take["take"] for t in day.truth["tracks"])
        for take in day.truth["takes"]
    }
    assert counts.pop("LINEUP-1") == 2
    assert set(counts.values()) == {8, 9, 13}
    assert len(day.truth["takes"]) == 12


def test_card_stays_under_a_gigabyte_and_holds_a_text_report(day: Day) -> None:
    files = [path for path in (day.folder / day.truth["card"]).rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 1_000_000_000
    (report,) = day.truth["other_files"]
    text = day.path(report).read_text(encoding="utf-8")
    named = {file["file"].split("/")[-1] for take in day.truth["takes"] for file in take["files"]}
    assert all(name in text for name in named)
    assert {path.name for path in files} == named | {day.path(report).name}


def test_everything_the_job_must_find_is_planted(day: Day) -> None:
    kinds = {p["kind"] for p in day.truth["planted"]}
    assert kinds == {
        *("over_full_scale", "clipped", "low_level", "high_level", "hum", "dropout", "digital_silence"),
        *("dead_track", "noisy", "nonfinite", "dc_offset", "recovered_file"),
    }


def test_every_planted_thing_lies_on_a_track_or_file_of_its_take_and_inside_it(day: Day) -> None:
    for p in day.truth["planted"]:
        take = day.take(p["take"])
        assert p["file"] in {file["file"] for file in take["files"]}
        assert 0 <= p["start_s"] < p["end_s"] <= take["length_samples"] / RATE + 0.1
        assert p["accept"][0] == p["kind"]
        if p["track"]:
            (track,) = [t for t in day.truth["tracks"] if (t["take"], t["track"]) == (p["take"], p["track"])]
            assert (track["name"], track["clean"]) == (p["name"], False)
            assert p["file"] == track["files"][0]


def test_tracks_are_numbered_isos_first(day: Day) -> None:
    for take in day.truth["takes"]:
        tracks = [t for t in day.truth["tracks"] if t["take"] == take["take"]]
        assert [t["track"] for t in tracks] == list(range(1, len(tracks) + 1))
        encodings = [t["encoding"] for t in tracks]
        assert encodings == sorted(encodings, key=["float32", "int24"].index)


def test_libsndfile_reads_every_finalised_file_as_described(day: Day) -> None:
    for take in day.truth["takes"]:
        for file in take["files"]:
            if not file["finalised"]:
                continue
            info = soundfile.info(day.path(file["file"]))
            subtype = {"float32": "FLOAT", "int24": "PCM_24"}[file["encoding"]]
            assert (info.frames, info.channels, info.samplerate, info.subtype) == (
                *(file["length_samples"], file["channels"]),
                *(RATE, subtype),
            )


def test_a_roll_of_the_card_has_the_takes_and_tracks_of_the_truth(day: Day) -> None:
    roll = loose([day.folder / day.truth["card"]])
    assert roll.warnings == ()
    assert list(roll.other_files) == day.truth["other_files"]
    assert [(t.id, t.scene, t.take, t.kind, t.length_samples) for t in roll.takes] == [
        (t["take"], t["scene"], t["take_name"], t["kind"], t["length_samples"]) for t in day.truth["takes"]
    ]
    assert [(t.id, k.number, k.name, k.role, k.channel) for t in roll.takes for k in t.tracks] == [
        (t["take"], t["track"], t["name"], t["role"], t["channel"]) for t in day.truth["tracks"]
    ]


@pytest.mark.outside
def test_wavinfo_reads_scene_take_family_and_track_names(day: Day) -> None:
    families: dict[str, set[str]] = {}
    for take in day.truth["takes"]:
        for file in take["files"]:
            if not file["finalised"]:
                continue
            info = wavinfo.WavInfoReader(str(day.path(file["file"])))
            assert (info.ixml.scene, info.ixml.take) == (take["scene"], take["take_name"])
            assert info.ixml.project == day.truth["title"]
            assert info.bext.time_reference == file["time_reference"]
            families.setdefault(take["take"], set()).add(info.ixml.family_uid)
            names = [t["name"] for t in day.truth["tracks"] if file["file"] in t["files"]]
            assert [track.name for track in info.ixml.track_list] == names
    assert all(len(uids) == 1 for uids in families.values())
    assert len(set.union(*families.values())) == len(families)


def test_time_references_count_samples_from_midnight(day: Day) -> None:
    # 09:12:04:05 at 25 frames of 1920 samples.
    assert day.take("10A-1")["time_reference"] == ((9 * 60 + 12) * 60 + 4) * RATE + 5 * 1920
    starts = [take["time_reference"] for take in day.truth["takes"]]
    ends = [take["time_reference"] + take["length_samples"] for take in day.truth["takes"]]
    assert all(end < start for end, start in zip(ends, starts[1:], strict=False))


def test_continuation_files_follow_to_the_sample(day: Day) -> None:
    for encoding in ("float32", "int24"):
        files = [f for f in day.take("20A-2")["files"] if f["encoding"] == encoding]
        assert len(files) == 3
        for one, following in pairwise(files):
            assert one["time_reference"] + one["length_samples"] == following["time_reference"]


def test_unfinalised_files_say_zero_or_all_ones_and_end_inside_a_sample(day: Day) -> None:
    sizes = []
    for file in day.take("30A-2")["files"]:
        assert not file["finalised"]
        raw = day.path(file["file"]).read_bytes()
        at = raw.index(b"data")
        sizes.append((struct.unpack("<I", raw[4:8])[0], struct.unpack("<I", raw[at + 4 : at + 8])[0]))
        block = file["channels"] * (4 if file["encoding"] == "float32" else 3)
        whole, rest = divmod(len(raw) - at - 8, block)
        assert rest
        assert whole == file["length_samples"]
        with open_audio(day.path(file["file"])) as audio:
            assert audio.info.length_samples == file["length_samples"]
    assert sizes == [(0, 0), (0xFFFFFFFF, 0xFFFFFFFF)]


def test_clean_tracks_are_clean(day: Day) -> None:
    for take in day.truth["takes"]:
        for encoding in ("float32", "int24"):
            tracks = [
                t for t in day.truth["tracks"] if (t["take"], t["encoding"]) == (take["take"], encoding)
            ]
            if tracks:
                samples = day.file(take["take"], encoding)
                for track in tracks:
                    if track["clean"]:
                        assert_clean(
                            samples[:, track["channel"] - 1], f"{take['take']} {track['name']}", take
                        )


def assert_clean(samples: np.ndarray, place: str, take: TruthTake) -> None:
    assert np.isfinite(samples).all(), place
    # Nothing near a rail, so nothing over it and nothing flat at it.
    assert np.abs(samples).max() < 0.9, place
    steps = samples[: len(samples) // 480 * 480].reshape(-1, 480).astype(np.float64)
    energy = np.mean(steps**2, axis=1)
    if take["kind"] == "tone":
        assert np.ptp(10 * np.log10(energy)) < 0.1
        return
    # No 10 ms step far under the quietest second: no dropout, no silence. Ten milliseconds of room noise hold few
    # independent values (its energy lies at 80 to 300 Hz), so single steps fall up to some 10 dB below the mean.
    second = np.convolve(energy, np.ones(100) / 100, mode="valid").min()
    assert 10 * np.log10(energy.min() / second) > -12, place
    # Two equal neighbours now and then, but no held value.
    held = np.flatnonzero(np.diff(np.flatnonzero(np.diff(samples) != 0)) > 16)
    assert not len(held), place
    # No direct current: the low cut leaves noise around zero, whose mean over the take is far smaller than this.
    assert abs(samples.mean(dtype=np.float64)) < 2e-5, place
    head = samples[2400 : round(1.4 * RATE)].astype(np.float64)
    assert -76 < level_dbfs(head) < -60, place
    # No mains: in the take's quiet head 50 Hz and its harmonics stand no higher than their neighbourhood.
    freqs, power = scipy.signal.periodogram(head, RATE, window="hann")
    for order in range(1, 8):
        near = np.abs(freqs - 50 * order) < 24
        line = np.abs(freqs - 50 * order) < 1.5
        # 24 Hz of noise in bins of 0.74 Hz: the largest of some 6 exponential values against the median of some 60.
        assert power[line].max() < 30 * np.median(power[near]), f"{place} {50 * order} Hz"
    if take["kind"] == "take":
        # Speech: the loud steps stand more than 25 dB over the floor.
        assert 10 * np.log10(np.percentile(energy, 95) / second) > 25, place


def test_floors_lie_where_the_truth_says(day: Day) -> None:
    # 1.4 s of noise whose energy lies within some 150 Hz: its mean square strays by 1/sqrt(150 * 1.4) = 7 %
    # (0.3 dB) at one standard deviation; three of them.
    for take in day.truth["takes"]:
        for encoding in ("float32", "int24"):
            tracks = [
                t
                for t in day.truth["tracks"]
                if (t["take"], t["encoding"]) == (take["take"], encoding)
                and t["floor_dbfs"] is not None
                and (t["clean"] or take["take"] in ("10A-2", "10B-1"))
            ]
            if tracks:
                samples = day.file(take["take"], encoding)[2400 : round(1.4 * RATE)]
                for track in tracks:
                    assert level_dbfs(samples[:, track["channel"] - 1]) == pytest.approx(
                        track["floor_dbfs"], abs=0.9
                    )


def test_speech_on_clean_lavaliers_lies_at_a_recordists_level(day: Day) -> None:
    worn = [t for t in day.truth["tracks"] if t["talker"] and t["clean"] and t["take"] != "10A-2"]
    assert len(worn) >= 20
    for track in worn:
        assert -30 <= track["talk_dbfs"] <= -20


def test_lines_are_spoken_where_the_truth_says(day: Day) -> None:
    take = day.take("10A-1")
    samples = day.samples("10A-1", "Lav Mira")
    for line in take["lines"]:
        said = samples[round(line["start_s"] * RATE) : round(line["end_s"] * RATE)]
        assert level_dbfs(said) > (-28 if line["voice"] == "mira" else -48)
    first = round(take["lines"][0]["start_s"] * RATE)
    assert level_dbfs(samples[first - RATE : first]) < -70


def test_safety_copies_are_the_isos_in_24_bits(day: Day) -> None:
    for take in ("10A-1", "10A-2", "20A-1"):
        for track in [t for t in day.truth["tracks"] if t["take"] == take and t["role"] == "safety"]:
            iso = day.samples(take, track["name"].removesuffix(" safety")).astype(np.float64)
            copy = day.samples(take, track["name"])
            assert np.abs(np.clip(iso, -1, 1 - 2.0**-23) - copy).max() <= 2.0**-24 + 1e-12


def test_shout_is_whole_in_float_and_flat_in_24_bits(day: Day) -> None:
    lines = {line["start_s"]: line for line in day.take("10A-2")["lines"]}
    for name in ("Lav Mira", "Boom", "Lav Tobin"):
        (over,) = day.planted("10A-2", name, "over_full_scale")
        iso = day.samples("10A-2", name)
        at = np.flatnonzero(np.abs(iso) > 1)
        assert (at[0] / RATE, (at[-1] + 1) / RATE) == (over["start_s"], over["end_s"])
        assert len(at) == over["numbers"]["samples_over_full_scale"]
        assert 20 * np.log10(np.abs(iso).max()) == pytest.approx(over["numbers"]["sample_peak_dbfs"])
        # Whole: nowhere two equal neighbours over full scale.
        assert not ((np.abs(iso[1:]) > 1) & (iso[1:] == iso[:-1])).any()
        (clipped,) = day.planted("10A-2", f"{name} safety", "clipped")
        copy = day.samples("10A-2", f"{name} safety")
        flat = np.flatnonzero((copy >= 1 - 2.0**-23) | (copy <= -1 + 2.0**-23))
        assert (flat[0] / RATE, (flat[-1] + 1) / RATE) == (clipped["start_s"], clipped["end_s"])
        inside = [
            line
            for line in lines.values()
            if over["start_s"] < line["end_s"] and line["start_s"] < over["end_s"]
        ]
        assert {line["effort"] for line in inside} == {"shout"}


def test_moved_gain_moves_speech_and_floor_together(day: Day) -> None:
    (low,) = day.planted("10B-1", "Lav Mira", "low_level")
    (high,) = day.planted("10B-1", "Lav Mira", "high_level")
    assert (low["numbers"]["gain_db"], high["numbers"]["gain_db"]) == (-60, 60)
    assert low["end_s"] == high["start_s"]
    iso = day.samples("10B-1", "Lav Mira").astype(np.float64)
    floor = day.track("10B-1", "Lav Mira")["floor_dbfs"]
    talk = {0.0: [], -60.0: [], 60.0: []}
    for line in day.take("10B-1")["lines"]:
        if line["voice"] != "mira":
            continue
        for passage, gain_db in ((low, -60.0), (high, 60.0)):
            if passage["start_s"] < line["start_s"] and line["end_s"] < passage["end_s"]:
                talk[gain_db].append(line)
        if line["end_s"] < low["start_s"] or line["start_s"] > high["end_s"]:
            talk[0.0].append(line)
    levels = {
        gain_db: np.mean(
            [level_dbfs(iso[round(x["start_s"] * RATE) : round(x["end_s"] * RATE)]) for x in lines]
        )
        for gain_db, lines in talk.items()
    }
    # The voice itself differs by a decibel or two from line to line.
    assert levels[-60.0] == pytest.approx(levels[0.0] - 60, abs=2.5)
    assert levels[60.0] == pytest.approx(levels[0.0] + 60, abs=2.5)
    # Both steps but the last lie in pauses: the floor steps by as much.
    for at_s, before_db, after_db in ((low["start_s"], 0, -60), (high["start_s"], -60, 60)):
        at = round(at_s * RATE)
        assert level_dbfs(iso[at - 2400 : at]) < floor + before_db + 12
        jump = level_dbfs(iso[at : at + 240]) - level_dbfs(iso[at - 240 : at])
        assert jump == pytest.approx(after_db - before_db, abs=8)
    # Whole at +60 dB: 50 dB over full scale and no flat top.
    assert np.abs(iso).max() > 100
    # The last step falls into a word, and undoing it leaves no step: the sound runs on.
    at = round(high["end_s"] * RATE)
    whole = iso[at - 400 : at + 400].copy()
    whole[:400] /= 1000
    assert abs(whole[400] - whole[399]) <= 1.5 * np.abs(np.diff(whole)).max()
    assert np.abs(whole).max() > 1e-3


def test_lifted_low_passage_has_a_floor_near_minus_70(day: Day) -> None:
    # Common practice, no source: float keeps the floor of a passage recorded 60 dB low.
    (low,) = day.planted("10B-1", "Lav Mira", "low_level")
    iso = day.samples("10B-1", "Lav Mira")[round(low["start_s"] * RATE) : round(low["end_s"] * RATE)] * 1000.0
    steps = iso[: len(iso) // 4800 * 4800].reshape(-1, 4800).astype(np.float64)
    quietest = 10 * np.log10(2 * np.percentile(np.mean(steps**2, axis=1), 3))
    assert -76 < quietest < -66


def test_hum_is_of_the_stated_frequency_and_level(day: Day) -> None:
    for name in ("Lav Yusa", "Lav Yusa safety"):
        (hum,) = day.planted("20A-1", name, "hum")
        samples = day.samples("20A-1", name).astype(np.float64)
        # 92 s: bins of 0.011 Hz; the whole take's amplitude at the stated frequency against its neighbours.
        n = np.arange(len(samples))
        window = np.hanning(len(samples))

        def tone_dbfs(
            freq_hz: float, x: np.ndarray = samples, w: np.ndarray = window, n: np.ndarray = n
        ) -> float:
            return float(
                20 * np.log10(2 * abs(np.sum(x * w * np.exp(-2j * np.pi * freq_hz / RATE * n))) / w.sum())
            )

        assert tone_dbfs(hum["numbers"]["frequency_hz"]) == pytest.approx(
            hum["numbers"]["level_dbfs"], abs=0.1
        )
        assert tone_dbfs(50.0) < hum["numbers"]["level_dbfs"] - 6
        assert tone_dbfs(3 * 49.97) == pytest.approx(hum["numbers"]["level_dbfs"] - 3, abs=0.2)


def test_dropouts_leave_only_the_converters_noise_in_mid_word(day: Day) -> None:
    dropouts = day.planted("20A-1", "Lav Tobin", "dropout")
    assert len(dropouts) == 3
    samples = day.samples("20A-1", "Lav Tobin")
    for p in dropouts:
        first, last = round(p["start_s"] * RATE), round(p["end_s"] * RATE)
        assert last - first == 3840
        assert level_dbfs(samples[first:last]) == pytest.approx(-118, abs=0.5)
        floor = day.track("20A-1", "Lav Tobin")["floor_dbfs"]
        assert level_dbfs(samples[first - 2400 : first]) > floor + 20
        assert level_dbfs(samples[last : last + 2400]) > floor + 20


def test_muted_track_is_exactly_zero_and_its_safety_copy_whole(day: Day) -> None:
    (muted,) = day.planted("20A-2", "Lav Anselm", "digital_silence")
    samples = day.samples("20A-2", "Lav Anselm")
    first, last = round(muted["start_s"] * RATE), round(muted["end_s"] * RATE)
    assert not samples[first:last].any()
    assert np.count_nonzero(samples[first - 100 : first]) == 100
    assert np.count_nonzero(samples[last : last + 100]) == 100
    assert day.track("20A-2", "Lav Anselm safety")["clean"]
    # Anselm speaks meanwhile: something was lost.
    assert level_dbfs(day.samples("20A-2", "Lav Anselm safety")[first:last]) > -36


def test_dead_track_holds_the_converters_noise(day: Day) -> None:
    (dead,) = day.planted("20A-2", "Pair R", "dead_track")
    samples = day.samples("20A-2", "Pair R")
    assert dead["end_s"] == len(samples) / RATE
    assert level_dbfs(samples) == pytest.approx(-118, abs=0.1)


def test_hiss_lies_close_under_the_speech(day: Day) -> None:
    for name in ("Lav Anselm", "Lav Anselm safety"):
        (noisy,) = day.planted("30A-1", name, "noisy")
        head = day.samples("30A-1", name)[2400 : round(1.4 * RATE)]
        # Wide noise: 0.05 dB at one standard deviation.
        assert level_dbfs(head) == pytest.approx(noisy["numbers"]["floor_dbfs"], abs=0.2)
        assert day.track("30A-1", name)["talk_dbfs"] - noisy["numbers"]["floor_dbfs"] < 12


def test_too_low_track_is_as_much_too_low_as_stated(day: Day) -> None:
    (low,) = day.planted("30A-1", "Lav Mira", "low_level")
    same_voice = day.track("30A-2", "Lav Mira")["talk_dbfs"]
    assert day.track("30A-1", "Lav Mira")["talk_dbfs"] == pytest.approx(
        same_voice + low["numbers"]["gain_db"], abs=2.5
    )


def test_direct_current_is_as_stated(day: Day) -> None:
    (offset,) = day.planted("30B-1", "Pair L", "dc_offset")
    mean = day.samples("30B-1", "Pair L").mean(dtype=np.float64)
    assert mean == pytest.approx(offset["numbers"]["dc_offset_fs"], abs=2e-5)


def test_samples_that_are_no_numbers_lie_where_stated(day: Day) -> None:
    samples = day.samples("30B-1", "Lav Mira")
    stated = np.zeros(len(samples), bool)
    for p in day.planted("30B-1", "Lav Mira", "nonfinite"):
        stated[round(p["start_s"] * RATE) : round(p["end_s"] * RATE)] = True
        assert p["end_s"] - p["start_s"] == pytest.approx(p["numbers"]["samples"] / RATE)
    assert np.array_equal(~np.isfinite(samples), stated)
    assert np.isfinite(day.samples("30B-1", "Lav Mira safety")).all()


def test_rough_mix_is_a_sum_of_the_isos(day: Day) -> None:
    isos = day.file("10A-1", "float32").astype(np.float64)
    mix = day.file("10A-1", "int24")[:, 0].astype(np.float64)
    gains, *_ = np.linalg.lstsq(isos, mix, rcond=None)
    assert np.allclose(20 * np.log10(gains), [-3, -1, -4], atol=0.001)
    # What is left is the rounding to 24 bits: 2^-23 / sqrt(12), -147.3 dBFS by AES17 (6.0206 N + 1.76 dB).
    assert level_dbfs(mix - isos @ gains) == pytest.approx(-(6.0206 * 24 + 1.76 - 0.0), abs=1.0)


def test_sound_arrives_when_the_truth_says(day: Day) -> None:
    # Only Mira speaks after the announcement; generalised cross-correlation with phase transform between her
    # lavalier and the boom (Knapp and Carter 1976).
    take = day.take("10-WT1")
    first = round(take["lines"][1]["start_s"] * RATE)
    lav, boom = (day.samples("10-WT1", name)[first:].astype(np.float64) for name in ("Lav Mira", "Boom"))
    size = 2 * len(lav)
    cross = np.fft.rfft(boom, size) * np.conj(np.fft.rfft(lav, size))
    # Speech holds nothing above 12 kHz.
    cross[int(8000 / RATE * size) :] = 0
    correlation = np.fft.irfft(cross / np.maximum(np.abs(cross), 1e-12), size)[:960]
    stated_ms = (
        day.track("10-WT1", "Boom")["arrival_ms"]["mira"]
        - day.track("10-WT1", "Lav Mira")["arrival_ms"]["mira"]
    )
    assert int(np.argmax(correlation)) == pytest.approx(stated_ms * RATE / 1000, abs=1.5)


def test_line_up_tone_reads_its_stated_level(day: Day) -> None:
    take = day.take("LINEUP-1")
    assert "1 kHz at -20 dBFS" in take["note"]
    pair = day.file("LINEUP-1", "int24")
    for samples in pair.T:
        assert level_dbfs(samples) == pytest.approx(-20, abs=0.001)
        crossings = np.count_nonzero((samples[:-1] < 0) & (samples[1:] >= 0))
        assert crossings == pytest.approx(1000 * len(samples) / RATE, abs=1)
