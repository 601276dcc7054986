"""What are a track's numbers over a whole take that runs through several files?

Peaks are the highest of the pieces; samples are counted together; the floor is the quietest piece's, as it would be
over the whole; loudness is gated anew over the joined trace (BS.1770-5: 400 ms blocks, 100 ms apart). Active
speech adds as P.56 defines it: energy of the active time over the active time, where every piece has both.
"""

import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from takewell.engine.results import TrackMeasurement
from takewell.handover.sheet import MeasuredTrack
from takewell.measure.loudness import integrated, window_powers
from takewell.measure.trace import Trace
from takewell.roll import MeasuredTake, Piece

PieceNumbers = Sequence[tuple[Piece, TrackMeasurement]]


def over_take(measured: MeasuredTake, number: int) -> MeasuredTrack:
    """Return a track's numbers and trace over the whole take."""
    pieces, trace = measured.measured(number), measured.trace(number)
    if len(pieces) == 1:
        return MeasuredTrack(pieces[0][1], trace)
    parts = [part for _, part in pieces]
    speech = _speech(pieces)
    floor = _extreme(min, [p.noise_floor_dbfs for p in parts])
    whole = TrackMeasurement(
        channel=parts[0].channel,
        name=parts[0].name,
        sample_peak_dbfs=_extreme(max, [p.sample_peak_dbfs for p in parts]),
        true_peak_dbtp=_extreme(max, [p.true_peak_dbtp for p in parts]),
        rms_dbfs=None,
        dc_offset_fs=None,
        integrated_lufs=_integrated(trace),
        loudness_range_lu=None,
        momentary_max_lufs=_extreme(max, [p.momentary_max_lufs for p in parts]),
        short_term_max_lufs=_extreme(max, [p.short_term_max_lufs for p in parts]),
        speech_level_dbfs=speech,
        speech_activity=None,
        noise_floor_dbfs=floor,
        noise_floor_dbfs_a=_extreme(min, [p.noise_floor_dbfs_a for p in parts]),
        snr_db=None if speech is None or floor is None else speech - floor,
        samples_over_full_scale=sum(p.samples_over_full_scale for p in parts),
        nonfinite_samples=sum(p.nonfinite_samples for p in parts),
    )
    return MeasuredTrack(whole, trace)


def _integrated(trace: Trace) -> float | None:
    lengths = np.diff(trace.edges)
    return integrated(window_powers(trace.k_rms.astype(np.float64) ** 2 * lengths, lengths, 4))


def _extreme(pick: Callable[[Iterable[float]], float], values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return pick(known) if known else None


def _speech(pieces: PieceNumbers) -> float | None:
    energy = active = 0.0
    for piece, part in pieces:
        if part.speech_level_dbfs is None or part.speech_activity is None:
            continue
        samples = part.speech_activity * piece.length_samples
        energy += samples * 10 ** (part.speech_level_dbfs / 10)
        active += samples
    return 10 * math.log10(energy / active) if active else None
