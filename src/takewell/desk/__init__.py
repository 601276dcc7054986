"""What a person sees and hears of a take at the desk: levels before and after moves, spectra, safe listening."""

from takewell.desk.levels import Levels, levels, levels_after
from takewell.desk.listening import Listening, listen_to_file, listen_to_track
from takewell.desk.pairs import GainBetween, gain_between
from takewell.desk.spectrum import MomentSpectrum, moment_spectrum

__all__ = [
    "GainBetween",
    "Levels",
    "Listening",
    "MomentSpectrum",
    "gain_between",
    "levels",
    "levels_after",
    "listen_to_file",
    "listen_to_track",
    "moment_spectrum",
]
