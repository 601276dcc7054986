"""Where does a receiver's noise break into a track: a radio hit of some milliseconds, or a squelch that opens or closes late?

Without a carrier an FM receiver gives noise of its whole bandwidth, at once and with one level, and it stops as suddenly. A hiss
of a voice swells and dies over tens of milliseconds and leaves out the highest treble; a plosive, a clap, a key begin
as fast but die away. The traces point: the largest bend of the 10 ms steps leaps up within two of them, holds, and falls
as fast. Only those places are read.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence
from takewell.examine.spans import Runs, clusters, merged, places
from takewell.examine.wording import count, duration, when
from takewell.roll.values import Finding, Severity

KIND = "dropout"

LEAP = 5.0
"""Least ratio of the largest bends within two 10 ms steps, up at the start and down at the end: 14 dB."""

HOLDS = 0.3
"""Least share of its largest bend that every step inside reaches: in noise the largest of 480 bends varies by a fourth."""

LONGEST_STEPS = 40
SHORTEST_FRAMES = 3
"""Shortest burst told, in frames of a millisecond; what is shorter is a click."""

FRAME_S = 0.001

PLATEAU_DB = 9.0
"""How far the frames of a burst may lie under its strongest: the bends of 48 samples of noise vary by 1.3 dB (standard deviation),
the strongest and the weakest of 200 frames by some 7."""

QUIETER_DB = 15.0
BESIDE_FRAMES = 10
"""So many frames on either side, the next one left out, lie this much lower."""

BRIGHT = 1.2
"""Least ratio of the RMS of second and first differences. Noise up to half the rate gives √3, noise up to 15 kHz at 48 kHz 1.33, a
hiss between 5 and 10 kHz 1.0."""

MAJOR_S = 0.05


def find_noise_bursts(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each cluster of bursts of noise."""
    found = []
    edges = heard.trace.fine_edges
    frame = round(FRAME_S * heard.rate)
    margin = (BESIDE_FRAMES + 12) * frame
    for first, last in _hopeful(heard.trace.fine_bend):
        offset = max(int(edges[first]) - margin, 0)
        burst = _burst(heard.samples(offset, int(edges[last + 1]) + margin), frame)
        if burst is not None:
            found.append((burst[0] + offset, burst[1] + offset))
    spans = merged(np.array(sorted(set(found)), np.int64).reshape(-1, 2), frame)
    return [_told(heard, spans[part]) for part in clusters(spans, heard.rate)]


def _hopeful(bend: NDArray[np.float32]) -> list[tuple[int, int]]:
    """Return first and last 10 ms step of the places where the largest bend leaps up, holds and falls."""
    n = len(bend)
    if n < 8:
        return []
    padded = np.pad(bend, 3, mode="edge")
    before = np.maximum(padded[1 : 1 + n], padded[:n])
    after = np.maximum(padded[5 : 5 + n], padded[6 : 6 + n])
    up, down = np.flatnonzero(bend > LEAP * before), np.flatnonzero(bend > LEAP * after)
    found = []
    for first in up.tolist():
        for last in down[np.searchsorted(down, first) :][:8].tolist():
            if last - first > LONGEST_STEPS:
                break
            inside = bend[first + 1 : last]
            if not len(inside) or inside.min() >= HOLDS * bend[first : last + 1].max():
                found.append((first, last))
                break
    return found


def _burst(samples: NDArray[np.float64], frame: int) -> tuple[int, int] | None:
    """Return the (start, end) of a burst of noise in samples, to a frame, or None."""
    frames = (len(samples) - 2) // frame
    if frames < 2 * BESIDE_FRAMES:
        return None
    steps = np.diff(samples)
    turns = np.diff(steps)[: frames * frame].reshape(frames, frame)
    bends = np.einsum("ij,ij->i", turns, turns)
    top = int(np.argmax(bends))
    high = bends >= bends[top] * 10 ** (-PLATEAU_DB / 10)
    first = top
    while first > 0 and high[first - 1]:
        first -= 1
    last = top + 1
    while last < frames and high[last]:
        last += 1
    if last - first < SHORTEST_FRAMES or first < BESIDE_FRAMES + 1 or last > frames - BESIDE_FRAMES - 1:
        return None
    beside = max(
        bends[first - 1 - BESIDE_FRAMES : first - 1].max(), bends[last + 1 : last + 1 + BESIDE_FRAMES].max()
    )
    power = np.sort(bends[first:last])[(last - first) // 2]
    if beside > power * 10 ** (-QUIETER_DB / 10):
        return None
    inside = steps[first * frame : last * frame].reshape(last - first, frame)
    if power < BRIGHT**2 * np.median(np.einsum("ij,ij->i", inside, inside)):
        return None
    return first * frame, last * frame


def _told(heard: TrackEvidence, spans: Runs) -> Finding:
    start_s, end_s = float(spans[0, 0] / heard.rate), float(spans[-1, 1] / heard.rate)
    lengths_s = (spans[:, 1] - spans[:, 0]) / heard.rate
    severity: Severity = "major" if float(lengths_s.sum()) > MAJOR_S else "minor"
    longest_s = float(lengths_s.max())
    where = when(start_s, end_s)
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.9,
        severity=severity,
        sentence=f"a burst of noise of {duration(longest_s)} {where}"
        if len(spans) == 1
        else f"{count(len(spans), 'burst')} of noise of up to {duration(longest_s)} {where}",
        remedy="Fill the places from another microphone; on set, move the receiver or change the frequency.",
        manner="noise burst",
        events=len(spans),
        lost_s=float(lengths_s.sum()),
        longest_s=longest_s,
        places_s=places(spans, heard.rate),
    )
