"""What a drift does, against a table computed outside the program."""

import csv
from fractions import Fraction
from pathlib import Path

import pytest

from takewell.sync.speed import drift_sentence, duration, frame_out_after_s, pulled

# Columns follow from 1 ppm = 86.4 ms a day, and 24, 25 and 30000/1001 frames a second.
with (Path(__file__).parents[1] / "data" / "sync" / "clock_drift.csv").open() as file:
    TABLE = list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.outside
@pytest.mark.parametrize("line", TABLE, ids=lambda line: f"{line['ppm']} ppm")
@pytest.mark.parametrize(("column", "rate"), [("24", 24), ("25", 25), ("29.97", Fraction(30_000, 1001))])
def test_a_frame_is_lost_when_the_table_says(line: dict[str, str], column: str, rate: Fraction) -> None:
    hours = frame_out_after_s(float(line["ppm"]), rate) / 3600
    # The table is rounded to three places.
    assert hours == pytest.approx(float(line[f"hours_to_1_frame@{column}"]), abs=5.1e-4)


def test_it_is_said_in_plain_words() -> None:
    # 1/25 s / 29e-6 = 1379 s = 23 minutes: on paper.
    assert "one frame out after 23 minutes" in drift_sentence(29.0, 1.0, Fraction(25))
    assert "slow" in drift_sentence(-29.0, 1.0, Fraction(25))
    assert "agree as far as can be told" in drift_sentence(0.5, 0.8, Fraction(25))


@pytest.mark.parametrize(
    ("ppm", "name"),
    [
        (1000.0, "pulled up 0.1 %"),
        (1040.0, "pulled up 0.1 %"),
        (-999.0, "pulled down 0.1 %"),
        (120.0, None),
        (-600.0, None),
    ],
)
def test_the_ratios_of_the_trade_are_named(ppm: float, name: str | None) -> None:
    assert pulled(ppm, 5.0) == name
    assert pulled(ppm, 1000.0) is None


def test_clocks_that_agree_never_part() -> None:
    assert frame_out_after_s(0.0, 25) == float("inf")
    assert [duration(s) for s in (1, 89, 1380, 40_000, 1e6)] == [
        "1 second",
        "89 seconds",
        "23 minutes",
        "11 hours",
        "12 days",
    ]
