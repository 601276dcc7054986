"""The whole answer: what does not hold, what is stored, and whether the invented day read what was predicted."""

import io
import json
import pickle
from dataclasses import replace

import pypdf
import pytest

from takewell.demo import write_day
from takewell.draw import PAPER
from takewell.engine import measure_file
from takewell.errors import FileError
from takewell.kit import find_profile, with_measured, write_profile
from takewell.kit.values import Measurement, RecorderInput
from takewell.plan import (
    ladder_of,
    pdf_sheet,
    plan_day,
    plan_document,
    prediction_for,
    predictions,
    stored_predictions,
    write_predictions,
    write_sheet,
)
from takewell.plan.day import read_day
from takewell.plan.outcome import LITHIUM_CAUTION, PHANTOM_CAUTION, level_problems
from takewell.plan.sheet import lede, tightest


@pytest.fixture
def plan(day):
    return plan_day(day())


@pytest.fixture
def holding(day):
    """The example with its two mistakes mended as the plan says."""
    return plan_day(
        day(
            ('encoding = "int24"\ngain_db = 46', 'encoding = "int24"\ngain_db = 26'),
            ("gain_db = 36", "gain_db = 24"),
        )
    )


def test_the_example_day_has_the_two_faults_its_story_has(plan):
    assert not plan.holds
    safety, door = plan.problems
    assert safety.where == "kitchen, interview, Safety Boom"
    assert "the file gives way first, its usual peak lies 8.9 dB over the limit" in safety.sentence
    assert "set −22 to +28 dB" in safety.sentence
    assert "preamplifier gives way first" in door.sentence
    assert lede(plan) == "2 things do not hold."


def test_set_as_the_plan_says_it_holds(holding):
    assert holding.problems == ()
    assert holding.holds
    assert lede(holding).startswith("The plan holds")


@pytest.mark.parametrize(
    ("replacements", "where", "words"),
    [
        ([("speech_over_floor_db = 20", "speech_over_floor_db = 60")], "kitchen, interview, Boom", "lies 40 dB over the floor, 60 are wanted"),
        ([("gain_db = 36", "gain_db = 5")], "instrument room, stove out, Plant by the door", "own noise raises the floor by more than 1 dB"),
        ([("count = 2 }]\n\n[[power]]", "count = 1 }]\n\n[[power]]"), ("end = 15:30:00", "end = 21:30:00")], "power", "bag: the last battery is empty at"),
        ([('li-ion-98wh"', 'big"')], "flight", "160.5 Wh, not allowed"),
        ([("within_frames = 0.5", "within_frames = 0.1")], "clocks", "more than 0.1"),
        ([('microphone = "cardioid"\ninput = "two-converter-input"', 'microphone = "cardioid"\ninput = "unpowered"')], "hall, panel, Pair L",
         "asks for 48 V phantom power and this input gives none"),
    ],
)  # fmt: skip
def test_everything_that_does_not_hold_is_said(day_file, replacements, where, words):
    path = day_file(*replacements)
    (path.parent / "big.toml").write_text(
        'kind = "battery"\nname = "big"\nchemistry = "li-ion"\nenergy_wh = 160.5\nvoltage_v = 14.4\n'
    )
    (path.parent / "unpowered.toml").write_text(
        'kind = "input"\nname = "u"\ngain_min_db = 0\ngain_max_db = 60\nein_dbu = -125\nmax_input = [[0, 20]]\n'
        'full_scale_dbu = 20\nconverter_range_db_a = 110\nencoding = "int24"\n'
    )
    problems = plan_day(read_day(path)).problems
    assert any(p.where == where and words in p.sentence for p in problems), [vars(p) for p in problems]


def test_no_gain_is_said_plainly_with_what_would_help(day):
    plan = plan_day(
        day(('input = "analogue-limiter-input"\ngain_db = 36', 'input = "camera-input"\ngain_db = 36'))
    )
    levels = next(p for s in plan.set_ups for p in s.tracks if p.levels.track.name.startswith("Plant"))
    (sentence,) = level_problems(levels, plan.conditions)
    assert "no gain holds it; two converters and float files would" in sentence


def test_cautions_follow_the_kit(plan):
    assert PHANTOM_CAUTION in plan.cautions
    assert LITHIUM_CAUTION in plan.cautions
    assert any("Hearing" in c for c in plan.cautions)


def test_a_ribbon_on_a_phantom_input_is_warned_of(day_file):
    path = day_file(('microphone = "supercardioid"', 'microphone = "ribbon"'))
    (path.parent / "ribbon.toml").write_text(
        'kind = "microphone"\nname = "Ribbon"\ntransducer = "ribbon"\npattern = "figure_of_eight"\nsensitivity_mv_pa = 2\n'
        "max_spl_db = 140\nsource_impedance_ohm = 300\n"
    )
    cautions = plan_day(read_day(path)).cautions
    assert any("Ribbon: keep phantom power off" in c for c in cautions)


def test_a_measured_value_is_planned_with_and_named(day_file):
    path = day_file()
    sheet = find_profile("two-converter-input", RecorderInput)
    noisy = with_measured(sheet, {"ein_dbu": Measurement(-105.0, "2025-01-30", "bench.json")})
    plain = plan_day(read_day(path))
    write_profile(noisy, path.parent / "two-converter-input.toml")
    measured = plan_day(read_day(path))
    first = measured.set_ups[0].tracks[0].levels
    assert first.floor_db_spl_a > plain.set_ups[0].tracks[0].levels.floor_db_spl_a + 1
    named = plan_document(measured)["set_ups"][0]["tracks"][0]["measured_fields"]
    assert list(named.values()) == ["measured 2025-01-30, bench.json"]


def test_the_document_is_plain_json_with_units(plan):
    document = json.loads(json.dumps(plan_document(plan), allow_nan=False))
    track = document["set_ups"][0]["tracks"][0]
    assert track["sources"][0]["stages"][-1]["limit_db"] is None  # a float file has none
    assert [s["unit"] for s in track["sources"][0]["stages"]] == ["dB SPL", "dBV", "dBu", "dBFS", "dBFS"]
    assert document["distribution"].startswith("levels normally distributed")
    assert document["cards"]["files"][0]["bytes_per_s"] == 7 * 4 * 48_000


def test_predictions_say_what_each_track_should_read(plan):
    boom = predictions(plan)[0]
    assert (boom.set_up, boom.scenes, boom.track) == ("kitchen, interview", ("10A", "10B", "10"), "Boom")
    levels = plan.set_ups[0].tracks[0].levels
    assert boom.noise_floor_dbfs_a == levels.floor_dbfs_a
    assert [s.level_dbfs for s in boom.sources] == [h.passed[-1].rms_db for h in levels.sources]


def test_stored_predictions_come_back_as_they_were(plan, tmp_path):
    assert stored_predictions(tmp_path) == ()
    path = write_predictions(plan, tmp_path)
    assert path == tmp_path / "takewell" / "plan.json"
    assert stored_predictions(tmp_path) == predictions(plan)


@pytest.mark.parametrize("content", ["", "[]", '{"tracks": [{}]}', '{"tracks": [3]}'])
def test_a_broken_stored_plan_is_one_sentence(tmp_path, content):
    (tmp_path / "takewell").mkdir()
    (tmp_path / "takewell" / "plan.json").write_text(content)
    with pytest.raises(FileError, match=r"plan\.json is no stored plan .*; write it again"):
        stored_predictions(tmp_path)


def test_a_track_finds_its_prediction_by_scene_and_name(plan):
    stored = predictions(plan)
    assert prediction_for(stored, "10B", "boom").set_up == "kitchen, interview"
    assert prediction_for(stored, "30A", "Boom").set_up == "instrument room, stove out"
    assert prediction_for(stored, "99", "Boom") is None
    assert prediction_for(stored, "30A", "Lav Perrin") is None
    anywhere = replace(stored[0], scenes=())
    assert prediction_for([*stored, anywhere], "99", "Boom") == anywhere


def test_predictions_go_into_a_roll_only(plan, tmp_path):
    with pytest.raises(FileError, match="is no folder"):
        write_predictions(plan, tmp_path / "gone")


def test_the_invented_day_reads_what_was_predicted(plan, tmp_path):
    """The demo computes its sound from rooms, voices and microphones of its own; the plan only knows data sheets."""
    write_day(tmp_path, takes={"10-RT1", "10A-1"})
    found = {
        (path.stem.partition("-")[0], track.name): track
        for path in (tmp_path / "card").rglob("*.WAV")
        for track in measure_file(path).tracks
    }
    boom = prediction_for(predictions(plan), "10A", "Boom")
    room_tone, take = found["10", "Boom"], found["10A", "Boom"]
    # The demo states its microphone's noise plain: white behind a low cut, it reads up to 2.8 dB less A-weighted,
    # and is less than a third of this floor: 0.6 dB of it all.
    assert room_tone.noise_floor_dbfs_a == pytest.approx(boom.noise_floor_dbfs_a, abs=1.0)
    mira = next(s for s in boom.sources if s.name == "Mira")
    # Its voices lie within 1 dB of their effort from sentence to sentence, and two speak into this boom.
    assert take.speech_level_dbfs == pytest.approx(mira.level_dbfs, abs=2.0)
    # The crest factor is a rule of thumb: one standard deviation.
    assert take.true_peak_dbtp == pytest.approx(mira.peak_dbfs, abs=mira.sd_db)


def text_of(pdf):
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def test_the_sheet_is_one_page_whatever_the_day(plan, day):
    assert len(pypdf.PdfReader(io.BytesIO(pdf_sheet(plan))).pages) == 1
    planned = day()
    crowded = replace(
        planned,
        set_ups=tuple(
            replace(planned.set_ups[0], name=f"set-up {k}", start_h=9.0 + k, end_h=10.0 + k)
            for k in range(14)
        ),
    )
    pdf = pdf_sheet(plan_day(crowded))
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) == 1
    assert "set-up 13" in text_of(pdf)


def test_the_sheet_says_what_the_plan_says(plan):
    text = " ".join(text_of(pdf_sheet(plan)).split())
    for words in (
        "Hundred Winters",
        "2 things do not hold",
        "Safety Boom",
        "its usual peak lies 8.9 dB over",
        "jam within 14 h",
        "Phantom power",
    ):
        assert words in text


def test_the_sheet_is_the_same_bytes_for_the_same_plan(plan, tmp_path):
    write_sheet(plan, tmp_path / "a.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == pdf_sheet(plan)


def test_names_are_words_on_the_sheet_never_markup(day):
    hostile = "#panic() *bold* </svg><script>$x$"
    plan = plan_day(day(('name = "Safety Boom"', f"name = '{hostile}'")))
    assert "#panic() *bold*" in " ".join(text_of(pdf_sheet(plan)).split())
    svg = ladder_of(tightest(plan), PAPER)
    assert "<script>" not in svg


def test_a_plan_can_be_sent_to_another_process(plan):
    assert pickle.loads(pickle.dumps(plan)) == plan
