"""Arrays in, arrays out: gain envelopes, the true-peak limiter, resampling."""

from takewell.shape.between_samples import highest_reading
from takewell.shape.envelope import GainEnvelope, GainSpan, JoinShape
from takewell.shape.gain_bank import GainBank
from takewell.shape.limiter import Action, Limiter
from takewell.shape.resampled import Resampler

__all__ = [
    "Action",
    "GainBank",
    "GainEnvelope",
    "GainSpan",
    "JoinShape",
    "Limiter",
    "Resampler",
    "highest_reading",
]
