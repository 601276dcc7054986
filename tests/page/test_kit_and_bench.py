"""The kit's profiles and the bench's data sheets on the page."""

import json

import numpy as np
import pytest
from playwright.sync_api import expect
from starlette.testclient import TestClient

from takewell.bench.document import write_sheet
from takewell.bench.figures import Curve, DataSheet, Figure
from takewell.kit import (
    Measurement,
    parse_profile,
    profile_toml,
    read_profile,
    shipped_kit,
    shipped_text,
    with_measured,
)
from takewell.page import application
from takewell.page.guard import Address, loopback


@pytest.fixture
def client(tmp_path, monkeypatch):
    started = []
    monkeypatch.setattr("takewell.page.jobs.start", lambda *given: started.append(given) or 1)
    app = application(Address(loopback(8000)), [tmp_path])
    client = TestClient(app, base_url="http://127.0.0.1:8000", follow_redirects=False)
    client.started = started
    return client


def sheet(name, noise_dbu, *, corner_hz=15.0, floor_dbfs=-110.0):
    """Return a small data sheet of an invented recorder: a first-order high pass, noise, and a rail at full scale."""
    hertz = np.geomspace(20, 20_000, 40)
    response = 10 * np.log10(hertz**2 / (hertz**2 + corner_hz**2))
    level = np.linspace(-100, 6, 54)
    rest = 10 ** ((floor_dbfs - level) / 10) + 10 ** (np.clip(level, 0, 6) - 10)
    about = ("as told", "none", 1)
    return DataSheet(
        name,
        (
            Figure("dynamic_range", -floor_dbfs, "dB CCIR-RMS", "as told", "none", 0.07, 1),
            Figure("ein", noise_dbu, "dBu", "as told", "none", 0.1, 1, "gain +40 dB"),
        ),
        (
            Curve("frequency_response", tuple(hertz), tuple(response), "Hz", "dB", *about),
            Curve("thd_n_by_level", tuple(level), tuple(10 * np.log10(rest)), "dBFS", "dB", *about),
            Curve("linearity", tuple(level), tuple(-np.clip(level, 0, 6)), "dBFS", "dB", *about),
            Curve(
                "gain_error",
                (0, 20, 40, 60),
                (0, *(noise_dbu + 126) * np.arange(0.02, 0.07, 0.02)),
                "dB",
                "dB",
                *about,
            ),
        ),
        notes=("<b>no loop-back</b>",),
    )


@pytest.fixture
def sheets(tmp_path):
    """Two data sheets in a folder, beside a JSON file that is none."""
    folder = tmp_path / "bench"
    folder.mkdir()
    write_sheet(sheet("Heron", -127.5), folder / "heron.json")
    write_sheet(sheet("Curlew", -124.25, corner_hz=32, floor_dbfs=-103), folder / "curlew.json")
    (folder / "other.json").write_text(json.dumps({"a": 1}))
    return folder


def test_the_kit_lists_every_profile(client):
    text = client.get("/kit").text
    for key, profile in shipped_kit().items():
        assert f"/kit/profile?name={key}" in text
        assert profile.name.split(",")[0] in text.replace("&#39;", "'")


@pytest.mark.parametrize("key", ["cardioid", "two-converter-input", "li-ion-98wh", "tcxo-clock"])
def test_a_shipped_profile_is_shown_and_copied(client, tmp_path, key):
    assert "comes with Takewell" in client.get("/kit/profile", params={"name": key}).text
    asked = {"name": key, "folder": str(tmp_path), "key": "mine"}
    assert client.post("/kit/new", data=asked).status_code == 303
    assert (tmp_path / "mine.toml").read_text() == shipped_text(key)
    assert "is there already" in client.post("/kit/new", data=asked).text
    assert client.get("/kit/profile", params={"name": "../secret"}).status_code == 400


def test_a_profile_is_changed_and_a_wrong_value_is_said_with_its_line(client, tmp_path):
    path, text = tmp_path / "mine.toml", shipped_text("cardioid")
    path.write_text(text)
    shown = client.get("/kit/profile", params={"path": str(path)}).text
    state = shown.split('name="state" value="')[1].split('"')[0]
    fields = {"state": state, "base": text, "text": text, "do": "save"}
    wrong = client.post("/kit/profile", params={"path": str(path)}, data=fields | {"max_spl_db": "9000"})
    assert wrong.status_code == 422
    line = next(n for n, words in enumerate(text.splitlines(), 1) if words.startswith("max_spl_db"))
    assert f"Line {line}: max_spl_db is 9000" in wrong.text
    assert path.read_text() == text
    right = client.post("/kit/profile", params={"path": str(path)}, data=fields | {"max_spl_db": "131"})
    assert right.status_code == 303
    assert read_profile(path).max_spl_db == 131


def test_measured_values_stand_beside_the_data_sheets(client, tmp_path):
    base = shipped_kit()["two-converter-input"]
    found = with_measured(
        base, {"ein_dbu": Measurement(-125.4321, "2026-03-01", "heron.json", "as told", 0.12)}
    )
    path = tmp_path / "heron-input.toml"
    path.write_text(profile_toml(found))
    assert parse_profile(path.read_text(), path).ein_dbu == -125.4321
    text = client.get("/kit/profile", params={"path": str(path)}).text
    assert "−125.4" in text
    assert "2026-03-01" in text
    assert "−127" in text  # and what the data sheet had said


def test_data_sheets_stand_side_by_side(client, sheets):
    asked = {"at": str(sheets), "sheet": ["heron.json", "curlew.json"]}
    text = client.get("/bench", params=asked).text
    assert "Heron beside Curlew" in text
    row = text.split('<th scope="row">EIN</th>')[1].split("</tr>")[0]
    assert row.index("−127.50") < row.index("−124.25")
    assert 'aria-label="Frequency response"' in text
    assert "var(--ink)" in text  # the page's own ink, light and dark
    assert "1 other JSON file" in text
    assert "<b>no" not in text
    alone = client.get("/bench", params={"at": str(sheets)}).text
    assert "<h1>Curlew</h1>" in alone
    gone = client.get("/bench", params={"at": str(sheets), "sheet": "gone.json"}).text
    assert "not there any more" in gone


def test_a_data_sheet_behind_a_link_that_leads_out_is_not_read(client, sheets, tmp_path_factory):
    secret = tmp_path_factory.mktemp("elsewhere") / "swordfish.json"
    write_sheet(sheet("Swordfish", -1.0), secret)
    (sheets / "linked.json").symlink_to(secret)
    assert "Swordfish" not in client.get("/bench", params={"at": str(sheets), "sheet": "linked.json"}).text
    assert client.get("/bench", params={"at": "/etc"}).status_code == 404


@pytest.mark.parametrize(
    "change",
    [
        {"name": 7},
        {"figures": [{"key": "ein", "value": "low", "unit": "dBu", "method": "", "clause": ""}]},
        {
            "curves": [
                {"key": "c", "x": [1, 2], "y": [1], "x_unit": "", "y_unit": "", "method": "", "clause": ""}
            ]
        },
        {"notes": [1]},
    ],
)
def test_what_only_looks_like_a_data_sheet_is_named_not_shown(client, sheets, change):
    held = json.loads((sheets / "heron.json").read_text())
    (sheets / "heron.json").write_text(json.dumps(held | change))
    (sheets / "deep.json").write_text("[" * 100_000)
    answer = client.get("/bench", params={"at": str(sheets)})
    assert answer.status_code == 200
    assert "3 other JSON files" in answer.text


def test_measuring_is_a_job_in_the_benchs_folder(client, sheets, tmp_path):
    for name in ("a.wav", "b.wav", "programme.toml"):
        (tmp_path / name).write_bytes(b"")
    asked = {
        "at": str(sheets), "what": "bench-measure-into", "name": "Heron", "volts": "1.228",
        "files": f"{tmp_path}/a.wav\r\n{tmp_path}/b.wav\r\n", "programme": f"{tmp_path}/programme.toml",
    }  # fmt: skip
    answer = client.post("/bench", data=asked)
    assert answer.status_code == 303
    folder, _, [command], about = client.started[0]
    assert folder == sheets
    assert command[:2] == ["bench", "measure"]
    assert f"--programme={tmp_path}/programme.toml" in command
    assert command[-2:] == [f"{tmp_path}/a.wav", f"{tmp_path}/b.wav"]
    assert about["leads_to"].startswith("/bench?at=")
    assert "outside the folders" in client.post("/bench", data=asked | {"files": "/etc/passwd"}).text


def test_two_recorders_are_chosen_and_compared_in_the_browser(page_of, sheets, tab, picture):
    tab.goto(f"{page_of.address}folder?for=bench&path={sheets}")
    tab.get_by_role("button", name="See what lies here").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Curlew")
    tab.get_by_role("checkbox", name="Heron").check()
    tab.get_by_role("button", name="Side by side").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Curlew beside Heron")
    expect(tab.locator(".curves svg")).to_have_count(4)
    tab.locator(".sub").evaluate("where => { where.textContent = '/home/you/bench'; }")
    picture(tab, "bench")
