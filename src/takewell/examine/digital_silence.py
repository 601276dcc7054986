"""Where inside a take does a live track hold nothing but zeros?

Shorter holes are `dropout`'s to tell, a track that is empty from end to end is `dead_track`'s. Silence at the
head or the tail (a track armed late, a file padded to length) is only a note.
"""

from takewell.examine.evidence import TrackEvidence
from takewell.examine.spans import Runs, clusters, places
from takewell.examine.wording import count, duration, when
from takewell.examine.zero_runs import SILENCE_S, cut_sides, zero_runs
from takewell.roll.values import Finding

KIND = "digital_silence"

HEAD_LEAST_S = 0.5
"""Shortest stretch told at the head or tail of a take; converters start with some tenths of a second of zeros."""


def find_digital_silence(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each cluster of silent stretches inside the take, and one for its head and tail."""
    length = heard.trace.length_samples
    if not heard.trace.peak.any():
        return []
    spans = zero_runs(heard, round(SILENCE_S * heard.rate))
    at_ends = (spans[:, 0] == 0) | (spans[:, 1] == length)
    inside = spans[~at_ends]
    if len(inside):
        inside = inside[[any(cut_sides(heard, a, b)) for a, b in inside.tolist()]]
    ends = spans[at_ends & (spans[:, 1] - spans[:, 0] >= HEAD_LEAST_S * heard.rate)]
    found = [_inside(heard, inside[part]) for part in clusters(inside, heard.rate)]
    return found + [_at_end(heard, a, b) for a, b in ends.tolist()]


def _inside(heard: TrackEvidence, spans: Runs) -> Finding:
    lengths_s = (spans[:, 1] - spans[:, 0]) / heard.rate
    start_s, end_s = float(spans[0, 0] / heard.rate), float(spans[-1, 1] / heard.rate)
    total_s = float(lengths_s.sum())
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.98,
        severity="major",
        sentence=f"digital silence for {duration(total_s)} {when(start_s, end_s)}"
        if len(spans) == 1
        else f"digital silence in {count(len(spans), 'place')}, {duration(total_s)} in all, {when(start_s, end_s)}",
        remedy="Take these stretches from another microphone.",
        events=len(spans),
        silent_s=total_s,
        longest_s=float(lengths_s.max()),
        share=total_s / heard.length_s,
        places_s=places(spans, heard.rate),
    )


def _at_end(heard: TrackEvidence, start: int, stop: int) -> Finding:
    start_s, end_s = start / heard.rate, stop / heard.rate
    where = "first" if start == 0 else "last"
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=1.0,
        severity="note",
        sentence=f"the {where} {duration(end_s - start_s)} are digital silence",
        remedy=f"Begin after {end_s:.2f} s." if start == 0 else f"End before {start_s:.2f} s.",
        events=1,
        silent_s=end_s - start_s,
        longest_s=end_s - start_s,
        share=(end_s - start_s) / heard.length_s,
        at=where,
    )
