"""The history of one track's levels, which everything that draws or decides reads first.

Conventions: linear amplitudes (1.0 = digital full scale), never decibels; float32 spans -750 to +770 dB
and serves every decision (results are summed apart, in float64). To add parts, square first. NaN and infinite samples are left out of every sum and counted apart. Steps are 100 ms at
edges ``round(k * rate / 10)``, fine steps 10 ms at ``round(k * rate / 100)``; where a take runs on in
another file the step at the seam may be short, so the edges stand in the trace.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]


@dataclass(frozen=True)
class Trace:
    """One track's levels; `n` steps of 100 ms, `m` fine steps of 10 ms.

    Every array may be a read-only view of a file on disk. Quantities of a step: `peak` largest absolute
    sample; `true_peak_bound` a value the BS.1770 true peak of the step cannot exceed; `mean` (DC);
    `rms`; `k_rms` (BS.1770 weighted, channel weight not applied); `a_rms` (IEC 61672 A); `nonfinite` samples; `over` samples beyond full scale (float) or at the rail (integer);
    `zeros` samples that are exactly zero; `flat_run` the longest run of neighbouring samples that stay within
    one part in 10^4 of each other while at least half as high as the step's peak, 0 where no two do and in silence (what a rail leaves behind;
    in an integer file samples three steps of the word apart still count as alike). Of a fine step: `fine_rms`; `fine_k_rms`;
    `fine_bend` the largest second difference from sample to sample (a click, a jump, a kink), also over the edge
    before it.
    """

    rate: int
    edges: I64
    peak: F32
    true_peak_bound: F32
    mean: F32
    rms: F32
    k_rms: F32
    a_rms: F32
    nonfinite: I32
    over: I32
    zeros: I32
    flat_run: I32
    fine_edges: I64
    fine_rms: F32
    fine_k_rms: F32
    fine_bend: F32

    @property
    def length_samples(self) -> int:
        """Length of the track in samples."""
        return int(self.edges[-1])

    def steps(self, start_s: float, end_s: float) -> slice:
        """Return the steps that lie at least half inside ``[start_s, end_s)``."""
        middle = (self.edges[:-1] + self.edges[1:]) / 2 / self.rate
        return slice(int(np.searchsorted(middle, start_s)), int(np.searchsorted(middle, end_s)))


_PER_STEP = (
    "peak", "true_peak_bound", "mean", "rms", "k_rms", "a_rms",
    "nonfinite", "over", "zeros", "flat_run",
)  # fmt: skip
_PER_FINE_STEP = ("fine_rms", "fine_k_rms", "fine_bend")


def join(parts: list[Trace]) -> Trace:
    """Return one trace of a track that runs through several files, in order.

    Raises
    ------
    ValueError
        If there are no parts or their rates differ.
    """
    if not parts or len({part.rate for part in parts}) != 1:
        raise ValueError("parts of one trace need one sampling rate")
    if len(parts) == 1:
        return parts[0]

    def edges(name: str) -> I64:
        start, joined = 0, [np.zeros(1, np.int64)]
        for part in parts:
            joined.append(getattr(part, name)[1:] + start)
            start += part.length_samples
        return np.concatenate(joined)

    columns = {n: np.concatenate([getattr(p, n) for p in parts]) for n in _PER_STEP + _PER_FINE_STEP}
    return Trace(parts[0].rate, edges=edges("edges"), fine_edges=edges("fine_edges"), **columns)
