"""What is there to know of a take's tracks before levelling?

The gain settings come from the measurement (its passages: level and floor jumped together), file by file, joined
through continuation files: a new file begins no new setting unless something moved.

Conventions: seconds of the take.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from takewell.engine.results import Passage
from takewell.level.evidence import TrackEvidence
from takewell.level.linked import together
from takewell.level.setting_step import step_position
from takewell.level.speech import Setting, floor_db
from takewell.roll import MeasuredTake, TrackReader
from takewell.roll.linked import link_keys


def gather(measured: MeasuredTake, reader: TrackReader) -> tuple[TrackEvidence, ...]:
    """Return the evidence for every track of a take, those that move together as one."""
    take = measured.take
    keys = link_keys(take.tracks)
    rows: dict[tuple[str, ...], list[TrackEvidence]] = {}
    for track in take.tracks:
        trace = measured.trace(track.number)
        pieces = [
            (piece.start_samples / take.rate, measurement.passages)
            for piece, measurement in measured.measured(track.number)
        ]
        evidence = TrackEvidence(
            take=take.id,
            members=(track.number,),
            name=track.name,
            role=track.role,
            trace=trace,
            settings=settings_of(pieces, trace.length_samples / take.rate),
            reader=reader,
        )
        rows.setdefault(keys[track.number], []).append(evidence)
    found = [together(row) for row in rows.values()]
    return tuple(replace(one, settings=to_the_sample(one)) for one in found)


def to_the_sample(track: TrackEvidence) -> tuple[Setting, ...]:
    """Return a track's settings with the places where the gain moved found to the sample."""
    starts = [0.0] + [
        step_position(track, b.start_s, _step_db(track, a, b)) / track.trace.rate
        for a, b in pairwise(track.settings)
    ]
    ends = [*starts[1:], track.length_s]
    return tuple(
        Setting(start, end, s.floor_dbfs_a)
        for start, end, s in zip(starts, ends, track.settings, strict=True)
    )


def _step_db(track: TrackEvidence, before: Setting, after: Setting) -> float:
    """Return by how much a setting moved, by its floors."""
    if before.floor_dbfs_a is not None and after.floor_dbfs_a is not None:
        return after.floor_dbfs_a - before.floor_dbfs_a
    floors = [floor_db(track.trace, setting) for setting in (before, after)]
    return floors[1] - floors[0] if np.isfinite(floors).all() else 0.0


def settings_of(pieces: list[tuple[float, tuple[Passage, ...]]], length_s: float) -> tuple[Setting, ...]:
    """Return the gain settings of a track whose pieces (start in the take, passages) are given, in order."""
    starts: list[float] = []
    floors: list[list[tuple[float, float]]] = []
    for piece_start, passages in pieces:
        for index, passage in enumerate(passages):
            if index or not starts:
                starts.append(piece_start + passage.start_s if index else 0.0)
                floors.append([])
            if passage.noise_floor_dbfs_a is not None:
                floors[-1].append((passage.end_s - passage.start_s, passage.noise_floor_dbfs_a))
    if not starts:
        return (Setting(0.0, length_s, None),)
    ends = [*starts[1:], length_s]
    # Of several files at one setting the longest stretch knows the floor best.
    return tuple(
        Setting(start, end, max(known)[1] if known else None)
        for start, end, known in zip(starts, ends, floors, strict=True)
    )
