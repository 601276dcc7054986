"""One voice on two microphones: which one, when, and why?

The take is cut into utterances (somebody speaks, with gaps of less than `GAP_S`). Each microphone costs something in each of them,

- *noise*: a third of a point for each decibel that its speech lies less than `ENOUGH_DB` over its floor;
- *damage*: ten points if the examination found major damage there (clipped, dropped out, rustling ...), five for minor;
- *off*: half a point for each decibel beyond `OFF_DB` that it lies lower against the others than it usually does in this take
  (the talker turned away, or something lies on it);
- *order*: a point for each place down the list: the preferred microphone comes first;

and changing over costs `CHANGE`. The cheapest way through the take is found exactly (dynamic programming), so nothing changes for a
word. Changes lie at the quietest place between two utterances, cross-faded (`shape.cross_fade`) by the correlation that
the two microphones have there. Before that the microphones are lined up, turned the same way round, and brought to one level (the
median difference over all utterances).

Conventions: steps are 10 ms of the take; power as in `levels`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.mix.levels import Levels
from takewell.roll import Finding
from takewell.shape.cross_fade import cross_fade
from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

DAMAGES = frozenset({
    "clipped", "clock_clicks", "damaged_file", "dead_track", "digital_silence", "dropout", "gap", "nonfinite",
    "plosive", "rf_burst", "rustle", "soft_saturation", "thump", "wind",
})  # fmt: skip
"""Kinds of finding that make another microphone worth having."""

SPEAKS_DB = -25.0
"""Speech is what lies above this, against the microphone's loudest second."""

GAP_S, SHORTEST_S = 0.25, 0.1
ENOUGH_DB = 30.0
OFF_DB = 6.0
CHANGE = 3.0
MOST_MATCH_DB = 12.0
FADE_S, SHORTEST_FADE_S = 0.3, 0.04


@dataclass(frozen=True)
class Utterance:
    """A stretch of speech, in steps, and each microphone's figures in it."""

    start: int
    stop: int
    over_noise_db: tuple[float, ...]
    damage: tuple[str, ...]
    """The worst kind of damage on each microphone, empty for none."""
    below_usual_db: tuple[float, ...]
    costs: tuple[float, ...]


@dataclass(frozen=True)
class Decision:
    """From here on this microphone has the voice, and why."""

    start: int
    """Step at which the cross-fade begins."""
    fade_steps: int
    microphone: int
    """Place in the list of the voice's tracks."""
    reason: str
    correlation: float = 0.0


@dataclass(frozen=True)
class Voice:
    """The decisions for one voice, and the gains (in dB) that bring its microphones to one level."""

    decisions: tuple[Decision, ...]
    match_db: tuple[float, ...]

    def gains(self, first: int, stop: int) -> F64:
        """Return the power gains of the voice's microphones in some steps, (stop - first, microphones)."""
        gains = np.zeros((stop - first, len(self.match_db)))
        steps = np.arange(first, stop)
        for at, decision in enumerate(self.decisions):
            until = self.decisions[at + 1].start if at + 1 < len(self.decisions) else stop
            inside = (steps >= decision.start if at else steps >= 0) & (steps < max(until, decision.start))
            gains[inside] = 0.0
            gains[inside, decision.microphone] = 1.0
            if at:
                fading = inside & (steps < decision.start + decision.fade_steps)
                part = (steps[fading] - decision.start + 0.5) / decision.fade_steps
                before, after = cross_fade(part, decision.correlation)
                gains[fading, self.decisions[at - 1].microphone] = before**2
                gains[fading, decision.microphone] = after**2
        return gains


def utterances(levels: Levels, names: Sequence[str], damages: Sequence[Sequence[Finding]]) -> tuple[tuple[Utterance, ...], tuple[float, ...], F32]:  # fmt: skip
    """Return the utterances of a voice, the gains that match its microphones (dB), and how loud it is in each step.

    Parameters
    ----------
    levels : Levels
        Of the voice's microphones, in their order.
    names : sequence of str
        Their names; only how many matters here.
    damages : sequence of sequence of Finding
        What the examination found on each, of the kinds in `DAMAGES`.
    """
    loudest = np.where(levels.loudest > 0, levels.loudest, np.inf)
    speech = np.concatenate(
        [(heard / loudest).max(axis=1).astype(np.float32) for heard in levels.stretches()]
        or [np.zeros(0, np.float32)]
    )
    spans = _spans(speech > 10 ** (SPEAKS_DB / 10))
    rows = []
    for start, stop in spans:
        heard = levels.heard(levels.between(start, stop)[0])
        rows.append(heard.mean(axis=0))
    power = np.array(rows).reshape(-1, len(names))
    with np.errstate(divide="ignore", invalid="ignore"):
        decibels = 10 * np.log10(power)
        over_noise = np.clip(np.nan_to_num(decibels - 10 * np.log10(levels.floors), nan=-99.0), -99.0, 99.0)
    against = decibels - np.max(decibels, axis=1, keepdims=True) if len(power) else decibels
    relative = decibels - decibels[:, :1]
    usual = np.median(against, axis=0) if len(power) else np.zeros(len(names))
    match = -np.clip(np.nan_to_num(np.median(relative, axis=0)), -MOST_MATCH_DB, MOST_MATCH_DB) if len(power) else np.zeros(len(names))  # fmt: skip
    found = []
    for row, (start, stop) in enumerate(spans):
        worst = tuple(_worst(damages[k], start, stop) for k in range(len(names)))
        below = tuple(float(max(usual[k] - against[row, k], 0.0)) for k in range(len(names)))
        costs = tuple(
            max(ENOUGH_DB - float(over_noise[row, k]), 0.0) / 3
            + _damage_cost(worst[k])
            + max(below[k] - OFF_DB, 0.0) / 2
            + k
            for k in range(len(names))
        )
        found.append(
            Utterance(
                start,
                stop,
                tuple(map(float, over_noise[row])),
                tuple(one.kind if one is not None else "" for one in worst),
                below,
                costs,
            )
        )
    return tuple(found), tuple(map(float, match)), speech


def decided(found: Sequence[Utterance], names: Sequence[str], speech: F32) -> tuple[Decision, ...]:
    """Return who has the voice from when on: the cheapest way through the utterances."""
    if not found:
        return (Decision(0, 0, 0, f"{names[0]}: nobody speaks."),)
    chosen = _cheapest(np.array([one.costs for one in found]))
    decisions = []
    for at, one in enumerate(found):
        if at and chosen[at] == chosen[at - 1]:
            continue
        until = at
        while until + 1 < len(found) and chosen[until + 1] == chosen[at]:
            until += 1
        reason = _reason(found[at : until + 1], int(chosen[at]), names)
        if not at:
            decisions.append(Decision(0, 0, int(chosen[0]), reason))
            continue
        start, fade = _place(found[at - 1].stop, one.start, speech)
        decisions.append(Decision(start, fade, int(chosen[at]), reason))
    return tuple(decisions)


def _cheapest(costs: F64) -> NDArray[np.int64]:
    total = costs[0].copy()
    back = np.zeros(costs.shape, np.int64)
    for at in range(1, len(costs)):
        through = total[:, None] + CHANGE * (1 - np.eye(len(total)))
        back[at] = np.argmin(through, axis=0)
        total = through[back[at], np.arange(len(total))] + costs[at]
    way = np.zeros(len(costs), np.int64)
    way[-1] = int(np.argmin(total))
    for at in range(len(costs) - 1, 0, -1):
        way[at - 1] = back[at, way[at]]
    return way


def _place(quiet_from: int, quiet_to: int, speech: F32) -> tuple[int, int]:
    """Return where between two utterances a cross-fade begins, and its steps: around the quietest place."""
    length = int(min(FADE_S * FINE_STEPS_PER_SECOND, max(quiet_to - quiet_from, SHORTEST_FADE_S * FINE_STEPS_PER_SECOND)))  # fmt: skip
    sums = np.convolve(speech[quiet_from:quiet_to], np.ones(length), "valid") if quiet_to - quiet_from >= length else np.zeros(1)  # fmt: skip
    return quiet_from + int(np.argmin(sums)), length


def _reason(stretch: Sequence[Utterance], chosen: int, names: Sequence[str]) -> str:
    """Return one sentence: what speaks for the chosen microphone against the cheapest other."""
    mean = np.mean([one.costs for one in stretch], axis=0)
    others = [k for k in range(len(names)) if k != chosen]
    rival = min(others, key=lambda k: (k > chosen, mean[k])) if chosen else min(others, key=lambda k: mean[k])
    damage = [one.damage[rival] for one in stretch if one.damage[rival]]
    over = [float(np.mean([one.over_noise_db[k] for one in stretch])) for k in (chosen, rival)]
    below = float(np.mean([one.below_usual_db[rival] for one in stretch]))
    why = []
    if damage:
        kinds = ", ".join(dict.fromkeys(kind.replace("_", " ") for kind in damage))
        why.append(f"{names[rival]} has damage there ({kinds})")
    if over[0] - over[1] > 3.0 and over[1] < ENOUGH_DB:
        why.append(f"its speech lies {over[0]:.0f} dB over its noise, {names[rival]}'s {over[1]:.0f} dB")
    if below > OFF_DB:
        why.append(f"{names[rival]} hears {below:.0f} dB less than it usually does")
    if not why:
        why.append("it comes first and nothing speaks against it" if not chosen else "changing back for so little would be heard")  # fmt: skip
    return f"{names[chosen]}: " + "; ".join(why) + "."


def _spans(speaks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the runs of speech, (start, stop), gaps closed and splinters dropped."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], speaks, [False]]).astype(np.int8)))
    spans: list[tuple[int, int]] = []
    for start, stop in edges.reshape(-1, 2).tolist():
        if spans and start - spans[-1][1] < GAP_S * FINE_STEPS_PER_SECOND:
            spans[-1] = (spans[-1][0], stop)
        else:
            spans.append((start, stop))
    return [span for span in spans if span[1] - span[0] >= SHORTEST_S * FINE_STEPS_PER_SECOND]


def _worst(findings: Sequence[Finding], start: int, stop: int) -> Finding | None:
    inside = [
        one
        for one in findings
        if one.start_s * FINE_STEPS_PER_SECOND < stop and one.end_s * FINE_STEPS_PER_SECOND > start
    ]
    return max(inside, key=lambda one: one.severity == "major", default=None)


def _damage_cost(finding: Finding | None) -> float:
    if finding is None:
        return 0.0
    return {"major": 10.0, "minor": 5.0, "note": 0.0}[finding.severity]
