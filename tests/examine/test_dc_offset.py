"""An offset is told by what it stands under, a rumble is none."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.engine.results import Passage
from takewell.examine.dc_offset import find_dc_offset
from takewell.examine.evidence import TakeEvidence

RATE = 48_000
Hear = Callable[..., TakeEvidence]
Babble = Callable[..., NDArray[np.float64]]


@pytest.mark.parametrize(("offset", "severity"), [(0.004, "note"), (-0.02, "minor"), (0.2, "minor")])
def test_an_offset_is_found_with_its_size_and_sign(
    hear: Hear, babble: Babble, offset: float, severity: str
) -> None:
    found = find_dc_offset(hear([babble(8) + offset]).tracks[0])
    assert [f.severity for f in found] == [severity]
    assert found[0].evidence["offset_fs"] == pytest.approx(offset, rel=0.1)


def test_clean_sound_and_a_rumble_stand_on_zero(hear: Hear, babble: Babble) -> None:
    rumble = 0.2 * np.sin(2 * np.pi * 3.3 * np.arange(8 * RATE) / RATE)
    assert find_dc_offset(hear([babble(8)]).tracks[0]) == []
    assert find_dc_offset(hear([babble(8) + rumble]).tracks[0]) == []


def test_a_small_offset_matters_under_speech_recorded_low(hear: Hear, babble: Babble) -> None:
    sound = 10 ** (-60 / 20) * babble(8)
    passage = Passage(0.0, 8.0, -83.0, -77.0, None, None, None)
    assert find_dc_offset(hear([sound + 1e-4], passages=[(passage,)]).tracks[0])
    loud = Passage(0.0, 8.0, -23.0, -17.0, None, None, None)
    assert find_dc_offset(hear([babble(8) + 1e-4], passages=[(loud,)]).tracks[0]) == []


def test_two_seconds_are_needed(hear: Hear) -> None:
    assert find_dc_offset(hear([np.full(RATE, 0.1)]).tracks[0]) == []
