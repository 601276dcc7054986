"""A small roll of values to hand over, with nothing on disk."""

from dataclasses import replace

import numpy as np

from takewell.engine.results import TrackMeasurement
from takewell.measure.trace import Trace
from takewell.roll.values import MediaFile, Piece, Take, Track
from takewell.timecode import Timecode, TimecodeRate
from takewell.units import step_edges

RATE = 48_000
FRAMES_25 = TimecodeRate.parse("25")


def trace_of(level_dbfs):
    """A trace whose steps have these RMS levels (AES17 dBFS)."""
    n = len(level_dbfs)
    amplitude = (10 ** ((np.asarray(level_dbfs, float) - 3.0103) / 20)).astype(np.float32)
    none = np.zeros(n, np.int32)
    edges = step_edges(n * RATE // 10, RATE)
    fine = step_edges(n * RATE // 10, RATE, 100)
    return Trace(
        RATE,
        edges=edges,
        peak=amplitude * 3,
        true_peak_bound=amplitude * 4,
        mean=np.zeros(n, np.float32),
        rms=amplitude,
        k_rms=amplitude,
        a_rms=amplitude,
        nonfinite=none,
        over=none,
        zeros=none,
        flat_run=none,
        fine_edges=fine,
        fine_rms=np.repeat(amplitude, 10),
        fine_k_rms=np.repeat(amplitude, 10),
        fine_bend=np.repeat(amplitude, 10),
    )


def numbers_of(channel, **known):
    """A TrackMeasurement in which only `known` figures exist."""
    blank = dict.fromkeys(
        [
            "sample_peak_dbfs",
            "true_peak_dbtp",
            "rms_dbfs",
            "dc_offset_fs",
            "integrated_lufs",
            "loudness_range_lu",
            "momentary_max_lufs",
            "short_term_max_lufs",
            "speech_level_dbfs",
            "speech_activity",
            "noise_floor_dbfs",
            "noise_floor_dbfs_a",
            "snr_db",
        ]
    )
    return TrackMeasurement(
        channel=channel, name=None, samples_over_full_scale=0, nonfinite_samples=0, **(blank | known)
    )


def take_of(names=("Boom", "Lav"), *, take_id="4-2", seconds=60, **changes):
    """A take of one poly file whose tracks have these names."""
    length = seconds * RATE
    path = f"{take_id}.wav"
    media = MediaFile(path, 0, "WAVE", "float32", RATE, len(names), length, 0)
    tracks = tuple(
        Track(k, name, "iso", "float32", (Piece(path, k, 0, length),)) for k, name in enumerate(names, 1)
    )
    take = Take(
        id=take_id,
        scene="4",
        take="2",
        kind="take",
        rate=RATE,
        length_samples=length,
        start=Timecode.parse("09:15:00:10", FRAMES_25),
        timecode_rate=FRAMES_25,
        date="2026-03-01",
        files=(media,),
        tracks=tracks,
        project="The Tide Clock",
        tape="B",
    )
    return replace(take, **changes)
