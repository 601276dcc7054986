"""Mid/side against its published formulae, and places between loudspeakers."""

import numpy as np
import pytest

from takewell.shape.mid_side import left_right, mid_side
from takewell.shape.places import CHANNEL_MASKS, CHANNELS, places


def test_sum_and_difference() -> None:
    # L = M + S, R = M - S; M = (L + R) / 2, S = (L - R) / 2 (common practice, no source).
    assert left_right(np.array([[1.0, 0.25], [0.0, 1.0]])).tolist() == [[1.25, 0.75], [1.0, -1.0]]
    sides = np.random.default_rng(1).standard_normal((50, 2))
    assert left_right(mid_side(sides)) == pytest.approx(sides, abs=1e-15)


@pytest.mark.parametrize("width", [0.0, 0.25, 0.5, 0.9, 1.5, 2.0])
def test_width_leaks_a_side_as_the_formula_says(width: float) -> None:
    left, right = left_right(mid_side(np.array([[1.0, 0.0]])), width)[0]
    expected = 20 * np.log10(abs((1 - width) / (1 + width))) if width else 0.0
    assert 20 * np.log10(abs(right / left)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("pan", "left_db", "right_db"), [(0, -3.0103, -3.0103), (-1, 0, None), (1, None, 0)])
def test_stereo_places(pan: float, left_db: float | None, right_db: float | None) -> None:
    (row,) = places("stereo", [pan])
    for gain, expected in zip(row, (left_db, right_db), strict=True):
        assert (
            abs(gain) < 1e-15
            if expected is None
            else 20 * np.log10(gain) == pytest.approx(expected, abs=1e-4)
        )


@pytest.mark.parametrize("layout", ["stereo", "5.1"])
def test_every_place_has_the_same_power(layout: str) -> None:
    rows = places(layout, np.linspace(-1, 1, 41))  # type: ignore[arg-type]
    assert (rows**2).sum(axis=1) == pytest.approx(1.0)
    assert (rows >= 0).all()


def test_in_surround_the_middle_is_the_centre_and_lfe_and_surrounds_stay_empty() -> None:
    rows = places("5.1", [-1.0, -0.5, 0.0, 1.0])
    assert CHANNELS["5.1"] == ("L", "R", "C", "LFE", "Ls", "Rs")
    assert rows[:, :3] == pytest.approx(
        np.array([[1, 0, 0], [0.5**0.5, 0, 0.5**0.5], [0, 0, 1], [0, 1, 0]]), abs=1e-12
    )
    assert not rows[:, 3:].any()
    # WAVE_FORMAT_EXTENSIBLE: FL 1, FR 2, FC 4, LFE 8, BL 10h, BR 20h.
    assert CHANNEL_MASKS["5.1"] == 0x1 | 0x2 | 0x4 | 0x8 | 0x10 | 0x20
