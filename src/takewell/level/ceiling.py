"""What do the highest peaks of a passage allow?

The highest true peak after gain may lie over the ceiling by no more than the limiter may take off. Where a few
peaks stand out from a passage (a slammed door, one laugh), they get stretches of their own with a lower gain, and
the passage keeps the gain its speech wants. Such a stretch reaches from pause to pause, so no word is cut; in
a pause it is short. It is done only while the gain saved is worth a move, the stretches hold less than
`APART_SHARE` of the passage's speech, and there is no more than one in `SECONDS_PER_STRETCH` of it.

Conventions: times in seconds of the take, peaks in dBTP as recorded.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from takewell.level.decision import Decision
from takewell.level.passages import Passage
from takewell.level.peaks import StepPeaks
from takewell.level.settings import LevelSettings

Stretches = Sequence[tuple[float, float]]

APART_SHARE = 0.25
SECONDS_PER_STRETCH = 20.0
BEFORE_S, AFTER_S = 0.15, 0.25
"""How far a stretch around a peak outside speech reaches, where the pause leaves room."""


def peaks_apart(decision: Decision, peaks: StepPeaks, settings: LevelSettings) -> Stretches:
    """Return the stretches of a passage that want a lower gain for their peaks; none where it is not worth it."""
    allowed = settings.ceiling_dbtp + settings.limit_db
    over = peaks.above(decision.start_s, decision.end_s, allowed - decision.gain_db)
    if not over or decision.gain_db - (allowed - max(peak for _, _, peak in over)) < settings.least_move_lu:
        return ()
    stretches = _from_pause_to_pause(decision, over)
    speech_s = decision.passage.speech_s
    apart_s = sum(
        u.active_s
        for u in decision.passage.utterances
        if any(low <= u.start_s < high for low, high in stretches)
    )
    few = len(stretches) <= max(1.0, speech_s / SECONDS_PER_STRETCH)
    return stretches if few and apart_s < APART_SHARE * speech_s else ()


def under_ceiling(
    decision: Decision, apart: Stretches, peaks: StepPeaks, settings: LevelSettings
) -> list[Decision]:
    """Return the decision with the limit its peaks set, in parts where stretches are set apart."""
    allowed = settings.ceiling_dbtp + settings.limit_db
    edges = [decision.start_s, *(edge for stretch in apart for edge in stretch), decision.end_s]
    spans = [(low, high, bool(i % 2)) for i, (low, high) in enumerate(pairwise(edges)) if high > low]
    most = [allowed - peaks.highest(low, high) for low, high, _ in spans]
    rest = min((m for m, (_, _, is_apart) in zip(most, spans, strict=True) if not is_apart), default=np.inf)
    parts = []
    for (low, high, is_apart), own_most in zip(spans, most, strict=True):
        pause = decision.pause if low == decision.start_s else _pause_around(decision.passage, low)
        part = replace(decision, start_s=low, end_s=high, pause=pause, kind="peaks" if is_apart else "speech")
        limit = own_most if is_apart else rest
        if limit < part.most_db:
            part = replace(part, most_db=limit, most_by="peaks")
        if limit < part.gain_db:
            part = replace(part, gain_db=limit, limit="peaks")
        parts.append(part)
    return parts


def _from_pause_to_pause(
    decision: Decision, over: Sequence[tuple[float, float, float]]
) -> list[tuple[float, float]]:
    """Return stretches around the steps that are too high, in order and apart."""
    starts = np.array([u.start_s for u in decision.passage.utterances])
    ends = np.array([u.end_s for u in decision.passage.utterances])
    stretches: list[tuple[float, float]] = []
    for start, end, _ in over:
        first = int(np.searchsorted(ends, start))  # the first utterance that has not ended before the step
        last = int(np.searchsorted(starts, end)) - 1  # the last one that has begun before its end
        before = float(ends[first - 1]) if first > 0 else decision.start_s
        after = float(starts[last + 1]) if last + 1 < len(starts) else decision.end_s
        if first <= last:
            low, high = (before + float(starts[first])) / 2, (after + float(ends[last])) / 2
        else:
            low, high = max(before, start - BEFORE_S), min(after, end + AFTER_S)
        low, high = max(low, decision.start_s), min(high, decision.end_s)
        if stretches and low <= stretches[-1][1]:
            stretches[-1] = stretches[-1][0], max(high, stretches[-1][1])
        else:
            stretches.append((low, high))
    return stretches


def _pause_around(passage: Passage, at_s: float) -> tuple[float, float]:
    """Return the pause of a passage that holds a moment."""
    before = max((u.end_s for u in passage.utterances if u.end_s <= at_s), default=passage.start_s)
    after = min((u.start_s for u in passage.utterances if u.start_s >= at_s), default=passage.end_s)
    return before, after
