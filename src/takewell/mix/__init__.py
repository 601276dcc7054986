"""One mix from several open microphones."""

from takewell.mix.mixdown import mix
from takewell.mix.report import Choice, Contribution, LinedUp, Mix, Notched
from takewell.mix.sentences import sentences
from takewell.mix.settings import MixSettings

__all__ = ["Choice", "Contribution", "LinedUp", "Mix", "MixSettings", "Notched", "mix", "sentences"]
