"""The main job from card to hand-over, on the invented day, by the commands a person would call."""

import io
import json
from pathlib import Path

import pytest
from pypdf import PdfReader

from takewell.cli.main import run
from takewell.manifest import hash_file
from takewell.wave import open_audio, read_info


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole") / "day"
    assert run(["demo", str(folder)]) == 0, "the demo did not find what it had planted"
    return folder


def test_every_file_of_the_card_lies_in_the_roll_byte_for_byte(day: Path) -> None:
    card = {
        path.relative_to(day / "card"): hash_file(path)
        for path in (day / "card").rglob("*")
        if path.is_file()
    }
    assert len(card) == 28
    assert {path: hash_file(day / "roll" / path) for path in card} == card


def test_roll_and_package_hold_against_their_manifests(day: Path) -> None:
    assert run(["verify", str(day / "roll")]) == 0
    assert run(["verify", str(day / "package")]) == 0


def test_the_report_tells_the_day(day: Path) -> None:
    pages = PdfReader(io.BytesIO((day / "package" / "report" / "sound-report.pdf").read_bytes())).pages
    words = " ".join(page.extract_text() for page in pages)
    truth = json.loads((day / "truth.json").read_text())
    assert truth["title"] in words
    assert "49.97 Hz" in words
    for take in truth["takes"]:
        assert take["take"].split("-")[0] in words


def test_delivered_copies_carry_the_original_samples(day: Path) -> None:
    unfinished = next(day.glob("package/audio/30A-T02.WAV"))
    assert read_info(unfinished).recoveries == ()
    with open_audio(day / "card" / "ROLL03" / "30A-T02.WAV") as one, open_audio(unfinished) as other:
        assert one.info.length_samples == other.info.length_samples
        for block, again in zip(one.blocks(), other.blocks(), strict=True):
            assert (block == again).all()


def test_a_second_run_overwrites_no_package(day: Path, capfd: pytest.CaptureFixture[str]) -> None:
    answer = run(["handover", str(day / "roll"), "--to", str(day / "package"), "--spec", "editorial"])
    assert answer == 2
    assert "not empty" in capfd.readouterr().err
