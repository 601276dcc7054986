"""A floor is held against the plan only where there is one, and told as a remark."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.engine.results import Passage
from takewell.examine.evidence import TakeEvidence
from takewell.examine.floor_off_plan import find_floor_off_plan
from takewell.plan.predictions import Prediction

Hear = Callable[..., TakeEvidence]
Babble = Callable[..., NDArray[np.float64]]


def planned(sd_db: float) -> Prediction:
    return Prediction("kitchen", ("10A",), "Boom", "iso", "float32", 30.0, -70.0, sd_db, ())


@pytest.mark.parametrize(
    ("floor", "sd_db", "found"),
    [(-70.0, 1.0, 0), (-64.5, 1.0, 0), (-62.0, 1.0, 1), (-62.0, 5.0, 0), (-95.0, 5.0, 1)],
)
def test_a_floor_off_the_plan_by_more_than_its_spread_is_told(
    hear: Hear, babble: Babble, floor: float, sd_db: float, found: int
) -> None:
    track = hear([babble(6)], passages=[(Passage(0.0, 6.0, -23.0, -20.0, floor, floor, None),)]).tracks[0]
    assert find_floor_off_plan(track) == []
    told = find_floor_off_plan(replace(track, planned=planned(sd_db)))
    assert [f.severity for f in told] == ["note"] * found
    assert all(f.evidence["off_plan_db"] == pytest.approx(floor + 70) for f in told)
