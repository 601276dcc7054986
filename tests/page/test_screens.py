"""The screens in a real browser: what a person does at midnight with a laptop."""

import html
import io
import re
import wave
from dataclasses import replace

import numpy as np
import pytest
from playwright.sync_api import expect
from starlette.testclient import TestClient

from takewell.desk.listening import CEILING_DBTP
from takewell.page import application
from takewell.page.guard import Address, loopback
from takewell.page.places import roll_key
from takewell.plan import example_day
from takewell.roll import Logbook, read_labels, read_moves, read_notes
from takewell.roll.moves import moves_path
from takewell.roll.values import Pair, PairPassage

TAKE = "take?id=7-2"


def move_of(roll, track, take="7-2"):
    return [m for m in read_moves(roll) if (m.take, m.track) == (take, track)]


def test_first_visit_says_what_to_do(serve, tab, tmp_path, picture):
    (tmp_path / "shoot" / "card").mkdir(parents=True)
    with serve("--root", tmp_path) as served:
        tab.goto(served.address)
        expect(tab.get_by_role("heading", level=1)).to_have_text("What came home today?")
        tab.get_by_label("Folder for it").fill("/home/you/takewell-demo")
        picture(tab, "start")
        tab.get_by_role("link", name="Check a card in").click()
        tab.get_by_role("link", name=str(tmp_path)).click()
        tab.get_by_role("link", name="shoot").click()
        tab.get_by_role("link", name="card").click()
        tab.get_by_role("button", name="This is the card").click()
        expect(tab.get_by_label("The card")).to_have_value(str(tmp_path / "shoot" / "card"))
        tab.wait_for_load_state("networkidle")


def test_a_card_is_checked_in_and_becomes_a_day_sheet(serve, tab, card, tmp_path):
    with serve("--root", tmp_path, "--root", card) as served:
        tab.goto(f"{served.address}checkin?card={card}")
        tab.get_by_label("First copy").fill(str(tmp_path / "roll"))
        tab.get_by_role("button", name="Check in", exact=True).click()
        expect(tab.get_by_role("link", name="To the day sheet")).to_be_visible(timeout=60_000)
        tab.get_by_role("link", name="To the day sheet").click()
        expect(tab.locator("#day tbody tr")).to_have_count(2)
        expect(tab.locator("#day")).to_contain_text("mend")
        expect(tab.locator(".strip svg")).to_have_count(4)
    assert move_of(tmp_path / "roll", 2)


def test_day_sheet_shows_takes_strips_and_verdicts_and_finds(page_of, roll, tab, picture):
    tab.goto(page_of.url(roll))
    rows = tab.locator("#day tbody tr")
    expect(rows).to_have_count(2)
    expect(rows.nth(0).locator(".strip svg")).to_have_count(2)
    expect(rows.nth(0)).to_contain_text("10:00:00:00")
    expect(rows.nth(1).locator(".v")).to_have_text(re.compile("mend|lost"))
    picture(tab, "day")
    tab.get_by_label("Find").fill("wide")
    expect(rows.nth(1)).to_be_hidden()
    expect(tab.locator("#count")).to_have_text("1 of 2 takes")
    tab.goto(page_of.url(roll, "?q=nothing+like+it"))
    expect(tab.locator("#day tbody tr")).to_have_count(0)


def test_a_move_is_nudged_and_stands_in_the_text_file(page_of, roll, tab, picture):
    before = move_of(roll, 2)[0]
    tab.goto(page_of.url(roll, TAKE))
    picture(tab, "take", full_page=True)
    track = tab.locator("#track-2")
    lead = track.locator(".leads").first.text_content()
    track.get_by_role("button", name="Half a decibel more").first.click()
    expect(track.locator("tr.fixed")).to_have_count(1)
    assert track.locator(".leads").first.text_content() != lead
    after = move_of(roll, 2)[0]
    assert after.gain_db == pytest.approx(before.gain_db + 0.5)
    assert after.fixed
    track.get_by_label("Gain of passage 1").fill("12.3")
    with tab.expect_response(lambda answer: "/moves?" in answer.url):
        track.get_by_label("Gain of passage 1").press("Enter")
    expect(track.get_by_label("Gain of passage 1")).to_have_value("12.3")
    assert move_of(roll, 2)[0].gain_db == 12.3
    track.get_by_role("button", name="Put back what was proposed").click()
    expect(track.locator("tr.fixed")).to_have_count(0)
    assert move_of(roll, 2)[0].gain_db == before.gain_db


def test_a_passage_is_split_where_the_trace_is_clicked_and_joined_again(page_of, roll, tab):
    tab.goto(page_of.url(roll, TAKE))
    track = tab.locator("#track-2")
    track.locator(".trace").scroll_into_view_if_needed()
    box = track.locator(".trace svg").bounding_box()
    tab.mouse.click(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.5)
    assert 4 < float(track.locator("input[name=at_s]").input_value()) < 10
    track.get_by_role("button", name="Split the passage here").click()
    expect(track.locator(".moves tbody tr")).to_have_count(2)
    one, two = move_of(roll, 2)
    assert one.end_s == two.start_s
    track.get_by_role("button", name="Join with next").first.click()
    expect(track.locator(".moves tbody tr")).to_have_count(1)
    track.get_by_role("button", name="Take out").click()
    expect(track.locator(".moves")).to_have_count(0)
    assert not move_of(roll, 2)


def shown_stretch(tab):
    trace = tab.locator("#track-1 .trace")
    return float(trace.get_attribute("data-from")), float(trace.get_attribute("data-to"))


def test_a_stretch_is_seen_from_near_by_drag_by_key_and_by_button(page_of, roll, tab):
    tab.goto(page_of.url(roll, TAKE))
    trace = tab.locator("#track-1 .trace")
    box = trace.locator("svg").bounding_box()
    with tab.expect_response(lambda answer: "/trace?" in answer.url):
        tab.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 60)
        tab.mouse.down()
        tab.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 60, steps=4)
        tab.mouse.up()
    for number in (1, 2):
        expect(tab.locator(f"#track-{number} .trace")).not_to_have_attribute("data-from", "0.0")
    start, end = shown_stretch(tab)
    assert 4 < start < 7 < end < 11  # of 14 s
    expect(trace.locator("svg")).to_have_attribute("aria-label", re.compile(r"0:0\d\.\d to 0:\d\d\.\d"))
    assert f"from_s={start:.3f}" in tab.url
    trace.focus()
    with tab.expect_response(lambda answer: "/trace?" in answer.url):
        tab.keyboard.press("+")
    expect(trace).not_to_have_attribute("data-from", str(start))
    near = shown_stretch(tab)
    assert near[1] - near[0] == pytest.approx((end - start) / 2, abs=0.01)
    expect(trace).to_be_focused()
    tab.reload()
    assert shown_stretch(tab) == pytest.approx(near, abs=0.01)
    tab.get_by_role("button", name="Whole take").click()
    expect(trace).to_have_attribute("data-from", "0")
    assert "from_s" not in tab.url


def test_a_stretch_needs_no_script(page_of, roll):
    with page_of.client() as client:
        near = client.get(page_of.url(roll, f"{TAKE}&from_s=2&to_s=6&zoom=closer")).text
    assert 'name="from_s" type="number" min="0" max="14.0" step="any" value="3.0"' in near
    assert "0:03.0 to 0:05.0" in near


def test_pairs_are_drawn_with_the_gain_between_them(page_of, roll, tab):
    with Logbook(roll) as logbook:
        held = logbook.examination()
        passages = (
            PairPassage(0, 6, 12.0, "steady", 0.0, 1, "the copy's noise lies 3 dB higher, level for level"),
            PairPassage(6, 14, 12.0, "clipped", -8.5, 2, "the first: flat at 0.0 dBFS"),
        )
        pair = Pair("7-2", 1, "7-2", 2, 0.999, 12.0, 0.0, 0.0, passages)
        logbook.save_examination(replace(held, pairs=(pair,)))
    tab.goto(page_of.url(roll, TAKE))
    tab.locator("#pairs").scroll_into_view_if_needed()
    expect(tab.locator("#pairs h3").first).to_have_text("Boom and Lav: +12.00 dB between them")
    expect(tab.locator(".drawn-pair svg")).to_have_attribute(
        "aria-label", re.compile("the gain between them")
    )
    expect(tab.locator(".passages tbody tr").nth(1)).to_contain_text("at a rail by −8.5 dB")
    tab.get_by_label("Hold", exact=True).select_option("2")
    tab.get_by_label("against", exact=True).select_option("1")
    tab.get_by_role("button", name="Draw them").click()
    expect(tab.locator("#held svg")).to_have_attribute("aria-label", re.compile("^2 Lav and 1 Boom"))


def test_before_and_after(page_of, roll, tab):
    tab.goto(page_of.url(roll, TAKE))
    tab.get_by_role("button", name="After the moves").click()
    expect(tab.get_by_role("button", name="After the moves")).to_have_attribute("aria-pressed", "true")
    expect(tab.locator("#track-2 svg").first).to_have_attribute("aria-label", re.compile("after its moves"))


def test_notes_circle_and_names_are_saved(page_of, roll, tab):
    tab.goto(page_of.url(roll, "take?id=7-1"))
    tab.get_by_label("Note", exact=True).fill("Best one, =SUM(A1)")
    tab.get_by_label("Circled").check()
    tab.get_by_role("button", name="Save").last.click()
    expect(tab.locator("h1")).to_contain_text("circled")
    line = read_notes(roll)[0]
    assert (line.take, line.note, line.circled, line.scene) == ("7-1", "Best one, =SUM(A1)", True, "")
    tab.get_by_text("Name and role of track 2").click()
    tab.get_by_label("Name", exact=True).nth(1).fill("Tobin")
    tab.locator("#track-2 .names").get_by_role("button", name="Save").click()
    expect(tab.locator("#h-2")).to_contain_text("Tobin")
    assert [(label.take, label.track, label.name) for label in read_labels(roll)] == [("7-1", 2, "Tobin")]


def test_listening_starts_where_the_moment_is_and_stays_safe(page_of, roll, tab):
    tab.goto(page_of.url(roll, TAKE))
    expect(tab.locator("#caution")).to_contain_text("brought to a safe level")
    track = tab.locator("#track-2")
    track.get_by_label("Moment").nth(1).fill("6.0")
    with tab.expect_response(lambda answer: "/listen?" in answer.url) as asked:
        track.get_by_role("button", name="Listen levelled").click()
    assert asked.value.status == 206
    for _ in range(100):  # the policy lets no string be run as a script, not even the test's
        if tab.evaluate("document.getElementById('player').currentTime") > 6.05:
            break
        tab.wait_for_timeout(50)
    assert tab.evaluate("document.getElementById('player').currentTime") > 6.05
    expect(track.get_by_role("button", name="Stop")).to_be_visible()
    track.get_by_role("button", name="Stop").click()
    assert tab.evaluate("document.getElementById('player').paused")
    with page_of.client() as client:
        data = client.get(asked.value.url).content
    with wave.open(io.BytesIO(data)) as file:
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768
    assert 20 * np.log10(np.abs(samples).max()) <= CEILING_DBTP
    assert np.abs(samples).max() > 0.02  # a track recorded 35 dB low is heard


def test_spectrum_of_a_moment(page_of, roll, tab):
    tab.goto(page_of.url(roll, TAKE))
    tab.locator("#track-1").get_by_role("button", name="Spectrum").click()
    expect(tab.locator("#spectrum-1 svg")).to_have_attribute(
        "aria-label", re.compile("Third-octave spectrum of Boom")
    )


def test_hand_over_says_what_is_in_the_way_then_writes_and_opens_the_report(page_of, roll, tab, picture):
    tab.goto(page_of.url(roll, "handover"))
    expect(tab.locator("main")).to_contain_text("What is in the way")
    expect(tab.locator("main")).to_contain_text("audio/7T1.wav")
    tab.get_by_label("The package’s folder").fill("/media/transfer/tide-clock-roll-a")
    picture(tab, "hand-over", full_page=True)
    tab.get_by_label("The package’s folder").fill(str(roll / "inside"))
    tab.get_by_role("button", name="See what it would hold").click()
    expect(tab.get_by_role("alert")).to_contain_text("never lies among the media")
    tab.get_by_label("The package’s folder").fill(str(roll.parent / "package"))
    tab.get_by_role("button", name="Hand over", exact=True).click()
    link = tab.get_by_role("link", name="Open the sound report")
    expect(link).to_be_visible(timeout=60_000)
    assert (roll.parent / "package" / "report" / "sound-report.pdf").is_file()
    link.click()
    expect(tab.locator("h1")).to_have_text("The Tide Clock")


def test_from_the_day_sheet_to_a_changed_move_by_keyboard_alone(page_of, roll, tab):
    before = move_of(roll, 2)[0].gain_db
    tab.goto(page_of.url(roll))
    tab.keyboard.press("Tab")
    expect(tab.get_by_role("link", name="To the sheet")).to_be_focused()
    tab.keyboard.press("Enter")
    for _ in range(20):
        tab.keyboard.press("Tab")
        if tab.evaluate("document.activeElement.closest('#day tr') !== null"):
            break
    tab.keyboard.press("ArrowDown")
    tab.keyboard.press("Enter")
    expect(tab.locator("h1")).to_contain_text("Scene 7")
    for _ in range(60):
        tab.keyboard.press("Tab")
        if tab.evaluate("document.activeElement.id") == "up-2-1":
            break
    assert tab.evaluate("document.activeElement.id") == "up-2-1"
    outline = tab.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    tab.keyboard.press("Enter")
    expect(tab.locator("#track-2 tr.fixed")).to_have_count(1)
    assert tab.evaluate("document.activeElement.id") == "up-2-1"  # and the keyboard stays where it was
    assert move_of(roll, 2)[0].gain_db == pytest.approx(before + 0.5)
    trace = tab.locator("#track-1 .trace")
    trace.focus()
    tab.keyboard.press("Shift+ArrowRight")
    tab.keyboard.press("ArrowLeft")
    expect(trace).to_have_attribute("aria-valuetext", "0:09.0")


@pytest.mark.parametrize(("width", "height"), [(360, 740), (3840, 2160)])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_screen_is_wider_than_its_window(page_of, roll, tab, picture, width, height, scheme, tmp_path):
    tab.emulate_media(color_scheme=scheme)
    tab.set_viewport_size({"width": width, "height": height})
    (tmp_path / "day.toml").write_text(example_day())
    outside = ("plan", f"plan?path={tmp_path / 'day.toml'}"), ("kit", "kit"), ("bench", "bench")
    inside = ("day", ""), ("take", TAKE), ("hand-over", "handover"), ("jobs", "jobs")
    for name, rest in inside + outside:
        tab.goto(page_of.url(roll, rest) if (name, rest) in inside else page_of.address + rest)
        tab.wait_for_load_state("networkidle")
        assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth"), name
        if (width, scheme) == (360, "dark") and name in ("day", "take"):
            picture(tab, f"{name}-narrow-dark")


def test_a_script_in_the_metadata_stays_text(page_of, tab, tmp_path):
    from small_card import speech, write_take
    from takewell.cli.main import run

    attack = "<img src=x onerror=alert(1)><script>alert(2)</script>'\"&"
    folder = tmp_path / "bad"
    write_take(folder / "x.wav", [speech(6, seed=8)] * 2, names=(attack, "Lav"), scene=attack, note=attack)
    (folder / "takewell").mkdir()
    assert run(["examine", str(folder)]) in (0, 1)
    assert run(["level", str(folder)]) == 0
    asked = []
    tab.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    tab.goto(page_of.url(folder))
    expect(tab.locator("#day")).to_contain_text(attack)
    expect(tab.locator(".strip")).to_have_count(2)
    tab.locator("#day tbody a").click()
    expect(tab.locator("h1")).to_contain_text("<script>")
    expect(tab.locator("#h-1")).to_contain_text(attack)
    tab.goto(page_of.url(folder, "handover"))
    assert tab.locator("main img, main script").count() == 0
    assert not asked


def test_of_two_tabs_the_second_is_told_and_nothing_is_lost(page_of, roll, tab):
    other = tab.context.new_page()
    for one in (tab, other):
        one.goto(page_of.url(roll, TAKE))
    tab.get_by_label("Gain of passage 1 of Lav").fill("5")
    tab.get_by_label("Gain of passage 1 of Lav").press("Enter")
    expect(tab.locator("#track-2 tr.fixed")).to_have_count(1)
    other.get_by_label("Gain of passage 1 of Lav").fill("9")
    other.get_by_label("Gain of passage 1 of Lav").press("Enter")
    expect(other.get_by_role("alert")).to_contain_text("changed elsewhere meanwhile")
    expect(other.get_by_label("Gain of passage 1 of Lav")).to_have_value("5.0")
    assert move_of(roll, 2)[0].gain_db == 5
    # A conflict is an answer like any other to the script; the browser's own log line about it is no error of ours.
    tab.wrong[:] = [line for line in tab.wrong if "409" not in line]


def test_a_broken_moves_file_is_said_with_file_and_line(page_of, roll, tab):
    moves_path(roll).write_text("take,track,start_s,end_s,gain_db\n7-2,2,0,14,loud\n")
    tab.goto(page_of.url(roll, TAKE))
    expect(tab.get_by_role("alert").first).to_contain_text("line 2")


def test_it_prints_as_a_day_sheet(page_of, roll, tab):
    tab.goto(page_of.url(roll))
    tab.emulate_media(media="print")
    expect(tab.locator(".filter")).to_be_hidden()
    expect(tab.locator("#day")).to_be_visible()


def test_it_works_without_the_script(chromium, page_of, roll):
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(page_of.url(roll, TAKE))
    page.get_by_label("Gain of passage 1 of Lav").fill("4")
    page.locator("#set-2-1").click()
    expect(page.locator("#track-2 tr.fixed")).to_have_count(1)
    assert move_of(roll, 2)[0].gain_db == 4
    context.close()


def test_what_the_moves_of_a_long_take_lead_to_comes_behind_its_sheet(roll, monkeypatch):
    monkeypatch.setattr("takewell.page.screens.take.LONG_TAKE_S", 1.0)
    app = application(Address(loopback(8000)), [roll.parent])
    client = TestClient(app, base_url="http://127.0.0.1:8000")
    base = f"/roll/{roll_key(roll)}/"
    sheet = client.get(base + TAKE).text
    assert "LUFS</span><br>" not in sheet.split('<table class="moves">')[1].split("</table>")[0]
    later = [html.unescape(part) for part in re.findall(r'data-lazy="(leads[^"]*)"', sheet)]
    assert len(later) == len(move_of(roll, 1)) + len(move_of(roll, 2))
    for part in later:
        assert re.search(r"speech −23\.0 LUFS", client.get(base + part).text)
    assert client.get(f"{base}leads?id=7-2&track=1&move=99").status_code == 400
