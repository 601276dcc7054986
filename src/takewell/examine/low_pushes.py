"""How are knocks and pops told: gathered, placed, and with the level of the worst?

They are damage to a moment and a low cut takes most of them, so one is a note. A crowd of them, or one that stands
over the speech itself, is more.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from takewell.examine.bumps import Bump
from takewell.examine.evidence import TrackEvidence
from takewell.examine.spans import clusters, places
from takewell.examine.wording import level, when
from takewell.roll.values import Finding, Severity

LOUD_DB = 0.0
"""Over the speech: heard on any loudspeaker."""

MANY = 5
"""As many in one cluster go through a whole passage."""

MAJOR_DB = 10.0
"""So far over the speech the moment is nothing but the push."""


@dataclass(frozen=True)
class Saying:
    """What a kind of push is called and what helps."""

    kind: str
    noun: str
    remedy: str
    confidence: float


def told(heard: TrackEvidence, found: Sequence[Bump], saying: Saying) -> list[Finding]:
    """Return a finding for each cluster of pushes of one kind."""
    spans = np.array(
        [(round(b.start_s * heard.rate), round(b.end_s * heard.rate)) for b in found], np.int64
    ).reshape(-1, 2)
    return [_cluster(heard, found[part], spans[part], saying) for part in clusters(spans, heard.rate)]


def _cluster(heard: TrackEvidence, found: Sequence[Bump], spans: np.ndarray, saying: Saying) -> Finding:
    worst = max(found, key=lambda b: b.over_speech_db)
    severity: Severity = "note"
    if worst.over_speech_db >= LOUD_DB or len(found) >= MANY:
        severity = "major" if worst.over_speech_db >= MAJOR_DB else "minor"
    start_s, end_s = found[0].start_s, found[-1].end_s
    counted = saying.noun if len(found) == 1 else f"{len(found)} {saying.noun}s"
    against = f"{level(abs(worst.over_speech_db), 0)} dB {'over' if worst.over_speech_db >= 0 else 'under'}"
    return heard.finding(
        saying.kind,
        start_s,
        end_s,
        confidence=saying.confidence,
        severity=severity,
        sentence=f"{counted} {when(start_s, end_s)}, low end up to {against} the speech",
        remedy=saying.remedy,
        events=len(found),
        low_dbfs=worst.low_dbfs,
        over_speech_db=worst.over_speech_db,
        worst_at_s=worst.peak_s,
        places_s=places(spans, heard.rate),
    )
