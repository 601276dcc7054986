"""Does the given mix contain every track it should?

A recorder's mix is a weighted sum of its ISOs, sample by sample. At moments where one ISO leads (its own talker
speaks), a least-squares fit of the mix by all ISOs gives the weight of each; where the fit explains the mix, a leading
track with no weight in any mix is missing from it. Where no fit explains the mix (delays, filters or a limiter
in its way), nothing is said.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.roll.values import Finding
from takewell.units import decibels

KIND = "mix_lacks_track"

LEAD_DB = 10.0
"""How much nearer to its own loud moments a leading track is than every other to theirs."""

LOUD_PERCENTILE = 90.0
"""What a track's loud moments are, among its 100 ms steps."""

ALIVE_DB = 15.0
"""Spread between a track's loud moments and its quiet tenth below which it holds noise, not a talker."""

LEAST_LEAD_STEPS = 30
"""Three seconds in which a track leads; less may be a cough that was rightly faded out."""

MOMENTS = 5
"""Steps fitted for each track, those where it leads by most."""

LEAST_DECIDED = 3
"""Of them, how many have to be explained by the fit."""

EXPLAINED_DB = -15.0
"""Largest residual of a fit, against the mix."""

ABSENT_DB = -40.0
"""A track that contributes less than this against the mix, while it leads, is not in it."""


def find_mix_content(heard: TakeEvidence) -> list[Finding]:
    """Return a finding for each ISO that leads at times and is in no mix of the take."""
    mixes = [t for t in heard.tracks if t.track.role == "mix" and t.trace.peak.any()]
    isos = [t for t in heard.tracks if t.track.role == "iso" and t.trace.peak.any()]
    edges = [t.trace.edges for t in (*mixes, *isos)]
    if not mixes or len(isos) < 2 or any(not np.array_equal(e, edges[0]) for e in edges):
        return []
    leads = _leads(isos)
    found = []
    for k, iso in enumerate(isos):
        at = np.flatnonzero(leads[k] >= LEAD_DB)
        if len(at) < LEAST_LEAD_STEPS:
            continue
        moments = at[np.argsort(leads[k][at])[-MOMENTS:]]
        shares = [s for m in moments.tolist() for s in _share(heard, isos, mixes, k, int(m))]
        if len(shares) >= LEAST_DECIDED * len(mixes) and max(shares) < ABSENT_DB:
            found.append(_told(mixes, iso, len(at), max(shares)))
    return found


def _leads(isos: list[TrackEvidence]) -> NDArray[np.float64]:
    """Return, per track and step, by how many decibels it is nearer to its loud moments than any other."""
    levels = np.stack([decibels(t.trace.k_rms) for t in isos])
    finite = np.where(np.isfinite(levels), levels, -400.0)
    quiet, loud = np.percentile(finite, [100 - LOUD_PERCENTILE, LOUD_PERCENTILE], axis=1)[:, :, None]
    relative = np.where(loud - quiet >= ALIVE_DB, finite - loud, -400.0)
    relative = np.where(np.isfinite(levels) & (relative > -LEAD_DB), relative, -400.0)
    order = np.sort(relative, axis=0)
    leader = relative == order[-1]
    return np.where(leader & (relative > -LEAD_DB), order[-1] - np.maximum(order[-2], -40.0), -np.inf)


def _share(
    heard: TakeEvidence, isos: list[TrackEvidence], mixes: list[TrackEvidence], k: int, step: int
) -> list[float]:
    """Return what track `k` contributes to each mix in a step, in dB against it, where a fit explains it."""
    edges = isos[0].trace.edges
    start, stop = int(edges[step]), int(edges[step + 1])
    numbers = [t.track.number for t in (*isos, *mixes)]
    read = heard.reader.read(numbers, start, stop - start).astype(np.float64)
    if not np.isfinite(read).all():
        return []
    sources, given = read[:, : len(isos)], read[:, len(isos) :]
    scale = np.sqrt(np.mean(sources**2, axis=0))
    used = scale > 0
    weights = np.linalg.lstsq(sources[:, used] / scale[used], given, rcond=1e-6)[0]
    left = given - (sources[:, used] / scale[used]) @ weights
    row = int(np.count_nonzero(used[:k]))
    shares = []
    for column in range(given.shape[1]):
        power = float(np.mean(given[:, column] ** 2))
        if power > 0 and float(decibels(np.sqrt(np.mean(left[:, column] ** 2) / power))) < EXPLAINED_DB:
            shares.append(float(decibels(abs(weights[row, column]) / np.sqrt(power))))
    return shares


def _told(mixes: list[TrackEvidence], iso: TrackEvidence, steps: int, share_db: float) -> Finding:
    mix = mixes[0]
    track = iso.track
    return mix.finding(
        KIND,
        0.0,
        mix.length_s,
        confidence=0.85,
        severity="minor",
        sentence=f"the mix does not contain track {track.number} ({track.name}), which leads for {steps / 10:.0f} s",
        remedy="Mix this take again from its ISOs.",
        missing_track=track.number,
        leads_s=steps / 10,
        contribution_db=share_db if np.isfinite(share_db) else None,
    )
