"""Where does a track fall into exact zeros and come back as suddenly?

Sound that came through a converter never holds a millisecond of exact zeros, and what fades or is gated by an
editor ends within a few steps of its own word length. A run of zeros whose neighbours on a live side are
well above that grain was cut by a machine: a radio link, a buffer, a card, a mute.

Conventions: runs are (start, end) samples of the take, end exclusive.
"""

import numpy as np

from takewell.examine.evidence import TrackEvidence
from takewell.examine.spans import Runs, merged, runs
from takewell.roll.reading import silent_spans

SILENCE_S = 0.3
"""From this length on a run of zeros is told as silence, below it as a dropout; longer than any stop in speech."""

FLANK_S = 0.001
"""Stretch on each side that has to be alive."""

GRAIN_S = 0.05
"""Stretch on each side from which the grain (the smallest non-zero magnitude) is read."""

LIVE_GRAINS = 8.0
"""A side is alive when it reaches this many grains within `FLANK_S`: fades end within a few, and noise
whose RMS is 4 grains or more reaches 8 in 48 samples with a probability beyond 0.9."""

BLOCK_STEPS = 100
"""Steps read at once: ten seconds."""


def zero_runs(heard: TrackEvidence, least_samples: int) -> Runs:
    """Return the runs of at least `least_samples` exact zeros, to the sample.

    Only the steps whose zeros could hold such a run, together with a neighbour's, are read; steps that are
    all zeros are not. Stretches that no file holds are silent in a trace, and left out here.
    """
    trace = heard.trace
    zeros = trace.zeros.astype(np.int64)
    lengths = np.diff(trace.edges)
    padded = np.concatenate(([0], zeros, [0]))
    full = (zeros == lengths) & (lengths > 0)
    beside_full = np.concatenate((full[1:], [False])) | np.concatenate(([False], full[:-1]))
    enough = np.maximum(padded[:-2], padded[2:]) + zeros >= least_samples
    hopeful = (zeros > 0) & (enough | beside_full)
    found = [np.stack((trace.edges[:-1][full], trace.edges[1:][full]), axis=1)]
    for first, last in runs(hopeful & ~full).tolist():
        for step in range(first, last, BLOCK_STEPS):
            start = int(trace.edges[step])
            stop = int(trace.edges[min(step + BLOCK_STEPS, last)])
            read = heard.reader.read([heard.track.number], start, stop - start)[:, 0]
            found.append(runs(read == 0) + start)
    every = np.concatenate(found)
    joined = merged(every[np.argsort(every[:, 0], kind="stable")], 0)
    joined = joined[joined[:, 1] - joined[:, 0] >= least_samples]
    for first, last in silent_spans(heard.track):
        joined = joined[(joined[:, 1] <= first) | (joined[:, 0] >= last)]
    return joined


def cut_sides(heard: TrackEvidence, start: int, stop: int) -> tuple[bool, bool]:
    """Return whether the track is alive right before and right after a run of zeros.

    A side that lies outside the take is not alive.
    """
    flank = max(4, round(FLANK_S * heard.rate))
    grain_span = round(GRAIN_S * heard.rate)
    before = np.abs(heard.samples(start - grain_span, start))
    after = np.abs(heard.samples(stop, stop + grain_span))
    around = np.concatenate((before, after))
    around = around[around > 0]
    if not len(around):
        return False, False
    grain = float(around.min())
    return (
        bool(len(before) and before[-flank:].max() >= LIVE_GRAINS * grain),
        bool(len(after) and after[:flank].max() >= LIVE_GRAINS * grain),
    )
