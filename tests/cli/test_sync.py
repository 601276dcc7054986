"""``takewell sync`` as scripts and people call it."""

import csv
import json

import numpy as np
import pytest
import soundfile

from small_card import speech

RATE = 48_000


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """A take of half a minute, a camera's 10 s of it (from second 8 on), a silent file and one that is no sound."""
    folder = tmp_path_factory.mktemp("shoot")
    roll, camera = folder / "roll", folder / "camera"
    roll.mkdir()
    camera.mkdir()
    said = speech(30, seed=1)
    soundfile.write(roll / "scene.wav", said, RATE, subtype="PCM_24")
    noise = np.random.default_rng(1).standard_normal(10 * RATE) * 1e-3
    soundfile.write(camera / "c1.wav", said[8 * RATE : 18 * RATE] + noise, RATE, subtype="PCM_16")
    soundfile.write(camera / "c2.wav", np.zeros(3 * RATE), RATE, subtype="PCM_16")
    return folder


KEYS = ["recording", "clip", "offset_s", "offset_uncertainty_s", "drift_ppm", "drift_uncertainty_ppm"]


def test_one_line_a_pair_with_the_promised_names(takewell, shoot):
    answer = takewell("sync", shoot / "roll", "--with", shoot / "camera" / "c1.wav", "--json")
    assert answer.code == 0
    (line,) = answer.lines
    assert list(line)[:8] == [*KEYS, "confidence", "method"]
    assert line["recording"] == "scene"
    assert line["offset_s"] == pytest.approx(-8.0, abs=1 / RATE)
    assert line["method"] == "sound"


def test_a_clip_without_a_partner_says_why_and_needs_a_person(takewell, shoot):
    answer = takewell("sync", shoot / "roll", "--with", shoot / "camera", "--json")
    assert answer.code == 1
    silent = answer.lines[1]
    assert silent["recording"] is None
    assert "silent" in silent["reason"]


def test_files_behind_with_may_be_many_and_a_bad_one_is_one_sentence(takewell, shoot, tmp_path):
    bad = tmp_path / "cut.mov"
    bad.write_bytes(b"\0\0\0\x14ftypqt  " + bytes(40))
    camera = shoot / "camera"
    answer = takewell("sync", shoot / "roll", "--with", camera / "c1.wav", bad, tmp_path / "gone.mp4")
    assert answer.code == 2
    assert "c1.wav" in answer.out
    assert len([line for line in answer.err.splitlines() if "cut.mov" in line]) == 1
    assert len([line for line in answer.err.splitlines() if "gone.mp4 is not there" in line]) == 1
    assert "Traceback" not in answer.err


def test_the_editor_gets_files_a_timeline_and_a_list(takewell, shoot, tmp_path):
    answer = takewell("sync", shoot / "roll", "--with", shoot / "camera" / "c1.wav", "--to", tmp_path / "out")
    assert answer.code == 0
    written = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"edit-list.edl", "sync.csv", "sync.html", "c1_scene.wav"} <= written
    with (tmp_path / "out" / "sync.csv").open() as file:
        (row,) = csv.DictReader(file)
    assert float(row["offset_s"]) == pytest.approx(-8.0, abs=1 / RATE)
    clip = soundfile.info(str(tmp_path / "out" / "c1_scene.wav"))
    assert clip.frames == 10 * RATE
    pytest.importorskip("opentimelineio", reason="OpenTimelineIO is not made for this Python")
    assert json.loads((tmp_path / "out" / "timeline.otio").read_text())


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--correct",), "say where with --to"),
        (("--distance", "-1"), "0 to 300 m"),
        (("--clock", "no-such-clock"), "no profile"),
        (("--take", "99"), "has no take"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(takewell, shoot, arguments, sentence):
    answer = takewell("sync", shoot / "roll", "--with", shoot / "camera" / "c1.wav", *arguments)
    assert answer.code == 2
    assert sentence in answer.err
    assert len(answer.err.splitlines()) == 1
