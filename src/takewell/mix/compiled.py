"""Which compiled loops does every mix need?"""

import numpy as np

from takewell.mix.levels import Levels
from takewell.mix.sharing import Sharing
from takewell.mix.spill import learn
from takewell.mix.sum import Summing


def run_loops() -> None:
    """Run each of them once, so that they are compiled."""
    power = np.full((300, 2), 1e-3)
    levels = Levels.of(lambda first, stop: power[first:stop], len(power))
    spill = learn(levels.stretches, levels.loudest)
    sharing = Sharing(levels, np.zeros(2), release_db_per_s=60.0, hold=True, spill=spill)
    ((_, shares, _),) = sharing.stretches()
    for kind in (np.float32, np.float64):
        Summing(48_000, np.ones((2, 1)), [0, 0]).add(np.zeros((480, 2), kind), 0, shares, 0)
