"""The ladder and the risk curve: whole SVG, figures in every unit, damage in words."""

import itertools
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.draw import PAPER
from takewell.draw.ladder import Post, Rung, ladder_drawing, spread
from takewell.draw.risk import risk_drawing

SVG = "{http://www.w3.org/2000/svg}"
POSTS = (
    Post("at the microphone", "dB SPL", 0.0, None, 20.0),
    Post("microphone", "dBV", -132.0, 128.0, 21.0),
    Post("file", "dBFS", -120.0, 120.0, 21.5),
)
RUNGS = (Rung("whisper", 42.0, 57.0), Rung("slam <&>", 100.0, 123.0, broken_at=2, excess_db=3.0))


def texts(svg):
    return [node.text for node in ET.fromstring(svg).iter(f"{SVG}text")]


@pytest.fixture
def ladder():
    return ladder_drawing(POSTS, RUNGS, title="a <chain>", palette=PAPER)


def test_every_post_has_its_name_unit_limit_and_floor(ladder):
    found = texts(ladder)
    for words in (
        "at the microphone",
        "dB SPL",
        "no limit",
        "microphone",
        "dBV",
        "−4",
        "file",
        "dBFS",
        "0",
        "−98",
    ):
        assert words in found


def test_every_rung_reads_in_every_unit(ladder):
    found = texts(ladder)
    for words in ("whisper", "+42", "−90", "−78", "slam <&>", "+100", "−32", "−20"):
        assert words in found


def test_what_gives_way_is_said_in_words_not_colour_alone(ladder):
    assert "+3, 3 over" in texts(ladder)
    broken = [n for n in ET.fromstring(ladder).iter(f"{SVG}path") if n.get("stroke-dasharray")]
    assert broken
    assert all(n.get("stroke") == PAPER.damage for n in broken)


def test_the_drawing_says_what_it_shows(ladder):
    root = ET.fromstring(ladder)
    assert root.get("role") == "img"
    assert root.get("aria-label") == "a <chain>"


def test_a_rung_lies_level_through_all_posts(ladder):
    root = ET.fromstring(ladder)
    heights = {}
    for dot in root.iter(f"{SVG}circle"):
        heights.setdefault(dot.get("cy"), []).append(dot.get("cx"))
    assert len(heights) == len(RUNGS)
    assert all(len(xs) == len(POSTS) for xs in heights.values())


@given(st.lists(st.floats(0, 300), max_size=20))
def test_labels_never_touch_and_stay_near_where_they_belong(wanted):
    places = spread(wanted, 0, 300, gap=12)
    inside = sorted(places)
    assert all(b - a >= 12 - 1e-6 for a, b in itertools.pairwise(inside))
    # Their order is kept, so no label stands beside another's line.
    assert [k for _, k in sorted((w, k) for k, w in enumerate(wanted))] == [
        k for _, _, k in sorted((p, w, k) for k, (p, w) in enumerate(zip(places, wanted, strict=True)))
    ]


def test_labels_with_room_stand_where_they_belong():
    assert spread([50.0, 10.0, 90.0], 0, 100, gap=12) == [50.0, 10.0, 90.0]


def test_the_risk_curve_shows_set_gain_and_window():
    svg = risk_drawing(
        [0.0, 20.0, 40.0], [0.0, 1.0, 100.0], [40.0, 25.0, 20.0], gain_db=20.0, window_db=(10.0, 20.0), title="t", palette=PAPER
    )  # fmt: skip
    assert "set: +20 dB" in texts(svg)
    assert "+40" in texts(svg)  # both a gain and a floor
    bands = list(ET.fromstring(svg).iter(f"{SVG}rect"))
    assert len(bands) == 1
    none = risk_drawing(
        [0.0, 20.0], [0.0, 1.0], [40.0, 25.0], gain_db=20.0, window_db=None, title="t", palette=PAPER
    )
    assert not list(ET.fromstring(none).iter(f"{SVG}rect"))


def test_a_name_too_long_for_its_place_is_cut_and_shown_to_be():
    svg = ladder_drawing(POSTS, [Rung("the door at the far end", 60.0, 80.0)], title="t", palette=PAPER)
    assert "the door at the far…" in texts(svg)
