"""Arrays in, arrays out: gain envelopes, the true-peak limiter, resampling, linear timecode."""

from takewell.shape.between_samples import highest_reading
from takewell.shape.envelope import GainEnvelope, GainSpan, JoinShape
from takewell.shape.gain_bank import GainBank
from takewell.shape.limiter import Action, Limiter
from takewell.shape.linear_timecode import LinearTimecode, LinearTimecodeReader
from takewell.shape.resampled import Resampler
from takewell.shape.timecode_word import TimecodeWords

__all__ = [
    "Action",
    "GainBank",
    "GainEnvelope",
    "GainSpan",
    "JoinShape",
    "Limiter",
    "LinearTimecode",
    "LinearTimecodeReader",
    "Resampler",
    "TimecodeWords",
    "highest_reading",
]
