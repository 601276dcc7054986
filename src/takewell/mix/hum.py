"""Which tracks have mains hum, and how does the mains run meanwhile?

The mains frequency (`measure.mains_hum`) is measured in up to `MOST_POINTS` windows of `WINDOW_S`, spread over the take; the harmonics to be
notched are those found in at least half of the windows that have a hum. A track with a hum in fewer than half of its windows has
something else.

Conventions: positions in samples of the take.
"""

from dataclasses import dataclass

import numpy as np

from takewell.measure.mains_hum import hum
from takewell.roll import Track, TrackReader

WINDOW_S, SHORTEST_S = 20.0, 5.0
MOST_POINTS = 24


@dataclass(frozen=True)
class Mains:
    """The mains frequency on a track at points of time, and the harmonics that stand out."""

    track: int
    points: tuple[tuple[int, float], ...]
    orders: tuple[int, ...]


def mains_on(reader: TrackReader, track: Track) -> Mains | None:
    """Return the hum on a track, None where it has none.

    Raises
    ------
    FileError
        If a file cannot be read.
    """
    rate, length = reader.take.rate, reader.take.length_samples
    window = min(round(WINDOW_S * rate), length)
    if window < SHORTEST_S * rate:
        return None
    count = max(min(length // window, MOST_POINTS), 1)
    starts = np.linspace(0, length - window, count).astype(int)
    points, orders = [], []
    for start in starts.tolist():
        samples = np.nan_to_num(reader.read([track.number], start, window)[:, 0], posinf=0.0, neginf=0.0)
        found = hum(samples, rate)
        if found is not None:
            points.append((start + window // 2, found.frequency_hz))
            orders += [harmonic.order for harmonic in found.harmonics]
    if 2 * len(points) < count:
        return None
    often = sorted(order for order in set(orders) if 2 * orders.count(order) >= len(points))
    return Mains(track.number, tuple(points), tuple(often))
