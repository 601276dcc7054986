"""Which stretches of a track want a gain of their own?

1. A moved gain setting (the measurement's passages: level and floor jumped together) always begins a new
   passage, where it happened.
2. Inside a setting, the levels of the utterances are cut by a penalised change-point search (`change_points`):
   another talker, another distance, a shout. A change is only ever between two utterances, where nobody speaks.
   Where speech slowly grows louder or softer, the search finds one sloping stretch instead of many steps, if the
   gain can follow it at the rate allowed (`ride`).
3. Neighbours inside one setting whose loudness differs by less than the least move are one passage; a sloping one
   stays by itself.

The search works on the K-weighted level of each utterance, weighted by its seconds of speech (at most
`MOST_WEIGHT_S`, so one long speech is no anchor). The variance of one second of speech is estimated from
neighbouring utterances (median, so changes do not count) and held between 2.5 and 5 dB squared. One change
costs `CHANGE_COST` ln(seconds of speech) variances, and a slope `SLOPE_COST` times that logarithm. Quiet sounds that are no passage of speech (a breath, a
chair, a word from afar: `FAR_UNDER_DB` under the speech around and less than `LEAST_QUIET_S` together) are left
out of the search and go with the passage around them.

Conventions: times in seconds from the start of the take.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.level.change_points import segments
from takewell.level.loudness import passage_loudness
from takewell.level.ride import ridden, steepest_line, way
from takewell.level.settings import LevelSettings
from takewell.level.speech import Heard, Setting, Utterance, utterances

F64 = NDArray[np.float64]

CHANGE_COST = 3.0
SLOPE_COST = 5.0
LEAST_SPREAD_DB, MOST_SPREAD_DB = 2.5, 5.0
MOST_WEIGHT_S = 3.0
FAR_UNDER_DB = 10.0
AROUND_S = 20.0
LEAST_QUIET_S = 4.0
LEAST_SPEECH_S = 1.5
"""A setting with less speech than this has no loudness of speech worth the name."""

Begins = Literal["take", "setting", "speech"]


@dataclass(frozen=True)
class Passage:
    """A stretch of a track that gets one gain.

    `begins` says why it begins where it does: with the take, with a moved gain setting, or with other speech.
    `pause` is where the gain may travel at its start. Loudness and RMS are those of the speech in it, None where
    there is none; where the speech changes by `ride_lu` from the start to the end, those at its middle.
    """

    start_s: float
    end_s: float
    setting: Setting
    begins: Begins
    pause: tuple[float, float]
    utterances: tuple[Utterance, ...]
    loudness_lufs: float | None
    speech_rms_dbfs: float | None
    ride_lu: float = 0.0

    @property
    def clear(self) -> tuple[float, float]:
        """The part whose levels say nothing of another gain setting."""
        first, last = self.setting.clear
        return max(self.start_s, first), min(self.end_s, last)

    @property
    def speech_s(self) -> float:
        """Seconds of speech in it."""
        return sum(u.active_s for u in self.utterances)


def find_passages(heard: Heard, settings: Sequence[Setting], wanted: LevelSettings) -> list[Passage]:
    """Return the passages of a track, in order and without gaps.

    Parameters
    ----------
    heard : Heard
    settings : sequence of Setting
        Of the gain, as recorded.
    wanted : LevelSettings
        For the target (the gates stand by it), the smallest difference worth a change, and the fastest ride.
    """
    found: list[Passage] = []
    for index, setting in enumerate(settings):
        spoken = utterances(heard, setting.start_s, setting.end_s)
        parts = _cut(heard, setting, _groups(spoken, wanted), wanted)
        begins: Begins = "setting" if index else "take"
        parts[0] = replace(parts[0], begins=begins, pause=(setting.start_s, setting.start_s))
        found += parts
    return found


def measured(heard: Heard, passage: Passage, wanted: LevelSettings) -> Passage:
    """Return the passage with the loudness and RMS of the speech between its ends."""
    half = passage.ride_lu / 2
    loudness, rms = passage_loudness(
        heard.trace,
        heard.own,
        *passage.clear,
        target_lufs=wanted.target_lufs,
        gains=way(passage.start_s, passage.end_s, half, -half, wanted.joins) if half else None,
    )
    return replace(passage, loudness_lufs=loudness, speech_rms_dbfs=rms)


def _cut(
    heard: Heard,
    setting: Setting,
    groups: list[tuple[list[Utterance], float]],
    wanted: LevelSettings,
) -> list[Passage]:
    if not groups:
        return [Passage(setting.start_s, setting.end_s, setting, "take", (0.0, 0.0), (), None, None)]
    pauses = [
        heard.quiet(a[-1].end_s, b[0].start_s, "longest") for (a, _), (b, _) in itertools.pairwise(groups)
    ]
    middles = [setting.start_s, *(sum(pause) / 2 for pause in pauses), setting.end_s]
    parts = [
        measured(
            heard,
            Passage(
                start_s=middles[i],
                end_s=middles[i + 1],
                setting=setting,
                begins="speech",
                pause=pauses[i - 1] if i else (setting.start_s, setting.start_s),
                utterances=tuple(group),
                loudness_lufs=None,
                speech_rms_dbfs=None,
                ride_lu=ridden(slope, middles[i + 1] - middles[i], wanted),
            ),
            wanted,
        )
        for i, (group, slope) in enumerate(groups)
    ]
    while len(parts) > 1:
        steps = [_apart(a, b) for a, b in itertools.pairwise(parts)]
        at = int(np.argmin(steps))
        if steps[at] >= wanted.least_move_lu:
            break
        both = replace(
            parts[at], end_s=parts[at + 1].end_s, utterances=parts[at].utterances + parts[at + 1].utterances
        )
        parts[at : at + 2] = [measured(heard, both, wanted)]
    return parts


def _apart(a: Passage, b: Passage) -> float:
    """Return by how much the speech of two neighbours differs."""
    if a.ride_lu or b.ride_lu:
        return math.inf
    if a.loudness_lufs is None or b.loudness_lufs is None:
        return 0.0
    return abs(a.loudness_lufs - b.loudness_lufs)


def _groups(spoken: list[Utterance], wanted: LevelSettings) -> list[tuple[list[Utterance], float]]:
    """Return the utterances of one setting, grouped by the level of speech, with the slope of each group.

    None where there is too little speech.
    """
    if sum(u.active_s for u in spoken) < LEAST_SPEECH_S:
        return []
    counted = _without_far_ones(spoken)
    levels = np.array([spoken[i].level_db for i in counted])
    weights = np.array([min(spoken[i].active_s, MOST_WEIGHT_S) for i in counted])
    size = math.log(float(weights.sum()) + math.e)
    found = segments(
        levels,
        weights,
        np.array([(spoken[i].start_s + spoken[i].end_s) / 2 for i in counted]),
        variance=_variance(levels, weights),
        penalty=CHANGE_COST * size,
        slope_cost=SLOPE_COST * size,
        steepest=steepest_line(wanted),
    )
    changes = [segment.first for segment in found[1:]]
    firsts = [0, *(_after_longest_pause(spoken, counted[c - 1], counted[c]) for c in changes), len(spoken)]
    slopes = [segment.slope for segment in found]
    return [(spoken[a:b], slope) for (a, b), slope in zip(itertools.pairwise(firsts), slopes, strict=True)]


def _after_longest_pause(spoken: list[Utterance], last: int, first: int) -> int:
    """Return the utterance that follows the longest pause after `last` and not after `first`."""
    pauses = [spoken[i].start_s - spoken[i - 1].end_s for i in range(last + 1, first + 1)]
    return last + 1 + int(np.argmax(pauses))


def _without_far_ones(spoken: list[Utterance]) -> list[int]:
    """Return the indices of utterances that count as speech at the level of its surroundings or in earnest elsewhere."""
    starts = np.array([u.start_s for u in spoken])
    levels = np.array([u.level_db for u in spoken])
    weights = np.array([u.active_s for u in spoken])
    low = np.searchsorted(starts, starts - AROUND_S)
    high = np.searchsorted(starts, starts + AROUND_S)
    far = np.zeros(len(spoken), np.bool_)
    for i in range(len(spoken)):
        near = slice(int(low[i]), int(high[i]))
        far[i] = levels[i] < _weighted_median(levels[near], weights[near]) - FAR_UNDER_DB
    # A run of far utterances with enough speech in it is a passage of its own.
    edges = np.flatnonzero(np.diff(np.concatenate([[False], far, [False]]).astype(np.int8)))
    for first, last in edges.reshape(-1, 2):
        if weights[first:last].sum() >= LEAST_QUIET_S:
            far[first:last] = False
    return [int(i) for i in np.flatnonzero(~far)]


def _weighted_median(values: F64, weights: F64) -> float:
    order = np.argsort(values)
    heap = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(heap, heap[-1] / 2)])


def _variance(levels: F64, weights: F64) -> float:
    """Return the variance of one second of speech in dB squared, from neighbouring utterances."""
    if len(levels) < 3:
        return MOST_SPREAD_DB**2
    scaled = np.diff(levels) ** 2 / (1 / weights[1:] + 1 / weights[:-1])
    # The median of a squared normal number is 0.4549 of its mean (chi-squared, one degree of freedom).
    estimate = float(np.median(scaled)) / 0.4549
    return min(max(estimate, LEAST_SPREAD_DB**2), MOST_SPREAD_DB**2)
