"""Planning on the page: a form over a TOML file that says what is wrong and where, and changes nothing else."""

import html
import re
import tomllib

import pytest
from playwright.sync_api import expect
from starlette.testclient import TestClient

from takewell.page import application
from takewell.page.guard import Address, loopback
from takewell.plan import example_day

GAIN = "setup/0/track/0/gain_db"


@pytest.fixture
def day(tmp_path):
    """An invented day in a file of its own."""
    path = tmp_path / "plans" / "day.toml"
    path.parent.mkdir()
    path.write_text(example_day(), encoding="utf-8")
    return path


@pytest.fixture
def client(tmp_path):
    app = application(Address(loopback(8000)), [tmp_path])
    return TestClient(app, base_url="http://127.0.0.1:8000", follow_redirects=False)


def form_of(answer):
    """Return what a browser would send of the plan's form."""
    fields = dict(re.findall(r'<input[^>]* name="([^"]+)" value="([^"]*)"', answer.text))
    fields |= dict(re.findall(r'<input type="hidden" name="(state)" value="([^"]*)"', answer.text))
    text = example_day()
    return {k: html.unescape(v) for k, v in fields.items() if "/" in k or k == "state"} | {
        "base": text,
        "text": text,
    }


def sent(client, day, changes, do="save", **more):
    fields = form_of(client.get("/plan", params={"path": str(day)})) | changes
    return client.post("/plan", params={"path": str(day)}, data=fields | {"do": do}, **more)


def test_a_changed_value_is_saved_and_comments_stay(client, day):
    assert sent(client, day, {GAIN: "40"}).status_code == 303
    assert day.read_text() == example_day().replace("gain_db = 46", "gain_db = 40", 1)


def test_saving_what_was_not_changed_changes_nothing(client, day):
    assert sent(client, day, {}).status_code == 303
    assert day.read_text() == example_day()


def test_what_is_wrong_is_said_with_its_line_at_its_field_and_nothing_is_written(client, day):
    answer = sent(client, day, {GAIN: "900"})
    line = next(n for n, words in enumerate(example_day().splitlines(), 1) if "gain_db = 46" in words)
    assert answer.status_code == 422
    assert f"Line {line}: gain_db is 900" in answer.text
    assert re.search(rf'name="{GAIN}" value="900"[^>]* aria-invalid="true"', answer.text)
    assert day.read_text() == example_day()


def test_a_word_where_a_number_belongs_is_kept_for_the_person_to_correct(client, day):
    answer = sent(client, day, {GAIN: "loud"})
    assert "gain_db is &#39;loud&#39;; it takes a number from -100 to 120." in answer.text
    assert f'name="{GAIN}" value="loud"' in answer.text


def test_a_file_that_was_changed_elsewhere_is_not_overwritten(client, day):
    fields = form_of(client.get("/plan", params={"path": str(day)}))
    other = example_day().replace("gain_db = 46", "gain_db = 12", 1)
    day.write_text(other)
    answer = client.post("/plan", params={"path": str(day)}, data=fields | {GAIN: "40", "do": "save"})
    assert answer.status_code == 422
    assert "changed elsewhere meanwhile" in answer.text
    assert day.read_text() == other


def test_text_and_fields_changed_together_both_count(client, day):
    text = example_day().replace("flight = true ", "flight = false ")
    assert sent(client, day, {GAIN: "40", "text": text.replace("\n", "\r\n")}).status_code == 303
    held = tomllib.loads(day.read_text())
    assert (held["flight"], held["setup"][0]["track"][0]["gain_db"]) == (False, 40)


def test_an_entry_comes_and_goes_and_is_saved_only_when_asked(client, day):
    more = sent(client, day, {}, do="add setup/0/track/0/source")
    assert "Mira acts the storm 2" in more.text
    assert "Not saved yet." in more.text
    less = sent(client, day, {}, do="remove setup/0/track/2")
    assert less.status_code == 200
    assert 'id="h-setup/0/track/2"' not in less.text
    assert day.read_text() == example_day()
    assert "open it again" in sent(client, day, {}, do="remove setup/9").text


def test_a_file_that_is_no_toml_opens_as_text_and_is_mended_there(client, day):
    day.write_text("name = = 1\n")
    answer = client.get("/plan", params={"path": str(day)})
    assert "Line 1: this is no TOML" in answer.text
    assert "name = = 1" in answer.text
    state = re.search(r'name="state" value="([^"]*)"', answer.text)[1]
    fields = {"state": state, "base": "name = = 1\n", "text": example_day(), "do": "save"}
    assert client.post("/plan", params={"path": str(day)}, data=fields).status_code == 303
    assert day.read_text() == example_day()


def test_reckoning_moves_the_ladder_and_writes_nothing(client, day):
    asked = {"headers": {"x-fragment": "1"}}
    first, second = (sent(client, day, {GAIN: gain}, "reckon", **asked).text for gain in ("46", "40"))
    ladder = r'id="levels-setup/0/track/0".*?(<svg.*?</svg>)'
    one, two = (re.search(ladder, text, re.DOTALL)[1] for text in (first, second))
    assert one != two
    assert "<html" not in first
    assert day.read_text() == example_day()


def test_a_profile_outside_the_allowed_folders_is_not_read(client, day, tmp_path_factory):
    secret = tmp_path_factory.mktemp("elsewhere") / "secret.toml"
    secret.write_text('password = "swordfish"')
    (day.parent / "linked.toml").symlink_to(secret)
    for name in (str(secret), "../../../secret.toml", "linked"):
        answer = sent(client, day, {"setup/0/track/0/microphone": name})
        assert answer.status_code == 422
        assert "swordfish" not in answer.text
        assert "password" not in answer.text


@pytest.mark.parametrize("path", ["/etc/passwd", "/etc/x.toml", "day.txt", "nowhere.toml", ".hidden.toml"])
def test_only_toml_files_in_allowed_folders_are_opened(client, day, path):
    day.with_name("day.txt").write_text("x = 1")
    day.with_name(".hidden.toml").write_text("x = 1")
    for address in ("/plan", "/kit/profile", "/plan/sheet"):
        assert client.get(address, params={"path": str(day.parent / path)}).status_code == 404


def test_a_new_day_is_the_example_and_overwrites_nothing(client, tmp_path):
    asked = {"folder": str(tmp_path), "name": "../wedding"}
    answer = client.post("/plan/new", data=asked)
    assert answer.status_code == 303
    assert (tmp_path / "wedding.toml").read_text() == example_day()
    assert "is there already" in client.post("/plan/new", data=asked).text
    assert client.post("/plan/new", data={"folder": "/etc", "name": "x"}).status_code == 404


def test_words_of_a_day_cannot_become_markup(client, day):
    attack = "<img src=x onerror=alert(1)></textarea><script>alert(2)</script>"
    text = (
        example_day()
        .replace('"Hundred Winters, roll R03"', f"'{attack}'")
        .replace('"Boom"', f"'{attack}'", 1)
    )
    day.write_text(text)
    answer = client.get("/plan", params={"path": str(day)}).text
    assert "<img" not in answer
    assert "<script>alert" not in answer
    assert answer.count("</textarea>") == 2


def test_the_page_for_the_cart_is_a_pdf(client, day):
    answer = client.get("/plan/sheet", params={"path": str(day)})
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF")


def test_a_plan_is_stored_in_a_roll(client, day, roll):
    assert client.post("/plan/into", params={"path": str(day)}, data={"roll": str(roll)}).status_code == 303
    assert (roll / "takewell" / "plan.json").is_file()
    assert (
        client.post("/plan/into", params={"path": str(day)}, data={"roll": str(day.parent)}).status_code
        == 404
    )


def test_a_value_is_changed_in_the_browser_and_the_ladder_follows(page_of, day, tab, picture):
    tab.goto(f"{page_of.address}plan?path={day}")
    tab.locator(".sub").evaluate(
        "where => { where.textContent = '2025-02-11 · /home/you/hundred-winters.toml'; }"
    )
    picture(tab, "plan")
    ladder = tab.locator("[id='levels-setup/0/track/0'] svg").first
    before = ladder.inner_html()
    gain = tab.locator(f"[id='f-{GAIN}']")
    gain.focus()
    with tab.expect_response(lambda answer: answer.request.method == "POST"):
        tab.keyboard.press("ArrowDown")
    expect(gain).to_have_value("45")
    expect(gain).to_be_focused()
    expect(tab.locator("#state")).to_have_text("Not saved yet.")
    expect(ladder).not_to_have_text(re.compile("^$"))
    assert ladder.inner_html() != before
    with tab.expect_response(lambda answer: answer.request.method == "POST"):
        gain.fill("999")
    expect(tab.get_by_role("alert")).to_contain_text("gain_db is 999")
    gain.fill("44")
    expect(tab.get_by_role("alert")).to_have_count(0)
    tab.get_by_role("button", name="Save", exact=True).first.click()
    expect(tab.locator("#state")).to_have_text("Saved.")
    assert "gain_db = 44" in day.read_text()
    assert "# the crew flies in" in day.read_text()
