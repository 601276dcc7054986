"""The sound report: the same words in PDF, HTML and CSV, and none of them can become markup or a formula."""

import csv
import io

import pytest
from lxml import html as lxml_html
from pypdf import PdfReader

from handover_values import take_of
from takewell.errors import SettingError
from takewell.handover.report import FORMATS, csv_tables, html_report, pdf_report, report_files
from takewell.handover.sheet import (
    FOOTNOTE,
    Sheet,
    caution,
    day_lede,
    day_title,
    length_words,
    place,
    take_sheet,
)
from takewell.handover.specs import Check
from takewell.roll.values import Finding, Move, Roll, Verdict

HOSTILE = '<script>alert(1)</script> #eval("1") $x$ =1+1 *bold*'


def sheet_of(take, measured, note=""):
    verdicts = [
        Verdict(take.id, take.files[0].path, 1, "mend", "flat at −8.1 dBFS in 14 places"),
        Verdict(take.id, take.files[0].path, 2, "good", "whole and at level"),
    ]
    findings = [
        Finding(
            take.id,
            take.files[0].path,
            1,
            "clipped",
            12.0,
            14.5,
            0.99,
            "major",
            "converter",
            {},
            "Take the safety copy.",
            "flat at −8.1 dBFS",
        ),
        Finding(
            take.id,
            take.files[0].path,
            2,
            "hum",
            0.0,
            60.0,
            0.9,
            "note",
            None,
            {},
            "Notch it.",
            "hum at 49.97 Hz",
        ),
    ]
    moves = [
        Move(take.id, 1, 0.0, 30.0, 7.5, 0.1, 0.1, False, "low"),
        Move(take.id, 1, 30.0, 60.0, -29.0, 0.1, 0.1, False, "high"),
    ]
    one = take_sheet(take, measured, verdicts, findings, moves, target_lufs=-23.0)
    return Sheet(
        "The Tide Clock",
        "2026-03-01",
        day_lede([take], verdicts, note),
        "sound report",
        "",
        FOOTNOTE,
        (one,),
        (Check("mix", "a", "b", False),),
    )


@pytest.fixture
def sheet(take, measured):
    return sheet_of(take, measured)


def test_the_lede_counts_what_a_tired_person_asks_first(sheet):
    assert sheet.lede == "One take, 1 min 00 s. Of two tracks, one is good and one wants mending."


def test_every_format_says_verdict_finding_remedy_and_place(sheet):
    pdf = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf_report(sheet))).pages)
    page = lxml_html.fromstring(html_report(sheet)).text_content()
    tables = b"".join(csv_tables(sheet).values()).decode()
    for said in (
        "mend",
        "flat at −8.1 dBFS",
        "Take the safety copy.",
        "0:12.0 to 0:14.5",
        "hum at 49.97 Hz",
        "throughout",
    ):
        assert said in pdf
        assert said in page
        assert said in tables


def test_figures_are_shown_with_a_true_minus_and_a_dash_where_there_is_none(sheet):
    first = sheet.takes[0].tracks[0]
    assert (first.loudness, first.peak, first.speech) == ("−31.2", "0.0", "–")
    assert first.moves == "+7.5, −29.0 dB"


def test_the_worst_track_speaks_for_the_take(sheet):
    assert sheet.takes[0].verdict == "mend"
    assert sheet.takes[0].why == "Boom: flat at −8.1 dBFS in 14 places"


def test_the_same_sheet_gives_the_same_pdf(sheet):
    assert pdf_report(sheet) == pdf_report(sheet)


def test_text_from_files_stays_text(measured):
    take = take_of((HOSTILE, "Lav"), note=HOSTILE, project=HOSTILE)
    sheet = sheet_of(take, measured)
    page = lxml_html.fromstring(html_report(sheet))
    assert not page.xpath("//script")
    assert HOSTILE in page.text_content()
    shown = "".join(p.extract_text() for p in PdfReader(io.BytesIO(pdf_report(sheet))).pages)
    assert '#eval("1")' in "".join(shown.split("\n"))


def test_no_cell_can_run_as_a_formula(measured):
    take = take_of(("=HYPERLINK(1)", "+1"), note="@cmd")
    for table in csv_tables(sheet_of(take, measured)).values():
        for row in csv.reader(io.StringIO(table.decode("utf-8-sig"))):
            assert not any(cell[:1] in "=@" for cell in row if cell)


def test_the_page_fetches_and_runs_nothing(sheet):
    page = lxml_html.fromstring(html_report(sheet))
    assert not page.xpath("//script | //link | //img | //iframe | //@onclick | //@src")
    assert "default-src 'none'" in page.xpath("//meta[@http-equiv]/@content")[0]


def test_every_track_is_a_strip_and_what_wants_a_look_is_drawn_large(take, measured):
    page = lxml_html.fromstring(html_report(sheet_of(take, measured)))
    labels = [svg.get("aria-label") for svg in page.iter("{*}svg", "svg")]
    assert len(labels) == 3
    assert all("Level against time" in label for label in labels)


def test_a_take_that_was_not_examined_says_so(take):
    sheet = take_sheet(take, {}, [], [], [], target_lufs=-23.0)
    assert sheet.why == "Not examined yet."
    assert html_report(Sheet("t", "s", "l", "m", "c", "f", (sheet,), ()))
    assert pdf_report(Sheet("t", "s", "l", "m", "c", "f", (sheet,), ()))


def test_an_unknown_format_is_refused_with_those_there_are(sheet):
    with pytest.raises(SettingError, match="pdf, html, csv"):
        report_files(sheet, ["docx"])
    assert {name.rsplit(".", 1)[1] for name in report_files(sheet, FORMATS)} == set(FORMATS)


@pytest.mark.parametrize(("seconds", "words"), [(4, "4 s"), (184, "3 min 04 s"), (4320.4, "1 h 12 min")])
def test_lengths_in_words(seconds, words):
    assert length_words(seconds) == words


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        (0, 60, "throughout"),
        (51.23, 51.25, "0:51.2"),
        (51.2, 95.0, "0:51.2 to 1:35.0"),
        (0, 59.4, "0:00.0 to 0:59.4"),
    ],
)
def test_places_in_words(start, end, words):
    assert place(start, end, 60.0) == words


def test_the_title_names_the_project_and_says_when_a_day_is_mixed(take, tmp_path):
    other = take_of(take_id="5-1", rate=96_000)
    assert day_title(Roll(tmp_path, (take,))) == (
        "The Tide Clock",
        "2026-03-01 · roll B · 48 kHz · timecode 25",
    )
    assert "mixed sampling rates" in day_title(Roll(tmp_path, (take, other)))[1]


def test_figures_in_the_tables_are_numbers(sheet):
    rows = list(csv.DictReader(io.StringIO(csv_tables(sheet)["sound-report-tracks.csv"].decode("utf-8-sig"))))
    assert [row["loudness_lufs"] for row in rows] == ["-31.2", "-31.2"]
    assert (rows[0]["moves"], rows[0]["gain_db"]) == ("2", "")


def test_a_take_is_lost_only_where_no_iso_is_left(take, measured):
    lost = Verdict(take.id, take.files[0].path, 1, "lost", "Nothing but noise.")
    good = Verdict(take.id, take.files[0].path, 2, "good", "Whole.")
    one = take_sheet(take, measured, [lost, good], [], [], target_lufs=-23.0)
    assert (one.verdict, one.why) == ("mend", "Boom is lost: Nothing but noise.")
    both = [lost, Verdict(take.id, take.files[0].path, 2, "lost", "Silence.")]
    assert take_sheet(take, measured, both, [], [], target_lufs=-23.0).verdict == "lost"


@pytest.mark.parametrize(("peak", "said"), [(None, False), (-0.1, False), (53.6, True)])
def test_whoever_plays_loud_originals_is_warned(peak, said):
    assert ("+53.6 dBTP" in caution(peak)) == said
    assert bool(caution(peak)) == said
