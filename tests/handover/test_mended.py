"""Mended tracks are delivered beside the originals, and the report says what was joined and which copy serves better."""

from dataclasses import replace
from pathlib import Path

from handover_values import RATE
from takewell.handover.plan import Options, corrected_ixml, plan_package
from takewell.handover.remarks import take_remarks
from takewell.roll import BestTrack, Examination, Pair, PairPassage
from takewell.wave import AudioInfo, Ixml, IxmlTrack


def info(path, channels, ixml=None):
    return AudioInfo(
        path=Path(path),
        container="WAVE",
        encoding="float32",
        rate=RATE,
        channels=channels,
        length_samples=RATE,
        channel_mask=None,
        valid_bits=32,
        data_offset=1000,
        ixml=ixml,
    )


def mended():
    ixml = Ixml(scene="4", take="2", note="mended", tracks=(IxmlTrack(2, 1, "Lav"),))
    return info("/roll/takewell/mended/4-2_02_Lav_mended.wav", 1, ixml)


def test_a_mended_track_lies_beside_the_originals_in_either_package(take):
    path = take.files[0].path
    own = info(f"/roll/{path}", len(take.tracks))
    infos = {path: replace(own, ixml=corrected_ixml(take, own, path))}
    for spec, with_originals in (("editorial", 1), ("finished", 0)):
        files = plan_package(
            [take], infos, Options(spec), mixes={}, levelled={}, excerpts=(), mended={take.id: [mended()]}
        )
        assert [f.target for f in files if f.target.startswith("mended/")] == ["mended/4-2_02_Lav_mended.wav"]
        assert len(files) == 1 + with_originals


def test_it_is_named_and_conformed_like_the_rest(take):
    (file,) = plan_package(
        [take],
        {take.files[0].path: info(f"/roll/{take.files[0].path}", len(take.tracks))},
        Options("finished", conform=True, names="{scene}T{take}_{track}_{name}"),
        mixes={},
        levelled={},
        excerpts=(),
        mended={take.id: [mended()]},
    )
    assert (file.target, file.action) == ("mended/4T2_02_Lav.wav", "convert")


def passage(start_s, end_s, serves=0, changed_by_db=0.0, because="both serve alike"):
    return PairPassage(start_s, end_s, -6.0, "steady", changed_by_db, serves, because)


def pair(take, *passages):
    return Pair(take.id, 1, take.id, 2, 1.0, -6.0, 0.0, 0.0, passages)


def test_the_report_tells_which_copy_serves_better_where(take):
    found = Examination(
        (), (), pairs=(pair(take, passage(0, 31), passage(31, 40, 2, 0.0, "the first is silent")),)
    )
    (said,) = take_remarks(take, found, {})
    assert said == ("Boom and its copy Lav (−6.0 dB): 0:31 to 0:40 Lav serves better (the first is silent).")


def test_copies_that_serve_alike_at_one_gain_are_not_worth_a_line(take):
    assert take_remarks(take, Examination((), (), pairs=(pair(take, passage(0, 40)),)), {}) == ()


def test_a_moved_gain_a_voice_and_a_mended_track_get_a_line_each(take):
    found = Examination(
        (),
        (),
        best=(
            BestTrack(take.id, 1, "Lav is damaged; this lies 9 dB less over its floor", "Lav"),
            BestTrack(take.id, 1, "it leads for 9 s", "Boom"),
        ),
        pairs=(pair(take, passage(0, 31), passage(31, 40, 0, -6.0)),),
    )
    said = take_remarks(
        take, found, {Path("x/4-2_02_Lav_mended.wav"): "1 place, 0.30 s, from track 3 at +0.00 dB"}
    )
    assert said == (
        "Boom and its copy Lav (−6.0 dB): the copy’s gain moves by −6.0 dB at 0:31.",
        "For the voice at Lav reach for Boom: Lav is damaged; this lies 9 dB less over its floor.",
        "Mended, 4-2_02_Lav_mended.wav: 1 place, 0.30 s, from track 3 at +0.00 dB.",
    )
