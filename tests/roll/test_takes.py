"""Files become takes: what belongs together, what each track is for, and what is said about the rest.

File and track names are common practice, no source; time stamps follow EBU Tech 3285 (TimeReference), iXML fields
the open iXML specification.
"""

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from takewell.roll import FileHeader, Note, Take, TrackLabel, group_takes

RATE = 48_000
TEN = 10 * 3600 * RATE
MINUTE = 60 * RATE


def only(headers: Sequence[FileHeader], **given: Any) -> Take:
    takes = group_takes(headers, **given).takes
    assert len(takes) == 1, [take.id for take in takes]
    return takes[0]


def roles(take: Take) -> list[str]:
    return [track.role for track in take.tracks]


def names(take: Take) -> list[str]:
    return [track.name for track in take.tracks]


ISOS = ["Boom", "Lav 1", "Lav 2", "Lav 3"]


class TestOneRecorderThreeFiles:
    """A float poly file of ISOs, its 24-bit copy and a stereo mix file."""

    def files(self, header: Any, **given: Any) -> list[FileHeader]:
        common = {"at": TEN, "scene": "14", "take": "2"} | given
        return [
            header("14-2.wav", channels=4, tracks=ISOS, **common),
            header("14-2_S.wav", channels=4, tracks=ISOS, encoding="int24", **common),
            header("14-2_MIX.wav", channels=2, tracks=["Mix L", "Mix R"], encoding="int24", **common),
        ]

    def test_it_is_one_take(self, header: Any) -> None:
        take = only(self.files(header))
        assert take.id == "14-2"
        assert (take.scene, take.take, take.kind) == ("14", "2", "take")
        assert roles(take) == ["iso"] * 4 + ["safety"] * 4 + ["mix"] * 2
        assert names(take) == ISOS + ISOS + ["Mix L", "Mix R"]
        assert [track.number for track in take.tracks] == list(range(1, 11))
        assert [track.copy_of for track in take.tracks] == [None] * 4 + [1, 2, 3, 4] + [None] * 2
        assert {track.encoding for track in take.tracks[:4]} == {"float32"}
        assert {track.encoding for track in take.tracks[4:8]} == {"int24"}
        assert [file.path for file in take.files] == ["14-2.wav", "14-2_S.wav", "14-2_MIX.wav"]
        assert str(take.start) == "10:00:00:00"
        assert take.date == "2031-05-04"
        assert take.warnings == ()

    def test_names_without_any_metadata_are_enough(self, header: Any) -> None:
        bare = [
            header(f.path, channels=f.info.channels, encoding=f.info.encoding) for f in self.files(header)
        ]
        take = only(bare)
        assert (take.id, take.scene, take.take) == ("14-2", "14", "2")
        assert roles(take) == ["iso"] * 4 + ["safety"] * 4 + ["mix"] * 2
        assert [track.copy_of for track in take.tracks] == [None] * 4 + [1, 2, 3, 4] + [None] * 2
        assert take.start is None

    def test_folders_named_after_the_copies_are_as_good(self, header: Any) -> None:
        files = [
            header("POLY/14-2.wav", channels=4),
            header("24 bit/14-2.wav", channels=4, encoding="int24"),
            header("Mix/14-2.wav", channels=2, encoding="int24"),
        ]
        take = only(files)
        assert take.id == "14-2"
        assert roles(take) == ["iso"] * 4 + ["safety"] * 4 + ["mix"] * 2

    def test_word_length_and_channels_tell_where_names_do_not(self, header: Any) -> None:
        files = [
            header("F0012.wav", channels=8, at=TEN),
            header("P0012.wav", channels=8, at=TEN, encoding="int24"),
            header("Q0012.wav", channels=2, at=TEN, encoding="int24"),
        ]
        assert roles(only(files)) == ["iso"] * 8 + ["safety"] * 8 + ["mix"] * 2

    def test_a_copy_may_hold_fewer_tracks(self, header: Any) -> None:
        files = [
            header("F0012.wav", channels=8, at=TEN),
            header("P0012.wav", channels=4, at=TEN, encoding="int24"),
        ]
        assert roles(only(files)) == ["iso"] * 8 + ["safety"] * 4

    def test_a_copy_that_ended_early_still_belongs(self, header: Any) -> None:
        whole, copy, mix = self.files(header)
        short = replace(copy, info=replace(copy.info, length_samples=20 * RATE))
        take = only([whole, short, mix])
        assert take.tracks[4].pieces[0].length_samples == 20 * RATE
        assert take.length_samples == 60 * RATE

    def test_a_copy_that_began_later_lies_where_its_stamp_says(self, header: Any) -> None:
        whole, copy, mix = self.files(header)
        assert copy.info.bext is not None
        late = replace(copy, info=replace(copy.info, bext=replace(copy.info.bext, time_reference=TEN + 480)))
        take = only([whole, late, mix])
        assert take.tracks[4].pieces[0].start_samples == 480
        assert take.length_samples == 60 * RATE + 480

    def test_a_mix_that_only_the_copy_has_stays_a_mix(self, header: Any) -> None:
        files = [
            header("1.wav", channels=4, tracks=ISOS, at=TEN),
            header("1_24.wav", channels=6, tracks=["Mix L", "Mix R", *ISOS], encoding="int24", at=TEN),
        ]
        assert roles(only(files)) == ["iso"] * 4 + ["mix"] * 2 + ["safety"] * 4

    def test_a_take_number_is_no_word_length(self, header: Any) -> None:
        for stamp in ({"at": TEN}, {}):
            files = [
                header("14-24.wav", channels=4, **stamp),
                header("14-24_S.wav", channels=4, encoding="int24", **stamp),
            ]
            assert roles(only(files)) == ["iso"] * 4 + ["safety"] * 4
            files = [
                header("14-2.wav", channels=4, **stamp),
                header("14-2_24.wav", channels=4, encoding="float32", **stamp),
            ]
            assert roles(only(files)) == ["iso"] * 4 + ["safety"] * 4

    def test_a_lone_safety_file_is_what_there_is(self, header: Any) -> None:
        assert roles(only([header("14-2_S.wav", encoding="int24", channels=2)])) == ["iso", "iso"]


def test_all_in_one_file_with_the_mix_in_front(header: Any) -> None:
    take = only([header("A.wav", channels=6, tracks=["MixL", "MixR", *ISOS], at=TEN)])
    assert roles(take) == ["mix", "mix", "iso", "iso", "iso", "iso"]
    functions = [("A", "L-MIX"), ("B", "R-MIX"), ("Boom", ""), ("Lav", "")]
    assert roles(only([header("A.wav", channels=4, tracks=functions, at=TEN)])) == [
        "mix",
        "mix",
        "iso",
        "iso",
    ]
    letters = ["L", "R", *ISOS]
    assert roles(only([header("A.wav", channels=6, tracks=letters)])) == ["mix", "mix"] + ["iso"] * 4
    assert roles(only([header("A.wav", channels=2, tracks=["L", "R"])])) == ["iso", "iso"]


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("Boom", "iso"), ("Camille", "iso"), ("Tony", "iso"), ("Lav 1", "iso"), ("Mixa", "iso"), ("Tonic", "iso"), ("Offred", "iso"), ("", "iso"),
        ("Mix", "mix"), ("MIX-L", "mix"), ("Stereo Mix R", "mix"), ("LR", "mix"), ("Mono mix", "mix"),
        ("TC", "timecode"), ("LTC", "timecode"), ("Timecode", "timecode"),
        ("Cam A", "camera"), ("Camera 2", "camera"), ("Cam scratch L", "camera"),
        ("Tone", "tone"), ("Line-up", "tone"), ("1 kHz", "tone"),
        ("unused", "unused"), ("-", "unused"), ("n/c", "unused"),
        ("Lav 1 safety", "safety"), ("Boom -12 dB", "safety"),
    ],
)  # fmt: skip
def test_names_that_state_a_role(header: Any, name: str, role: str) -> None:
    take = only([header("A.wav", channels=3, tracks=["Boom", "Lav 9", name])])
    assert take.tracks[2].role == role


def test_a_safety_track_inside_a_file_points_to_its_twin(header: Any) -> None:
    take = only([header("A.wav", channels=3, tracks=["Boom", "Lav 1", "Lav 1 safety"])])
    assert [track.copy_of for track in take.tracks] == [None, None, 2]


class TestMonoSets:
    def test_stamps_and_ixml(self, header: Any) -> None:
        files = [
            header(f"14-2_{n}.wav", at=TEN, scene="14", take="2", tracks=[name], family="f", total_files=4)
            for n, name in enumerate(ISOS, 1)
        ]
        random.Random(1).shuffle(files)
        take = only(files)
        assert (take.id, names(take), roles(take)) == ("14-2", ISOS, ["iso"] * 4)

    def test_names_alone(self, header: Any) -> None:
        files = [header(f"14-2_{name}.wav") for name in ("1", "2", "3")]
        assert len(only(files).tracks) == 3
        assert only(files).id == "14-2"
        named = [header(f"14-2_{name}.wav") for name in ("Boom", "Lav1", "Lav2", "MIX")]
        assert names(only(named)) == ["Boom", "Lav1", "Lav2", ""]
        assert roles(only(named)) == ["iso", "iso", "iso", "mix"]

    def test_a_recorders_track_files_and_their_stereo_file(self, header: Any) -> None:
        files = [header(f"310504_001_Tr{n}.WAV", encoding="int24") for n in (1, 2, 3, 4)]
        files.append(header("310504_001_TrLR.WAV", encoding="int24", channels=2))
        files += [header(f"310504_002_Tr{n}.WAV", encoding="int24") for n in (1, 2, 3, 4)]
        takes = group_takes(files).takes
        assert [take.id for take in takes] == ["310504_001", "310504_002"]
        assert roles(takes[0]) == ["iso"] * 4 + ["mix"] * 2
        assert names(takes[0])[:4] == ["Tr1", "Tr2", "Tr3", "Tr4"]

    def test_a_folder_for_each_take(self, header: Any) -> None:
        files = [header(f"{take}/{name}.wav") for take in ("T001", "T002") for name in ("Tr1", "Tr2", "MIX")]
        takes = group_takes(files).takes
        assert [take.id for take in takes] == ["T001", "T002"]
        assert [roles(take) for take in takes] == [["iso", "iso", "mix"]] * 2

    def test_float_tracks_with_24_bit_copies(self, header: Any) -> None:
        files = [header(f"14-2_{n}.wav", at=TEN) for n in (1, 2)]
        files += [header(f"14-2_{n}_S.wav", at=TEN, encoding="int24") for n in (1, 2)]
        take = only(files)
        assert roles(take) == ["iso", "iso", "safety", "safety"]
        assert [track.copy_of for track in take.tracks] == [None, None, 1, 2]

    def test_numbers_that_count_takes_do_not_make_a_set(self, header: Any) -> None:
        assert len(group_takes([header(f"tone_{n}.wav") for n in (1, 2, 3)]).takes) == 3
        assert len(group_takes([header(f"REC{n:03d}.wav") for n in (1, 2, 3)]).takes) == 3
        unequal = [header(f"14-2_{n}.wav", length=MINUTE + n) for n in (1, 2, 3)]
        assert len(group_takes(unequal).takes) == 3
        minutes_apart = [header(f"14_{n}.wav", mtime_s=1000 + 70 * n) for n in (1, 2, 3)]
        assert len(group_takes(minutes_apart).takes) == 3

    def test_a_missing_member_is_missed(self, header: Any) -> None:
        files = [header(f"14-2_{n}.wav", at=TEN, take="2", family="f", total_files=3) for n in (1, 2)]
        assert only(files).warnings == (
            "3 files belong to this take by its own count, 2 are here (14-2_1.wav, 14-2_2.wav).",
        )


class TestContinuationFiles:
    def series(self, header: Any, gap: int = 0, **given: Any) -> list[FileHeader]:
        return [
            header(f"14-2_{n:04d}.wav", at=TEN + (n - 1) * (MINUTE + gap), length=MINUTE, channels=4, **given)
            for n in (1, 2, 3)
        ]

    def test_to_the_sample(self, header: Any) -> None:
        take = only(self.series(header))
        assert take.length_samples == 3 * MINUTE
        assert len(take.tracks) == 4
        assert [piece.start_samples for piece in take.tracks[2].pieces] == [0, MINUTE, 2 * MINUTE]
        assert [piece.file for piece in take.tracks[2].pieces] == [f"14-2_{n:04d}.wav" for n in (1, 2, 3)]
        assert {piece.channel for piece in take.tracks[2].pieces} == {3}
        assert take.warnings == ()

    def test_one_sample_beside_is_another_take(self, header: Any) -> None:
        assert len(group_takes(self.series(header, gap=RATE)).takes) == 3

    def test_a_gap_inside_a_family_is_kept_in_samples(self, header: Any) -> None:
        take = only(self.series(header, gap=5000, family="f", take="2"))
        assert [piece.start_samples for piece in take.tracks[0].pieces] == [
            0,
            MINUTE + 5000,
            2 * (MINUTE + 5000),
        ]
        assert (
            take.warnings[0] == "5000 samples (0.104 s) are missing between 14-2_0001.wav and 14-2_0002.wav."
        )

    def test_a_gap_where_a_file_reached_its_size_is_kept(self, header: Any) -> None:
        take = only(self.series(header, gap=5000, size=2**32 - 60_000, take="2"))
        assert take.length_samples == 3 * MINUTE + 10_000

    def test_stamps_rounded_to_frames_join_without_a_gap(self, header: Any) -> None:
        frame = 1920
        first = header("a_1.wav", at=TEN, length=MINUTE + 700, take="1")
        second = header("a_2.wav", at=TEN + MINUTE + frame, take="1")
        take = only([first, second])
        assert take.length_samples == 2 * MINUTE + 700
        assert "miss each other by 1220 samples, less than a frame" in take.warnings[0]

    def test_parts_of_different_takes_never_join(self, header: Any) -> None:
        files = self.series(header)
        told = [header(f.path, at=TEN + n * MINUTE, take=str(n)) for n, f in enumerate(files)]
        assert len(group_takes(told).takes) == 3

    def test_over_midnight(self, header: Any) -> None:
        day = 86_400 * RATE
        files = [header("a_1.wav", at=day - MINUTE), header("a_2.wav", at=0, date="2031-05-05", take="")]
        assert only(files).length_samples == 2 * MINUTE

    def test_over_the_end_of_a_pulled_down_day(self, header: Any) -> None:
        # At 23.976 a day of timecode lasts 86 486.4 s (see tests/data/timecode_rates.csv).
        day = 4_151_347_200
        files = [
            header("a_1.wav", at=day - MINUTE, timecode="24000/1001", take="1"),
            header("a_2.wav", at=0, timecode="24000/1001", take="1", date="2031-05-05"),
        ]
        assert only(files).length_samples == 2 * MINUTE

    def test_without_stamps_size_and_name_tell(self, header: Any) -> None:
        parts = [
            header("REC001.wav", channels=2, encoding="int24", size=2**31 - 5000),
            header("REC001-002.wav", channels=2, encoding="int24"),
        ]
        assert len(only(parts).tracks) == 2
        short = [replace(parts[0], size_bytes=5000), parts[1]]
        assert len(group_takes(short).takes) == 2

    def test_without_stamps_times_of_change_tell(self, header: Any) -> None:
        hour = 3600 * RATE
        files = [
            header("talk_001.wav", channels=2, length=hour, mtime_s=10_000),
            header("talk_002.wav", channels=2, length=hour // 2, mtime_s=10_000 + 1800 + 2),
        ]
        assert only(files).length_samples == hour + hour // 2
        later = [files[0], replace(files[1], mtime_ns=files[1].mtime_ns + 30 * 10**9)]
        assert len(group_takes(later).takes) == 2

    def test_short_files_of_one_moment_are_tracks_not_parts(self, header: Any) -> None:
        files = [header(f"1_{n}.wav", at=TEN, length=1000, take="1") for n in (1, 2, 3)]
        assert [len(track.pieces) for track in only(files).tracks] == [1, 1, 1]

    def test_no_file_is_lost_where_stamps_go_in_a_ring(self, header: Any) -> None:
        half_day = 12 * 3600 * RATE
        ring = [header(f"{n}.wav", at=TEN + n * half_day % (2 * half_day), length=half_day) for n in (0, 1)]
        empty = [header(f"e{n}.wav", at=TEN, length=0) for n in (0, 1)]
        takes = group_takes([*ring, *empty]).takes
        assert sorted(file.path for take in takes for file in take.files) == [
            "0.wav",
            "1.wav",
            "e0.wav",
            "e1.wav",
        ]

    def test_each_copy_runs_through_files_of_its_own(self, header: Any) -> None:
        isos = [
            header(f"14-2_{n:04d}.wav", at=TEN + (n - 1) * MINUTE, channels=4, tracks=ISOS) for n in (1, 2)
        ]
        copy = [
            header("14-2_S_0001.wav", at=TEN, length=2 * MINUTE, channels=4, tracks=ISOS, encoding="int24")
        ]
        mix = [header("14-2_MIX_0001.wav", at=TEN, length=2 * MINUTE, channels=2, encoding="int24", tracks=["Mix L", "Mix R"])]  # fmt: skip
        take = only([*isos, *copy, *mix])
        assert roles(take) == ["iso"] * 4 + ["safety"] * 4 + ["mix"] * 2
        assert [len(track.pieces) for track in take.tracks] == [2] * 4 + [1] * 6

    def test_a_copy_does_not_continue_the_first(self, header: Any) -> None:
        files = [header("a_0001.wav", at=TEN), header("a_0002_safety.wav", at=TEN + MINUTE)]
        assert len(group_takes(files).takes) == 2

    def test_mono_sets_continue_track_by_track(self, header: Any) -> None:
        files = [
            header(f"14-2_{track}_{part:03d}.wav", at=TEN + (part - 1) * MINUTE)
            for track in (1, 2, 3)
            for part in (1, 2)
        ]
        take = only(files)
        assert [[piece.file for piece in track.pieces] for track in take.tracks] == [
            [f"14-2_{track}_{part:03d}.wav" for part in (1, 2)] for track in (1, 2, 3)
        ]
        swapped = [
            header(f"14-2_{part:03d}_{track}.wav", at=TEN + (part - 1) * MINUTE)
            for track in (1, 2, 3)
            for part in (1, 2)
        ]
        assert [[piece.file for piece in track.pieces] for track in only(swapped).tracks] == [
            [f"14-2_{part:03d}_{track}.wav" for part in (1, 2)] for track in (1, 2, 3)
        ]


class TestWhatIsSaid:
    def test_bext_wins_over_ixml_and_the_conflict_is_told(self, header: Any) -> None:
        take = only([header("a.wav", at=TEN, take="1", timestamp_samples=TEN + 5)])
        assert take.files[0].time_reference == TEN
        assert take.warnings == (
            f"a.wav: bext's TimeReference {TEN} and iXML's time stamp {TEN + 5} differ by 5 samples; bext's counts.",
        )

    def test_ixml_stamps_where_there_is_no_bext(self, header: Any) -> None:
        take = only([header("a.wav", take="1", timestamp_samples=48_048_000, timecode="24000/1001")])
        # iXML specification, example 2.
        assert str(take.start) == "00:16:40:00"

    def test_the_format_wins_over_ixml_s_rates(self, header: Any) -> None:
        take = only(
            [header("a.wav", at=TEN, take="1", file_sample_rate=48_048, timestamp_sample_rate=48_048)]
        )
        assert take.rate == 48_000
        assert len(take.warnings) == 2
        assert "48048 Hz, the file's format says 48000 Hz; the format counts." in take.warnings[0]

    def test_informal_lines_are_read_where_ixml_is_silent(self, header: Any) -> None:
        text = "sSPEED=029.970-DF\r\nsTAKE=03\r\nsSCENE=14A\r\nsTRK1=Boom\r\nsTRK2=Lav\r\nsNOTE=plane\r\nsTAPE=31Y05\r\n"
        take = only([header("a.wav", at=TEN, channels=2, description=text)])
        assert (take.scene, take.take, take.note, take.tape) == ("14A", "03", "plane", "31Y05")
        assert names(take) == ["Boom", "Lav"]
        assert str(take.timecode_rate) == "29.97 DF"
        overruled = only([header("a.wav", at=TEN, channels=2, description=text, scene="15", take="1")])
        assert (overruled.scene, overruled.take) == ("15", "1")

    def test_recorder_track_numbers_in_the_lines_need_not_begin_at_one(self, header: Any) -> None:
        take = only([header("a.wav", at=TEN, channels=2, description="zTRK3=Boom\nzTRK7=Lav\n")])
        assert names(take) == ["Boom", "Lav"]

    @pytest.mark.parametrize(
        ("rate", "flag", "start"),
        [
            ("30000/1001", "DF", "10:00:00;00"),
            ("2997ND", "", "09:59:24:00"),
            ("25", "DF", "10:00:00:00"),
        ],
    )
    def test_timecode(self, header: Any, rate: str, flag: str, start: str) -> None:
        # 1 727 998 272 samples at 48 kHz are 10:00:00;00 exactly (tests/data/timecode_sample_examples.csv).
        at = 1_727_998_272 if rate != "25" else TEN
        take = only([header("a.wav", at=at, take="1", timecode=rate, flag=flag)])
        assert str(take.start) == start
        assert len(take.warnings) == (rate == "25")

    def test_a_rate_nobody_knows_gives_no_timecode_but_a_sentence(self, header: Any) -> None:
        take = only([header("a.wav", at=TEN, take="1", timecode="31/1")])
        assert take.start is None
        assert "the timecode rate '31/1' is none that exists" in take.warnings[0]

    def test_a_zero_stamp_nobody_set_is_no_time(self, header: Any) -> None:
        takes = group_takes([header(f"{name}.wav", at=0) for name in ("one", "two")])
        assert [take.files[0].time_reference for take in takes.takes] == [None, None]
        assert takes.warnings == ()
        assert only([header("a.wav", at=0, take="1")]).files[0].time_reference == 0

    def test_a_track_list_that_does_not_fit_is_told(self, header: Any) -> None:
        take = only([header("a.wav", channels=3, tracks=["Boom", "Lav"])])
        assert names(take) == ["Boom", "Lav", ""]
        assert take.warnings == ("a.wav: iXML lists 2 tracks for 3 channels; names may be wrong.",)

    def test_mid_and_side_are_a_group(self, header: Any) -> None:
        functions = [
            ("M", "M-MID_SIDE"),
            ("S", "S-MID_SIDE"),
            ("Lav", ""),
            ("M2", "M-MID_SIDE"),
            ("S2", "S-MID_SIDE"),
        ]
        take = only([header("a.wav", channels=5, tracks=functions)])
        assert [track.group for track in take.tracks] == [
            "mid/side",
            "mid/side",
            None,
            "mid/side 2",
            "mid/side 2",
        ]
        assert take.tracks[1].function == "S-MID_SIDE"

    def test_a_file_that_calls_itself_ambisonic_is_one_group(self, header: Any) -> None:
        file = header("a.wav", channels=4)
        take = only([replace(file, info=replace(file.info, ambisonic=True))])
        assert [track.group for track in take.tracks] == ["b-format"] * 4

    @pytest.mark.parametrize(
        ("given", "kind"),
        [
            ({"wild_track": True}, "wild"),
            ({"take_type": ("WILD_TRACK",)}, "wild"),
            ({"take": "WT1"}, "wild"),
            ({"note": "Wild track"}, "wild"),
            ({"note": "wildly funny"}, "take"),
            ({"note": "room tone"}, "room_tone"),
            ({"note": "Room tone kitchen"}, "room_tone"),
            ({"note": "good, room tone at the end"}, "take"),
            ({"note": "room tone at the end of this one too"}, "take"),
            ({"scene": "RT"}, "room_tone"),
            ({"scene": "Line-up"}, "tone"),
            ({"tracks": ["Tone", "unused"], "channels": 2}, "tone"),
            ({"scene": "Stone 4"}, "take"),
            ({"take": "4"}, "take"),
        ],
    )
    def test_kinds(self, header: Any, given: dict[str, Any], kind: str) -> None:
        assert only([header("a.wav", at=TEN, **{"take": "7"} | given)]).kind == kind

    def test_marks_of_the_operator(self, header: Any) -> None:
        take = only([header("a.wav", take="1", circled=True, take_type=("FALSE_START",))])
        assert take.circled
        assert take.no_good


class TestWhatAPersonSays:
    def test_labels_go_before_everything(self, header: Any) -> None:
        files = [
            header(f"{n}.wav", at=TEN + n * 10 * MINUTE, channels=3, take=str(n), scene="5") for n in (1, 2)
        ]
        labels = [
            TrackLabel("5-2", 1, "Host", "iso", gain_db=52.0),
            TrackLabel("*", 1, "Boom", "iso", gain_db=40.0),
            TrackLabel("*", 2, role="camera", group="A-format"),
            TrackLabel("5-2", 1, gain_from_s=30.0, gain_db=46.0),
        ]
        one, two = group_takes(files, labels).takes
        assert (one.tracks[0].name, two.tracks[0].name) == ("Boom", "Host")
        assert one.tracks[1].role == two.tracks[1].role == "camera"
        assert one.tracks[1].group == "A-format"
        assert one.tracks[0].gains == ((0.0, 40.0),)
        assert two.tracks[0].gains == ((0.0, 52.0), (30.0, 46.0))

    def test_notes_change_texts_but_not_the_id(self, header: Any) -> None:
        files = [header("a.wav", at=TEN, scene="5", take="1", note="loud")]
        take = only(files, notes=[Note("5-1", scene="6", circled=True)])
        assert (take.id, take.scene, take.take, take.circled, take.note) == ("5-1", "6", "1", True, "loud")

    def test_lines_about_nothing_are_told(self, header: Any) -> None:
        grouping = group_takes(
            [header("a.wav", take="1", scene="5")],
            [TrackLabel("5-9", 1), TrackLabel("5-1", 2), TrackLabel("*", 3)],
            [Note("x")],
        )
        assert grouping.warnings == (
            "notes.csv speaks of take 'x', which is not here.",
            "tracks.csv speaks of take '5-9', which is not here.",
            "tracks.csv speaks of track 2 of take '5-1', which has none.",
            "tracks.csv speaks of track 3 of take '*', which has none.",
        )


class TestTheRollAsAWhole:
    def day(self, header: Any, numbers: Sequence[int], **given: Any) -> list[FileHeader]:
        return [
            header(f"14-{n}.wav", at=TEN + n * 3 * MINUTE, channels=4, scene="14", take=str(n), **given)
            for n in numbers
        ]

    def test_takes_come_in_the_order_of_the_day(self, header: Any) -> None:
        files = self.day(header, [3, 1, 2])
        assert [take.take for take in group_takes(files).takes] == ["1", "2", "3"]

    def test_missing_numbers(self, header: Any) -> None:
        assert group_takes(self.day(header, [1, 2, 5, 7])).warnings == (
            "Scene 14: take 3–4, 6 missing between 1 and 7.",
        )
        files = [header(f"REC{n:04d}.wav") for n in (11, 12, 14)]
        assert group_takes(files).warnings == ("Files REC…: number 13 missing between 11 and 14.",)

    def test_overlapping_timecode(self, header: Any) -> None:
        files = [header("a.wav", at=TEN, take="1"), header("b.wav", at=TEN + 30 * RATE, take="2")]
        assert "Takes 1 and 2 overlap by 30.00 s in their time stamps." in group_takes(files).warnings
        other_day = [files[0], header("b.wav", at=TEN + 30 * RATE, take="2", date="2031-05-05")]
        assert group_takes(other_day).warnings == ()

    def test_rates_that_differ(self, header: Any) -> None:
        files = [*self.day(header, [1, 2]), *self.day(header, [3], rate=96_000)]
        files += self.day(header, [4], timecode="24/1")
        warnings = group_takes(files).warnings
        assert "The sampling rate is 96000 Hz in take 14-3, 48000 Hz elsewhere." in warnings
        assert "The timecode rate is 24 in take 14-4, 25 elsewhere." in warnings

    def test_a_copy_that_one_take_lacks(self, header: Any) -> None:
        files = self.day(header, [1, 2, 3, 4])
        files += [
            replace(f, path=f.path.replace(".wav", "_S.wav"), info=replace(f.info, encoding="int24"))
            for f in files[:3]
        ]
        assert group_takes(files).warnings == ("Take 14-4 has no safety copy; the others have one.",)

    def test_duplicates_are_left_out_and_told(self, header: Any) -> None:
        files = self.day(header, [1, 2])
        copy = replace(files[0], path="second card/14-1.wav")
        grouping = group_takes([copy, *files])
        assert [len(take.files) for take in grouping.takes] == [1, 1]
        assert grouping.warnings == ("second card/14-1.wav is a copy of 14-1.wav and was left out.",)
        assert grouping.duplicates == ("second card/14-1.wav",)

    def test_only_a_hash_tells_copies_without_metadata(self, header: Any) -> None:
        files = [header("a/1.wav"), header("b/1.wav")]
        assert len(group_takes(files).takes) == 2
        hashed = [replace(f, digest="xxh128:00") for f in files]
        assert len(group_takes(hashed).takes) == 1
        unequal = [replace(f, digest=f"xxh128:{f.path}") for f in self.day(header, [1, 1])]
        unequal[1] = replace(unequal[1], path="b/14-1.wav", digest="xxh128:ff")
        assert group_takes(unequal).duplicates == ()

    def test_two_takes_of_one_number_keep_ids_of_their_own(self, header: Any) -> None:
        files = [
            header("A001.wav", at=TEN, scene="14", take="2"),
            header("A002.wav", at=TEN + 5 * MINUTE, scene="14", take="2"),
            header("b/A002.wav", at=TEN + 9 * MINUTE, scene="14", take="2"),
        ]
        assert [take.id for take in group_takes(files).takes] == ["14-2", "A002", "b-A002"]

    def test_a_family_that_a_recorder_never_changes_does_not_join_takes(self, header: Any) -> None:
        files = self.day(header, [1, 2, 3], family="always")
        assert len(group_takes(files).takes) == 3
        nameless = [header(f"{n}.wav", at=TEN + n * 3 * MINUTE, family="always") for n in (1, 2, 3)]
        assert len(group_takes(nameless).takes) == 3

    def test_nothing_gives_nothing(self) -> None:
        assert group_takes([]).takes == ()


stems = st.text("ab12_- .S", min_size=1, max_size=6) | st.sampled_from(
    [
        "14-2",
        "14-2_S",
        "14-2_MIX",
        "14-2_1",
        "14-2_2",
        "14-2_0001",
        "14-2_0002",
        "Tr1",
        "Tr2",
        "MIX",
        "REC001",
    ]
)
any_file = st.fixed_dictionaries(
    {
        "path": st.builds("{}{}.wav".format, st.sampled_from(["", "", "S/", "mix/", "T001/", "x/y/"]), stems),
        "at": st.none()
        | st.sampled_from([0, TEN, TEN + 1000, TEN + MINUTE, TEN + 2 * MINUTE, 86_400 * RATE - MINUTE]),
        "length": st.sampled_from([0, 1, 1000, MINUTE]),
        "encoding": st.sampled_from(["float32", "int24"]),
        "channels": st.sampled_from([1, 2, 4]),
        "rate": st.sampled_from([RATE, RATE, 96_000]),
        "scene": st.sampled_from(["", "14"]),
        "take": st.sampled_from(["", "1", "2"]),
        "family": st.sampled_from(["", "f"]),
        "mtime_s": st.sampled_from([0, 60, 62, 1000]),
    }
)


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(any_file, max_size=12, unique_by=lambda given: given["path"].lower()))
def test_every_channel_of_every_file_is_on_one_track_of_one_take(header: Any, given_files: list[dict[str, Any]]) -> None:  # fmt: skip
    files = [header(**given) for given in given_files]
    grouping = group_takes(files)
    assert len({take.id for take in grouping.takes}) == len(grouping.takes)
    held = Counter((file.path, take.id) for take in grouping.takes for file in take.files)
    assert set(held.values()) <= {1}
    left_out = set(grouping.duplicates)
    assert sorted(path for path, _ in held) == sorted(f.path for f in files if f.path not in left_out)
    pieces = Counter((p.file, p.channel) for take in grouping.takes for t in take.tracks for p in t.pieces)
    assert set(pieces.values()) <= {1}
    assert set(pieces) == {
        (f.path, c + 1) for f in files if f.path not in left_out for c in range(f.info.channels)
    }
    for take in grouping.takes:
        assert [track.number for track in take.tracks] == list(range(1, len(take.tracks) + 1))
        for track in take.tracks:
            ends = [0] + [p.start_samples + p.length_samples for p in track.pieces]
            assert all(p.start_samples >= end for p, end in zip(track.pieces, ends, strict=False))
            assert ends[-1] <= take.length_samples
            assert track.copy_of is None or (
                track.role == "safety" and take.tracks[track.copy_of - 1].role != "safety"
            )
        assert {file.rate for file in take.files} <= {take.rate}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_of_files_does_not_matter(header: Any, shuffler: random.Random) -> None:
    files = [
        *TestOneRecorderThreeFiles().files(header),
        *TestContinuationFiles().series(header, scene="15", take="1"),
        *(header(f"16-1_{n}.wav", at=2 * TEN, scene="16", take="1") for n in (1, 2, 3)),
        *(header(f"REC_{n:03d}.wav", channels=2) for n in (1, 2, 4)),
        *(header(f"{folder}/17-1.wav", at=TEN + TEN // 2, take="1", scene="17") for folder in ("a", "b")),
    ]
    expected = group_takes(files)
    assert len(expected.takes) == 7
    shuffler.shuffle(files)
    assert group_takes(files) == expected
