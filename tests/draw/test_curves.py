"""Curves: where points lie on the paper, and that nothing depends on colour."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from takewell.draw import PAPER
from takewell.draw.curves import FOOT, LEFT, RIGHT, TOP, PlottedCurve, curve_drawing, steps_between


def drawn(curves: list[PlottedCurve], *, logarithmic: bool = False) -> ElementTree.Element:
    svg = curve_drawing(
        curves,
        title="T",
        x_label="Hz",
        y_label="dB",
        palette=PAPER,
        logarithmic=logarithmic,
        width=760,
        height=300,
    )
    return ElementTree.fromstring(svg)


def points(path: str) -> np.ndarray:
    return np.array([[float(v) for v in pair.split(",")] for pair in re.findall(r"[\d.]+,[\d.]+", path)])


def curve_paths(root: ElementTree.Element) -> list[ElementTree.Element]:
    return [e for e in root.iter() if e.attrib.get("stroke-linejoin") == "round"]


def test_a_decade_takes_the_same_room_everywhere() -> None:
    root = drawn([PlottedCurve("a", (10, 100, 1000, 10_000), (0, -1, -2, -10))], logarithmic=True)
    xy = points(curve_paths(root)[0].attrib["d"])
    assert np.diff(xy[:, 0]) == pytest.approx(np.full(3, (760 - RIGHT - LEFT) / 3), abs=0.11)
    assert xy[0, 1] == pytest.approx(TOP, abs=0.06)
    assert xy[3, 1] == pytest.approx(300 - FOOT, abs=0.06)


def test_curves_are_told_apart_without_colour() -> None:
    root = drawn([PlottedCurve(name, (0, 1, 2), (k, k, k)) for k, name in enumerate("abc")])
    paths = curve_paths(root)
    assert len({p.attrib.get("stroke-dasharray") for p in paths}) == 3
    assert len({p.attrib["stroke"] for p in paths}) == 1
    words = [e.text for e in root.iter() if e.text]
    assert {"a", "b", "c", "T", "Hz", "dB"} <= set(words)


def test_points_that_are_no_numbers_are_left_out() -> None:
    root = drawn([PlottedCurve("a", (0, 1, 2), (1, float("nan"), 3)), PlottedCurve("b", (), ())])
    assert len(points(curve_paths(root)[0].attrib["d"])) == 2
    assert drawn([]) is not None


@pytest.mark.parametrize(("low", "high"), [(-3.2, 1.1), (0, 0), (-0.004, 0.003), (-140, 20)])
def test_steps_are_round_and_cover_the_range(low: float, high: float) -> None:
    steps = steps_between(low, high)
    assert steps[0] <= low
    assert steps[-1] >= high
    assert np.allclose(np.diff(steps), steps[1] - steps[0])
    assert f"{(steps[1] - steps[0]):e}"[0] in "125"
    assert len(steps) <= 11
