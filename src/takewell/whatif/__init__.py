"""The same recording through another chain: what would have clipped, where the floor would lie."""

from takewell.whatif.other_chain import parse_chain, recorded_full_scale_dbu
from takewell.whatif.passing import Passing
from takewell.whatif.study import what_if
from takewell.whatif.values import ChainOutcome, ChannelOutcome, GaveWay, Levels, NamedChain, StageUse, WhatIf

__all__ = [
    "ChainOutcome",
    "ChannelOutcome",
    "GaveWay",
    "Levels",
    "NamedChain",
    "Passing",
    "StageUse",
    "WhatIf",
    "parse_chain",
    "recorded_full_scale_dbu",
    "what_if",
]
