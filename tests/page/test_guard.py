"""Who may ask the page, for what, and which folders it looks into. Sources of the rules stand in `guard`."""

import pytest
from starlette.testclient import TestClient

from takewell.errors import FileError, SettingError
from takewell.page import application, serve
from takewell.page.guard import MOST_BODY_BYTES, Address, loopback
from takewell.page.places import Places, roll_key

HOME = "http://127.0.0.1:8000"


@pytest.fixture
def client(roll):
    app = application(Address(loopback(8000)), [roll.parent], roll)
    return TestClient(app, base_url=HOME, follow_redirects=False)


def test_another_name_for_this_machine_is_refused(client):
    # DNS rebinding: the browser thinks it talks to the attacker's host.
    assert client.get("/", headers={"host": "evil.example:8000"}).status_code == 421
    assert client.get("/", headers={"host": "127.0.0.1:9"}).status_code == 421
    assert client.get("/", headers={"host": "LOCALHOST:8000"}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_another_site_changes_nothing(client, roll, headers):
    answer = client.post(f"/roll/{roll_key(roll)}/notes?id=7-1", data={"note": "x"}, headers=headers)
    assert answer.status_code == 403
    assert not (roll / "takewell" / "notes.csv").exists()


def test_another_site_may_follow_a_link_but_not_read(client):
    foreign = {"sec-fetch-site": "cross-site"}
    assert client.get("/", headers=foreign | {"sec-fetch-mode": "navigate"}).status_code == 200
    assert client.get("/", headers=foreign | {"sec-fetch-mode": "no-cors"}).status_code == 403


def test_the_policy_allows_no_inline_script_and_no_frame(client):
    policy = client.get("/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy


def test_screens_hold_no_inline_script_or_style(client, roll):
    base = f"/roll/{roll_key(roll)}/"
    for url in (
        "/",
        base,
        f"{base}take?id=7-2",
        f"{base}handover",
        f"{base}jobs",
        "/checkin",
        "/plan",
        "/kit",
        "/bench",
    ):
        text = client.get(url).text
        assert "<style" not in text
        assert " style=" not in text
        assert " onclick" not in text
        assert text.count("<script") == text.count('<script type="module" src="/ink/')


def test_files_and_large_bodies_are_refused(client):
    assert client.post("/demo", files={"to": b"x"}).status_code == 415
    large = "to=" + "x" * MOST_BODY_BYTES
    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert client.post("/demo", content=large, headers=kind).status_code == 413
    chunked = client.post("/demo", content=(part for part in [large.encode()]), headers=kind)
    assert chunked.status_code in (400, 413, 422)
    assert client.get("/", params={"q": "x" * 20_000}).status_code == 414


def test_on_another_address_only_the_token_opens_and_it_lives_in_a_strict_cookie(roll):
    app = application(Address(frozenset({"10.0.0.5:8000"}), "right"), [roll.parent], roll)
    client = TestClient(app, base_url="http://10.0.0.5:8000", follow_redirects=False)
    assert client.get("/").status_code == 401
    assert client.get("/?token=wrong").status_code == 401
    assert client.get("/", headers={"cookie": "takewell-token=wrong"}).status_code == 401
    first = client.get("/?token=right&x=1")
    assert (first.status_code, first.headers["location"]) == (303, "/?x=1")
    kept = first.headers["set-cookie"].lower()
    assert "samesite=strict" in kept
    assert "httponly" in kept
    assert client.get("/").status_code == 200


@pytest.mark.parametrize(
    ("host", "token", "match"),
    [
        ("0.0.0.0", "t", "name the one"),
        ("192.0.2.1", None, "needs a token"),
        ("192.0.2.1", "t", "cannot be served"),
    ],
)
def test_an_address_that_cannot_be_guarded_or_used_is_refused(host, token, match):
    with pytest.raises(SettingError, match=match):
        serve(host=host, token=token)


def test_a_place_outside_the_allowed_folders_is_refused(client, roll):
    (roll.parent / "out").symlink_to("/etc")
    for path in ("/etc", str(roll.parent / "out"), f"{roll.parent}/../..", "relative", "", "/\0"):
        assert client.get("/folder", params={"for": "open", "path": path or " "}).status_code == 404
        assert client.get(f"/roll/{roll_key(path or '.')}/").status_code == 404
    assert client.get("/roll/!!!/").status_code == 404


def test_hidden_folders_are_neither_listed_nor_opened(tmp_path):
    (tmp_path / ".keys" / "in").mkdir(parents=True)
    (tmp_path / "day").mkdir()
    places = Places([tmp_path])
    assert [entry.name for entry in places.folder(str(tmp_path)).entries] == ["day"]
    with pytest.raises(FileError, match="outside the folders"):
        places.allowed(tmp_path / ".keys" / "in")


def test_a_sound_file_that_is_a_link_out_of_the_roll_is_not_read(client, roll, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "secret.wav"
    elsewhere.write_bytes((roll / "DAY1" / "7T1.wav").read_bytes())
    (roll / "DAY1" / "leak.wav").symlink_to(elsewhere)
    answer = client.get(f"/roll/{roll_key(roll)}/")
    assert answer.status_code == 404
    assert "outside the folders" in answer.text


def test_looking_at_a_card_writes_nothing_to_it(client, roll):
    card = roll.parent / "card"
    card.mkdir()
    asked = client.get("/open", params={"path": str(card)})
    assert "never checked in" in asked.text
    assert client.get(f"/roll/{roll_key(card)}/").status_code == 404
    assert client.get(f"/roll/{roll_key(card)}/jobs").status_code == 404
    assert not list(card.iterdir())


def test_an_error_shows_no_internals(client, roll, monkeypatch):
    monkeypatch.setattr("takewell.page.shelf.read_roll", lambda _: 1 / 0)
    answer = client.get(f"/roll/{roll_key(roll)}/")
    assert answer.status_code == 500
    assert "Traceback" not in answer.text
    assert "division" not in answer.text
