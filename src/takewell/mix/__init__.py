"""One automatic mix from several open microphones."""

from takewell.mix.mixdown import mix
from takewell.mix.report import Contribution, Mix
from takewell.mix.settings import MixSettings

__all__ = ["Contribution", "Mix", "MixSettings", "mix"]
