"""Small pieces of kit with round figures, and the example day."""

import csv
from pathlib import Path

import pytest

from takewell.kit import Microphone, RecorderInput
from takewell.plan import example_day, read_day
from takewell.plan.day import Source as SourceInFront
from takewell.plan.levels import Conditions
from takewell.plan.sources import Loudness

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture
def table():
    """Read a table of published figures."""

    def read(name):
        with (DATA / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(line for line in file if not line.startswith("#")))

    return read


@pytest.fixture
def microphone():
    """10 mV/Pa, 14 dB A, gives way at 130 dB SPL."""
    return Microphone(
        name="m",
        transducer="condenser",
        pattern="omni",
        sensitivity_mv_pa=10.0,
        self_noise_db_a=14.0,
        max_spl_db=130.0,
        source_impedance_ohm=0.0,
        phantom_v=48.0,
        current_ma=3.0,
    )


@pytest.fixture
def recorder_input():
    """0 dBFS at +20 dBu behind the preamplifier, which gives way at +24 dBu; 110 dB A of range."""
    return RecorderInput(
        name="i",
        gain_min_db=0.0,
        gain_max_db=70.0,
        gain_step_db=1.0,
        ein_dbu=-128.0,
        max_input=((0.0, 24.0),),
        full_scale_dbu=20.0,
        converter_range_db_a=110.0,
        encoding="int24",
        phantom_v=48.0,
    )


@pytest.fixture
def conditions():
    """What a day asks: 1 % of risk, 1 dB of recorder noise, speech 20 dB over the floor."""
    return Conditions(48_000, 1.0, 1.0, 20.0)


@pytest.fixture
def source():
    """Make a source 1 m in front, by RMS level and crest factor."""

    def made(
        level_db_spl, crest_db=3.0103, sd_db=0.0, *, kind="crowd", rise_ms=20.0, distance_m=1.0, name="s"
    ):
        loudness = Loudness(kind, level_db_spl, crest_db, sd_db, rise_ms=rise_ms)
        return SourceInFront(name=name, loudness=loudness, distance_m=distance_m, off_axis_deg=0.0)

    return made


@pytest.fixture
def day_file(tmp_path):
    """Write the example day with some of its words replaced, and return its path."""

    def write(*replacements):
        text = example_day()
        for old, new in replacements:
            assert old in text, old
            text = text.replace(old, new, 1)
        path = tmp_path / "day.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture
def day(day_file):
    """Read the example day with some of its words replaced."""
    return lambda *replacements: read_day(day_file(*replacements))
