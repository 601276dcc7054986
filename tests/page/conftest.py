"""A small roll carried as far as its moves, the page served for it, and a browser to look with."""

import json
import os
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import httpx2 as httpx
import numpy as np
import pytest
from playwright.sync_api import Error, expect, sync_playwright

from small_card import speech, write_take
from takewell.cli.main import run
from takewell.page.places import roll_key

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


@pytest.fixture(scope="session")
def card(tmp_path_factory) -> Path:
    """Two takes: a good one; one with a boom held at a rail and a lavalier far too low. A mix belongs to neither."""
    folder = tmp_path_factory.mktemp("page-card")
    write_take(
        folder / "DAY1" / "7T1.wav",
        [speech(14, seed=1), speech(14, seed=2, voice="tobin")],
        note="Quay, wide",
    )
    low = speech(14, seed=4, voice="tobin", speech_dbfs=-60, floor_dbfs=-104)
    loud = np.clip(speech(14, seed=3) * 30, -1, 1)
    write_take(folder / "DAY1" / "7T2.wav", [loud, low], encoding="int24", take="2", start_s=36_100)
    return folder


@pytest.fixture(scope="session")
def prepared(card, tmp_path_factory) -> Path:
    """The roll, checked in, examined and with proposed moves."""
    roll = tmp_path_factory.mktemp("page-disk") / "roll"
    assert run(["checkin", str(card), "--to", str(roll)]) == 0
    assert run(["examine", str(roll)]) == 1
    assert run(["level", str(roll)]) == 0
    return roll


@pytest.fixture
def roll(prepared, tmp_path) -> Path:
    """A copy of the roll that a test may change."""
    return Path(shutil.copytree(prepared, tmp_path / "roll"))


PATIENCE_MS = 60_000
"""How long a screen is waited for: a busy machine is slow, and how fast it is says nothing here."""

expect.set_options(timeout=PATIENCE_MS)


class Served:
    """A page that is being served by a process of its own."""

    def __init__(self, process, address):
        self.process = process
        self.address = address

    def url(self, roll, rest=""):
        """Return the address of a screen of a roll."""
        return f"{self.address}roll/{roll_key(roll)}/{rest}"

    def client(self):
        """Return an HTTP client that asks as the page itself would."""
        return httpx.Client(base_url=self.address, headers={"origin": self.address.rstrip("/")}, timeout=60)

    def kill(self):
        """End the process as a crash would."""
        self.process.kill()
        self.process.wait()


@contextmanager
def serving(*arguments):
    """Serve the page until the block ends."""
    command = [sys.executable, "-m", "takewell", "page", "--json", "--no-browser", *map(str, arguments)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ | {"NO_COLOR": "1"})
    try:
        line = process.stdout.readline()
        assert line, "the page did not start"
        yield Served(process, json.loads(line)["address"])
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        process.stdout.close()


@pytest.fixture
def serve():
    """Return the function that serves a page."""
    return serving


@pytest.fixture(scope="session")
def page_of(tmp_path_factory):
    """One page for all rolls of these tests."""
    with serving("--root", tmp_path_factory.getbasetemp()) as served:
        yield served


@pytest.fixture(scope="session")
def chromium():
    """A browser; the test is skipped, with a sentence, where there is none."""
    path = next(filter(None, map(shutil.which, BROWSERS)), None)
    if path is None:
        pytest.skip("needs a Chromium browser, and none is installed here")
    with sync_playwright() as playwright:
        try:
            browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        except Error as error:
            pytest.skip(f"the browser at {path} cannot be started here: {str(error).splitlines()[0]}")
        yield browser
        browser.close()


@pytest.fixture
def tab(chromium):
    """A tab; at the end it must have logged no error."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    wrong = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    page.wrong = wrong
    yield page
    context.close()
    assert not wrong


@pytest.fixture
def picture():
    """Return a function that keeps a picture for the manual, where ``TAKEWELL_PICTURES`` asks for it."""
    folder = os.environ.get("TAKEWELL_PICTURES")

    def keep(page, name, *, full_page=False):
        if folder:
            page.screenshot(path=Path(folder) / f"page-{name}.png", full_page=full_page)

    return keep
