"""Which track holds nothing, though the take went on?

Nothing is: zeros from end to end; one value from end to end; or a steady noise far below what any room leaves
on an open microphone, while its neighbours in the same take carry sound.
"""

import numpy as np

from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.wording import level
from takewell.roll.values import Finding, Severity
from takewell.units import rms_dbfs

KIND = "dead_track"

STEADY_DB = 3.0
"""Spread (5th to 95th percentile of the A-weighted 100 ms steps) within which a track carries no event. Broadband
noise spreads by less than 1 dB there, speech by more than 20."""

ALIVE_DB = 12.0
"""Spread from which a neighbour proves that something was to be heard."""

QUIET_DBFS_A = -70.0
"""Steady noise above this could be a running machine before an open microphone; below it, beside neighbours that
carry sound, nothing is connected (common practice, no source: preamplifiers at full gain leave −70 to −85)."""

SILENT_DBFS_A = -95.0
"""Steady noise below this is the converter's own, whatever the neighbours do (same practice)."""

LEAST_STEPS = 20
"""Two seconds; less proves nothing about a noise."""


def find_dead_tracks(heard: TakeEvidence) -> list[Finding]:
    """Return a finding for each track that holds nothing."""
    spreads = {t.track.number: _spread(t) for t in heard.tracks}
    alive = {n for n, spread in spreads.items() if spread is not None and spread[0] >= ALIVE_DB}
    found = []
    for track in heard.tracks:
        if track.track.role == "unused":
            continue
        emptiness = _emptiness(track, spreads[track.track.number], bool(alive - {track.track.number}))
        if emptiness is None:
            continue
        sentence, confidence, floor_dbfs_a = emptiness
        armed = bool(track.track.name.strip())
        severity: Severity = "major" if armed else "note"
        found.append(
            track.finding(
                KIND,
                0.0,
                track.length_s,
                confidence=confidence,
                severity=severity,
                sentence=sentence,
                remedy="Find its sound on another microphone; check cable, mute and arming before the next take."
                if armed
                else "Nothing, if no source was on it; name it or mark it unused.",
                noise_dbfs_a=floor_dbfs_a,
            )
        )
    return found


def _spread(heard: TrackEvidence) -> tuple[float, float] | None:
    """Return (spread in dB, median in dBFS A-weighted) of the steps that are not zero, None for too few."""
    steps = heard.trace.a_rms[heard.trace.a_rms > 0].astype(np.float64)
    if len(steps) < LEAST_STEPS:
        return None
    low, middle, high = rms_dbfs(np.percentile(steps, [5, 50, 95]) ** 2)
    return float(high - low), float(middle)


def _emptiness(
    heard: TrackEvidence, spread: tuple[float, float] | None, neighbours_alive: bool
) -> tuple[str, float, float | None] | None:
    trace = heard.trace
    if not trace.length_samples:
        return None
    if not trace.peak.any():
        return ("digital silence from end to end", 1.0, None) if not trace.nonfinite.any() else None
    if np.array_equal(np.abs(trace.mean), trace.peak):
        return f"one value from end to end, {trace.mean[0]:.3g} of full scale", 1.0, None
    if spread is None or spread[0] > STEADY_DB or heard.take.kind in ("room_tone", "tone"):
        return None
    if heard.track.role in ("tone", "timecode"):
        return None
    if spread[1] < SILENT_DBFS_A or (spread[1] < QUIET_DBFS_A and neighbours_alive):
        confidence = 0.9 if spread[1] < SILENT_DBFS_A else 0.7
        return f"nothing but steady noise at {level(spread[1], 0)} dBFS(A)", confidence, spread[1]
    return None
