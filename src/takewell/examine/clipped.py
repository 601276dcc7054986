"""Where was a track cut flat, at which level, and how much is gone?

In an integer file the rail is full scale; in a float file, or after somebody turned a clipped track down, it lies
at any level. The trace's flat runs and the measurement's clips point to the steps; their samples are then read
and each flat crest is judged by its slopes (`rails`).
"""

from dataclasses import dataclass

import numpy as np

from takewell.examine.evidence import LEAST_STEP, TrackEvidence
from takewell.examine.rails import ALIKE, LEAST_FLAT_SAMPLES, Cut, cuts, is_square
from takewell.examine.spans import Runs, clusters, merged, places, runs
from takewell.examine.wording import count, level, when
from takewell.roll.values import Finding, Severity
from takewell.units import decibels

KIND = "clipped"

EXACT_SHARE = 0.9
"""Share of cut crests that lie on one value to the last step where a converter cut them: a sample on the way into the
flat may chance to lie within its tolerance, while noise on an analogue rail leaves hardly a crest exact."""

PLACE_GAP_S = 0.01
"""Cut crests nearer than this are one place."""

MINOR_FLAT_S = 0.005
"""Up to this much flat time in a cluster, and `MINOR_LOST_DB`, the damage is slight: clicks rather than distortion."""

MINOR_LOST_DB = 3.0

BLOCK_STEPS = 50
"""Steps read at once: five seconds."""


@dataclass(frozen=True)
class _Crest:
    start: int
    stop: int
    level_dbfs: float
    lost_db: float
    exact: bool


def find_clipped(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each cluster of places where the track is flat at one rail."""
    found = []
    for crests in _by_rail(_crests(heard)):
        spans = merged(
            np.array([(c.start, c.stop) for c in crests], np.int64), round(PLACE_GAP_S * heard.rate)
        )
        for part in clusters(spans, heard.rate):
            first, last = int(spans[part][0, 0]), int(spans[part][-1, 1])
            inside = [c for c in crests if first <= c.start < last]
            found.append(_told(heard, inside, spans[part]))
    return found


def _crests(heard: TrackEvidence) -> list[_Crest]:
    trace = heard.trace
    hopeful = trace.flat_run >= LEAST_FLAT_SAMPLES
    for clip in heard.clips():
        first, last = np.searchsorted(
            trace.edges, [round(clip.start_s * heard.rate), round(clip.end_s * heard.rate)]
        )
        hopeful[max(int(first) - 1, 0) : int(last) + 1] = True
    grain = LEAST_STEP.get(heard.track.encoding, 0.0)
    margin = round(0.012 * heard.rate)
    found = []
    for first, last in runs(hopeful).tolist():
        for step in range(first, last, BLOCK_STEPS):
            start = int(trace.edges[step])
            stop = int(trace.edges[min(step + BLOCK_STEPS, last)])
            offset = max(start - margin, 0)
            read = heard.samples(offset, stop + margin)
            here = [c for c in cuts(read, heard.rate, grain) if start < c.stop + offset <= stop]
            if here and not is_square(_spans(here), len(read)):
                found += [_crest(c, offset) for c in here]
    return found


def _spans(found: list[Cut]) -> Runs:
    return np.array([(c.start, c.stop) for c in found], np.int64)


def _crest(cut: Cut, offset: int) -> _Crest:
    return _Crest(cut.start + offset, cut.stop + offset, float(decibels(cut.rail)), cut.lost_db, cut.exact)


def _by_rail(crests: list[_Crest]) -> list[list[_Crest]]:
    """Group crests by the height of their rail, highest first."""
    if not crests:
        return []
    ordered = sorted(crests, key=lambda c: -c.level_dbfs)
    alike_db = 20 * float(np.log10(1 + ALIKE))
    groups = [[ordered[0]]]
    for crest in ordered[1:]:
        if groups[-1][-1].level_dbfs - crest.level_dbfs <= alike_db:
            groups[-1].append(crest)
        else:
            groups.append([crest])
    return [sorted(group, key=lambda c: c.start) for group in groups]


def _told(heard: TrackEvidence, crests: list[_Crest], spans: Runs) -> Finding:
    flat = sum(c.stop - c.start for c in crests)
    lost_db = max(c.lost_db for c in crests)
    rail_dbfs = float(np.median([c.level_dbfs for c in crests]))
    start_s, end_s = crests[0].start / heard.rate, max(c.stop for c in crests) / heard.rate
    slight = flat / heard.rate <= MINOR_FLAT_S and lost_db <= MINOR_LOST_DB
    severity: Severity = "minor" if slight else "major"
    where = when(start_s, end_s)
    counted = count(len(spans), "place") + " " + where if len(spans) > 1 else where
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.99 if len(crests) > 1 else 0.9,
        severity=severity,
        stage="undecided",
        sentence=f"flat at {level(rail_dbfs)} dBFS, {count(flat, 'sample')}, {counted}",
        remedy="Take these places from another track, or restore the crests; a gain does not bring them back.",
        rail_dbfs=rail_dbfs,
        flat_samples=flat,
        crests=len(crests),
        places=len(spans),
        longest_flat_samples=max(c.stop - c.start for c in crests),
        lost_db=lost_db,
        flat_to_the_step=int(sum(c.exact for c in crests) >= EXACT_SHARE * len(crests)),
        places_s=places(spans, heard.rate),
    )
