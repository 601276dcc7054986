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
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.level.decision import Decision
from takewell.level.peaks import StepPeaks
from takewell.level.settings import LevelSettings
from takewell.level.speech import Heard

APART_SHARE = 0.25
SECONDS_PER_STRETCH = 20.0
BEFORE_S, AFTER_S = 0.15, 0.25
"""How much of the quiet around it a stretch without own speech takes for the way of the gain."""


class Stretch(NamedTuple):
    """What is set apart around peaks, and where the gain may travel on its way in and out."""

    low: float
    high: float
    way_in: tuple[float, float]
    way_out: tuple[float, float]


Stretches = Sequence[Stretch]
F64 = NDArray[np.float64]


def peaks_apart(decision: Decision, heard: Heard, peaks: StepPeaks, settings: LevelSettings) -> Stretches:
    """Return the stretches of a passage that want a lower gain for their peaks; none where it is not worth it."""
    allowed = settings.ceiling_dbtp + settings.limit_db
    over = peaks.above(decision.start_s, decision.end_s, allowed - decision.gain_db)
    if not over or decision.gain_db - (allowed - max(peak for _, _, peak in over)) < settings.least_move_lu:
        return ()
    stretches = _from_pause_to_pause(decision, heard, over)
    speech_s = decision.passage.speech_s
    apart_s = sum(
        u.active_s for u in decision.passage.utterances if any(s.low <= u.start_s < s.high for s in stretches)
    )
    few = len(stretches) <= max(1.0, speech_s / SECONDS_PER_STRETCH)
    return stretches if few and apart_s < APART_SHARE * speech_s else ()


def under_ceiling(
    decision: Decision, apart: Stretches, peaks: StepPeaks, settings: LevelSettings
) -> list[Decision]:
    """Return the decision with the limit its peaks set, in parts where stretches are set apart."""
    allowed = settings.ceiling_dbtp + settings.limit_db
    spans: list[tuple[float, float, bool, tuple[float, float]]] = []
    at, pause = decision.start_s, decision.pause
    for stretch in apart:
        spans.append((at, stretch.low, False, pause))
        spans.append((stretch.low, stretch.high, True, stretch.way_in if stretch.low > at else pause))
        at, pause = stretch.high, stretch.way_out
    spans = [span for span in (*spans, (at, decision.end_s, False, pause)) if span[1] > span[0]]
    most = [allowed - peaks.highest(low, high) for low, high, _, _ in spans]
    rest = min(
        (m for m, (_, _, is_apart, _) in zip(most, spans, strict=True) if not is_apart), default=np.inf
    )
    parts = []
    for (low, high, is_apart, pause), own_most in zip(spans, most, strict=True):
        part = replace(decision, start_s=low, end_s=high, pause=pause, kind="peaks" if is_apart else "speech")
        limit = own_most if is_apart else rest
        if limit < part.most_db:
            part = replace(part, most_db=limit, most_by="peaks")
        if limit < part.gain_db:
            part = replace(part, gain_db=limit, limit="peaks")
        parts.append(part)
    return parts


def _from_pause_to_pause(
    decision: Decision, heard: Heard, over: Sequence[tuple[float, float, float]]
) -> list[Stretch]:
    """Return stretches around the steps that are too high, in order and apart."""
    starts = np.array([u.start_s for u in decision.passage.utterances])
    ends = np.array([u.end_s for u in decision.passage.utterances])
    stretches: list[Stretch] = []
    for start, end, _ in over:
        first = int(np.searchsorted(ends, start))  # the first utterance that has not ended before the step
        last = int(np.searchsorted(starts, end)) - 1  # the last one that has begun before its end
        before = float(ends[first - 1]) if first > 0 else decision.start_s
        after = float(starts[last + 1]) if last + 1 < len(starts) else decision.end_s
        if first <= last:
            way_in = heard.quiet(before, float(starts[first]), "last")
            way_out = heard.quiet(float(ends[last]), after, "first")
        else:
            way_in, way_out = heard.quiet(before, start, "last"), heard.quiet(end, after, "first")
            way_in = max(way_in[0], way_in[1] - BEFORE_S), way_in[1]
            way_out = way_out[0], min(way_out[1], way_out[0] + AFTER_S)
        low, high = max(sum(way_in) / 2, decision.start_s), min(sum(way_out) / 2, decision.end_s)
        no_speech_between = first > last and _none_between(starts, stretches, start)
        if stretches and (low <= stretches[-1].high or no_speech_between):
            last_one = stretches.pop()
            if last_one.high > high:
                high, way_out = last_one.high, last_one.way_out
            low, way_in = last_one.low, last_one.way_in
        stretches.append(Stretch(low, high, way_in, way_out))
    return stretches


def _none_between(starts: F64, stretches: Sequence[Stretch], at_s: float) -> bool:
    """Return whether no utterance begins between the last stretch and a moment."""
    return bool(stretches) and not np.any((starts > stretches[-1].high) & (starts < at_s))
