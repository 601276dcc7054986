"""Arrays in, arrays out: gain envelopes and the true-peak limiter."""

from takewell.shape.between_samples import highest_reading
from takewell.shape.envelope import GainEnvelope, GainSpan, JoinShape
from takewell.shape.gain_bank import GainBank
from takewell.shape.limiter import Action, Limiter

__all__ = ["Action", "GainBank", "GainEnvelope", "GainSpan", "JoinShape", "Limiter", "highest_reading"]
