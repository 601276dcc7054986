"""The commands bench and whatif as scripts and people call them."""

import json

import numpy as np
import pytest
import soundfile

RATE = 48_000


@pytest.fixture(scope="module")
def programme(tmp_path_factory):
    from takewell.bench import ProgrammeSettings, write_signals

    folder = tmp_path_factory.mktemp("signals")
    settings = ProgrammeSettings(channels=1, gain_settings_db=(0.0,), step_s=1.0, noise_s=1.0, pause_s=1.0, clock_s=6.0, top_dbfs=0.0)  # fmt: skip
    write_signals(folder, settings)
    return folder


def test_signals_are_written_with_a_cue_sheet(takewell, tmp_path):
    answer = takewell(
        "bench",
        "signals",
        tmp_path / "s",
        "--channels",
        1,
        "--gains",
        "0",
        "--pause",
        1,
        "--top",
        0,
        "--json",
    )
    assert answer.code == 0
    assert len(answer.lines[0]["files"]) == 7
    assert (tmp_path / "s" / "cue-sheet.txt").exists()
    again = takewell("bench", "signals", tmp_path / "s")
    assert again.code == 2
    assert "is there already" in again.err


def test_a_data_sheet_is_printed_written_and_compared(takewell, programme, tmp_path):
    clock = programme / "2-clock.wav"
    answer = takewell("bench", "measure", clock, "--programme", programme / "programme.toml", "--name", "A/1", "--into", tmp_path, "--json")  # fmt: skip
    assert answer.code == 0
    sheet = answer.lines[0]
    found = next(f for f in sheet["figures"] if f["key"] == "clock_error")
    # The player's own file has no clock error.
    assert found["value"] == pytest.approx(0.0, abs=0.01)
    assert found["method"]
    assert found["clause"]
    assert json.loads((tmp_path / "A-1.json").read_text()) == sheet
    assert (tmp_path / "A-1-clock.toml").exists()
    assert "no profile of the input was written" in answer.err
    other = tmp_path / "other"
    takewell(
        "bench", "measure", clock, "--programme", programme / "programme.toml", "--name", "B", "--into", other
    )
    table = takewell(
        "bench", "compare", tmp_path / "A-1.json", other / "B.json", "--into", tmp_path / "plots"
    )
    assert table.code == 0
    assert "Clock error" in table.out
    same = takewell("bench", "compare", tmp_path / "A-1.json", tmp_path / "A-1.json")
    assert same.code == 2


def test_a_place_is_read(takewell, tmp_path):
    n = np.arange(3 * RATE)
    soundfile.write(tmp_path / "a.wav", 0.01 * np.sin(2 * np.pi * 1000 / RATE * n), RATE, subtype="PCM_24")
    answer = takewell("bench", "location", tmp_path / "a.wav", "--full-scale", 120, "--json")
    assert answer.lines[0][0]["leq_db_a"] == pytest.approx(80.0, abs=0.1)
    assert takewell("bench", "location", tmp_path / "a.wav").code == 2


def test_what_if_says_what_would_have_clipped(takewell, tmp_path):
    n = np.arange(4 * RATE)
    tone = 2 * np.sin(2 * np.pi * 440 / RATE * n) * (n % RATE < RATE // 2)
    soundfile.write(tmp_path / "a.wav", tone, RATE, subtype="FLOAT")
    answer = takewell(
        "whatif",
        tmp_path / "a.wav",
        "--chain",
        "encoding=int24",
        "--chain",
        "gain=-12,encoding=int16",
        "--json",
    )
    assert answer.code == 0
    found = answer.lines[0]
    over, under = found["chains"]
    assert len(over["channels"][0]["gave_way"]) == 4
    assert over["channels"][0]["gave_way"][0]["over_db"] == pytest.approx(6.02, abs=0.01)
    assert not under["channels"][0]["gave_way"]
    shown = takewell("whatif", tmp_path / "a.wav", "--chain", "encoding=int24")
    assert "Clips in 4 places" in shown.out
    wrong = takewell("whatif", tmp_path / "a.wav", "--chain", "loud")
    assert wrong.code == 2
    assert len(wrong.err.strip().splitlines()) == 1
