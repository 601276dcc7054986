"""A small roll of values to hand over, with nothing on disk."""

import numpy as np
import pytest

from handover_values import numbers_of, take_of, trace_of
from takewell.handover.sheet import MeasuredTrack


@pytest.fixture
def take():
    return take_of()


@pytest.fixture
def measured(take):
    talk = np.where(np.arange(600) // 20 % 2, -30.0, -68.0)
    return {
        track.number: MeasuredTrack(
            numbers_of(track.number, integrated_lufs=-31.24, true_peak_dbtp=-0.04), trace_of(talk)
        )
        for track in take.tracks
    }
