"""Where were samples lost, repeated or struck, and does it come back like the beat of two clocks?

The kinks of a track (`takewell.examine.kinks`) are where a machine tore the wave. `clock_clicks`: they come at one
distance, as they do where two devices run on clocks of their own and one passes the other by a sample ever so often.
Otherwise they are a `dropout`: samples are missing, or a buffer was played twice, which is then found again before the jump
sample by sample, or single samples were struck. How many samples are missing cannot be told from one copy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import LEAST_STEP, TrackEvidence
from takewell.examine.kinks import Kink, find_kinks
from takewell.examine.spans import clusters, places
from takewell.examine.wording import count, duration, when
from takewell.roll.values import Finding, Severity

DROPOUT, CLOCK = "dropout", "clock_clicks"

LEAST_BEATS = 6
"""Kinks at one distance that are a beat: five distances alike, each by chance in one of a hundred at most."""

BEAT_SLACK = 0.004
"""Share of its distance by which a beat may miss its place."""

LEAST_SLACK_SAMPLES = 3

BEAT_SHARE = 0.7
"""Share of the kinks that have to fall on the beat."""

SHORTEST_BEAT_S = 0.02
LONGEST_BEAT_S = 60.0

BUFFER_S = 0.1
"""Longest buffer that is looked for before a jump."""

SAME_SAMPLES = 24
"""Samples that equal earlier ones to the last bit, not all alike: no sound repeats itself so."""


@dataclass(frozen=True)
class _Beat:
    period_samples: float
    on_it: tuple[Kink, ...]
    off_it: tuple[Kink, ...]
    first: int
    last: int


def find_slips(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for a beat of clicks, and one for each cluster of other places where the wave is torn."""
    kinks = find_kinks(heard, LEAST_STEP.get(heard.track.encoding, 0.0))
    beat = _beat(kinks, heard.rate)
    found = [] if beat is None else [_told_beat(heard, beat)]
    rest = kinks if beat is None else list(beat.off_it)
    spans = np.array([(kink.at - 1, kink.at + 1) for kink in rest], np.int64).reshape(-1, 2)
    return found + [_told(heard, rest[part], spans[part]) for part in clusters(spans, heard.rate)]


def _beat(kinks: list[Kink], rate: int) -> _Beat | None:
    """Return the beat that most kinks fall on, None where there is none."""
    if len(kinks) < LEAST_BEATS:
        return None
    at = np.array([kink.at for kink in kinks], np.float64)
    apart = np.diff(at)
    tried = np.unique(np.round(apart[(apart >= SHORTEST_BEAT_S * rate) & (apart <= LONGEST_BEAT_S * rate)]))
    best: tuple[int, float, NDArray[np.bool_]] | None = None
    for period in tried[:: max(1, len(tried) // 40)].tolist():
        fitted, on = _fitted(at, period)
        if best is None or on.sum() > best[0]:
            best = int(on.sum()), fitted, on
    if best is None or best[0] < max(LEAST_BEATS, BEAT_SHARE * len(kinks)):
        return None
    _, period, on = best
    return _Beat(
        period,
        tuple(k for k, fits in zip(kinks, on, strict=True) if fits),
        tuple(k for k, fits in zip(kinks, on, strict=True) if not fits),
        int(at[on][0]),
        int(at[on][-1]),
    )


def _fitted(at: NDArray[np.float64], period: float) -> tuple[float, NDArray[np.bool_]]:
    """Return the period fitted to the kinks that follow the one before at whole multiples of it, and which do."""
    slack = max(LEAST_SLACK_SAMPLES, BEAT_SLACK * period)
    beats = np.round(np.diff(at) / period)
    follows = (beats >= 1) & (np.abs(np.diff(at) - beats * period) <= slack)
    on = np.concatenate(([False], follows)) | np.concatenate((follows, [False]))
    if follows.sum() < LEAST_BEATS - 1:
        return period, on & False
    return float(np.diff(at)[follows].sum() / beats[follows].sum()), on


def _told_beat(heard: TrackEvidence, beat: _Beat) -> Finding:
    start_s, end_s = beat.first / heard.rate, beat.last / heard.rate
    period_s = beat.period_samples / heard.rate
    expected = round((beat.last - beat.first) / beat.period_samples) + 1
    spans = np.array([(kink.at - 1, kink.at + 1) for kink in beat.on_it], np.int64)
    slipping = sum(kink.is_jump for kink in beat.on_it) > len(beat.on_it) / 2
    ppm = 1e6 / beat.period_samples
    return heard.finding(
        CLOCK,
        start_s,
        end_s,
        confidence=0.95 if len(beat.on_it) >= 2 * LEAST_BEATS else 0.85,
        severity="major",
        sentence=f"clicks every {duration(period_s)} {when(start_s, end_s)}, {count(len(beat.on_it), 'click')} heard",
        remedy="Take the sound from another recorder or mend each click; let one clock lead all devices next time.",
        period_s=period_s,
        events=len(beat.on_it),
        share_of_beats=min(1.0, len(beat.on_it) / expected),
        clocks_apart_ppm=ppm if slipping else None,
        manner="slips" if slipping else "clicks",
        places_s=places(spans, heard.rate),
    )


def _told(heard: TrackEvidence, kinks: list[Kink], spans: NDArray[np.int64]) -> Finding:
    start_s, end_s = kinks[0].at / heard.rate, kinks[-1].at / heard.rate
    buffers = [length for kink in kinks if kink.is_jump and (length := _repeated(heard, kink.at))]
    jumps = sum(kink.is_jump for kink in kinks)
    where = when(start_s, end_s)
    if buffers:
        longest = max(buffers)
        manner = "repeated buffer"
        said = f"{count(longest, 'sample')} ({duration(longest / heard.rate)}) played twice {where}"
        said = said if len(buffers) == 1 else f"{count(len(buffers), 'buffer')} played twice {where}"
    elif jumps:
        manner = "missing samples"
        said = f"the wave jumps {where}: samples are missing or doubled"
        said = (
            said if jumps == 1 else f"the wave jumps at {count(jumps, 'place')} {where}: samples are missing"
        )
    else:
        manner = "struck samples"
        said = (
            f"a click of one sample {where}"
            if len(kinks) == 1
            else f"{count(len(kinks), 'click')} of one sample {where}"
        )
    severity: Severity = "minor"
    return heard.finding(
        DROPOUT,
        start_s,
        end_s,
        confidence=0.9 if buffers or len(kinks) > 1 else 0.8,
        severity=severity,
        sentence=said,
        remedy="Mend the click or fill it from another microphone; picture and sound may part there by what is missing."
        if manner != "struck samples"
        else "Draw over the clicks; a de-clicker takes them out unheard.",
        manner=manner,
        events=len(kinks),
        buffer_samples=max(buffers, default=None),
        largest_jump_fs=max(abs(kink.height) for kink in kinks),
        places_s=places(spans, heard.rate),
    )


def _repeated(heard: TrackEvidence, at: int) -> int:
    """Return the length of the buffer that begins anew at sample `at`, 0 where nothing repeats."""
    reach = round(BUFFER_S * heard.rate)
    start = max(at - reach, 0)
    samples = heard.samples(start, at + SAME_SAMPLES)
    here = at - start
    after = samples[here : here + SAME_SAMPLES]
    if len(after) < SAME_SAMPLES or np.ptp(after) == 0:
        return 0
    for first in np.flatnonzero(samples[: here - 1] == after[0]).tolist()[::-1]:
        if np.array_equal(samples[first : first + SAME_SAMPLES], after) and first + SAME_SAMPLES <= here:
            return int(here - first)
    return 0
