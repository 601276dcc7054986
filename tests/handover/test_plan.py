"""The list of what a package will hold, made before anything is written."""

from dataclasses import replace
from pathlib import Path

import pytest

from handover_values import RATE, take_of
from takewell.handover.plan import Excerpt, Options, corrected_ixml, plan_package
from takewell.wave import AudioInfo, Ixml, IxmlTrack


def info_of(take, **changes):
    path = take.files[0].path
    info = AudioInfo(
        path=Path("/roll") / path,
        container="WAVE",
        encoding="float32",
        rate=RATE,
        channels=len(take.tracks),
        length_samples=take.length_samples,
        channel_mask=None,
        valid_bits=32,
        data_offset=1000,
    )
    right = replace(info, ixml=corrected_ixml(take, info, path))
    return {path: replace(right, **changes)}


def planned(take, infos, options, **extra):
    return plan_package([take], infos, options, **({"mixes": {}, "levelled": {}, "excerpts": ()} | extra))


def test_a_file_whose_names_are_right_is_copied_as_recorded(take):
    (only,) = planned(take, info_of(take), Options("editorial"))
    assert (only.target, only.action) == ("audio/4-2.wav", "copy")


def test_a_corrected_name_goes_into_the_copy_with_everything_else_kept(take):
    own = Ixml(scene="3", take="9", ubits="00112233", tracks=(IxmlTrack(7, 1, "Mic 1", "M-MID_SIDE"),))
    (only,) = planned(take, info_of(take, ixml=own), Options("editorial"))
    assert only.action == "rewrite"
    assert (only.ixml.scene, only.ixml.take, only.ixml.ubits) == ("4", "2", "00112233")
    assert only.ixml.tracks == (IxmlTrack(7, 1, "Boom", "M-MID_SIDE"), IxmlTrack(2, 2, "Lav", ""))


def test_an_unfinished_header_is_repaired_in_the_copy(take):
    (only,) = planned(
        take, info_of(take, recoveries=("the header was never finished",)), Options("editorial")
    )
    assert (only.action, only.why) == ("rewrite", "header repaired")


def test_splitting_gives_one_file_per_track_and_leaves_unused_ones(take):
    tracks = (take.tracks[0], replace(take.tracks[1], role="unused"))
    take = replace(take, tracks=tracks)
    (only,) = planned(take, info_of(take), Options("editorial", split=True))
    assert (only.target, only.action, only.channels) == ("audio/4-2_01_Boom.wav", "convert", (1,))
    assert only.ixml.tracks[0].interleave_index == 1


def test_conforming_converts_only_what_is_not_48_kHz_24_bits(take):
    (float_file,) = planned(take, info_of(take), Options("editorial", conform=True))
    (whole,) = planned(take, info_of(take, encoding="int24"), Options("editorial", conform=True))
    assert (float_file.action, whole.action) == ("convert", "copy")


@pytest.mark.parametrize(
    ("kind", "folder"), [("wild", "wild"), ("room_tone", "room-tone"), ("tone", "line-up")]
)
def test_each_kind_of_take_has_its_folder(kind, folder):
    take = take_of(kind=kind)
    for spec in ("editorial", "finished"):
        (only,) = planned(take, info_of(take), Options(spec))
        assert only.target.startswith(folder + "/")


def test_a_finished_package_holds_levelled_files_and_mixes_instead_of_originals(take):
    files = planned(
        take,
        info_of(take),
        Options("finished"),
        mixes={"4-2": [rendered("mix", 1, "Mix")]},
        levelled={"4-2": [rendered("levelled", 2, "Boom", "Lav")]},
    )
    assert [(f.target, f.action) for f in files] == [("levelled/4-2.wav", "copy"), ("mix/4-2.wav", "copy")]


def rendered(folder, channels, *names, **changes):
    tracks = tuple(IxmlTrack(k, k, name) for k, name in enumerate(names, 1))
    info = AudioInfo(
        path=Path("/work") / folder / "4-2.wav",
        container="WAVE",
        encoding="int24",
        rate=96_000,
        channels=channels,
        length_samples=96_000,
        channel_mask=None,
        valid_bits=24,
        data_offset=1000,
        ixml=Ixml(scene="4", take="2", tracks=tracks),
    )
    return replace(info, **changes)


def test_rendered_files_are_split_and_conformed_like_originals(take):
    files = planned(
        take,
        info_of(take),
        Options("finished", split=True, conform=True, names="{scene}T{take}_{track}_{name}"),
        mixes={"4-2": [rendered("mix", 1, "Mix")]},
        levelled={"4-2": [rendered("levelled", 2, "Boom", "Lav")]},
    )
    assert [(f.target, f.action, f.conform) for f in files] == [
        ("levelled/4T2_01_Boom.wav", "convert", True),
        ("levelled/4T2_02_Lav.wav", "convert", True),
        ("mix/4T2_mix.wav", "convert", True),
    ]
    assert files[0].ixml.family_uid == files[1].ixml.family_uid != ""
    assert [f.ixml.file_set_index for f in files[:2]] == ["A", "B"]


def test_a_mono_set_and_continuation_files_have_names_of_their_own():
    take = take_of(("Boom", "Lav"))
    paths = ["a.wav", "b.wav"]
    tracks = tuple(
        replace(t, pieces=(replace(t.pieces[0], file=path, channel=1),))
        for t, path in zip(take.tracks, paths, strict=True)
    )
    files = tuple(replace(take.files[0], path=path, channels=1) for path in paths)
    mono = replace(take, tracks=tracks, files=files)
    infos = {
        path: replace(next(iter(info_of(take_of(("X",))).values())), path=Path("/roll") / path)
        for path in paths
    }
    named = planned(mono, infos, Options("editorial", names="{scene}T{take}_{name}"))
    assert [f.target for f in named] == ["audio/4T2_Boom.wav", "audio/4T2_Lav.wav"]
    half = take.length_samples // 2
    pieces = tuple(
        replace(take.tracks[0].pieces[0], file=path, start_samples=k * half, length_samples=half)
        for k, path in enumerate(paths)
    )
    long = replace(take, tracks=(replace(take.tracks[0], pieces=pieces),), files=files)
    parts = planned(long, infos, Options("editorial", names="{scene}T{take}"))
    assert [f.target for f in parts] == ["audio/4T2_part1.wav", "audio/4T2_part2.wav"]


def test_empty_fields_leave_no_trace():
    take = take_of(("",), scene="", take="")
    (only,) = planned(take, info_of(take), Options("editorial", names="{scene}T_{take}_{name}"))
    assert only.target == "audio/4-2T.wav"


def test_two_files_never_share_a_name(take):
    other = take_of(take_id="4-3")
    infos = info_of(take) | info_of(other)
    files = plan_package(
        [take, other], infos, Options("editorial", names="{scene}"), mixes={}, levelled={}, excerpts=()
    )
    assert [f.target for f in files] == ["audio/4.wav", "audio/4-2.wav"]


def test_room_tone_found_in_a_take_becomes_an_excerpt_of_one_track(take):
    files = planned(take, info_of(take), Options("editorial"), excerpts=[Excerpt("4-2", 2, 10.0, 20.5)])
    excerpt = files[-1]
    assert excerpt.target == "room-tone/4_room-tone_from_4-2_Lav.wav"
    assert (excerpt.channels, excerpt.start_samples, excerpt.length_samples) == ((2,), 480_000, 504_000)
