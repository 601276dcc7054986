"""Bringing each passage of each track to where it belongs, reversibly."""

from takewell.level.explain import explain
from takewell.level.levelled_copy import CopyTrack, LevelledCopy, read_sidecar
from takewell.level.limited import Limited, limited, write_limited
from takewell.level.lines import past_the_end
from takewell.level.plan import Prediction, TrackPlan
from takewell.level.propose import plan_roll, propose
from takewell.level.render import render
from takewell.level.settings import LevelSettings, roll_settings
from takewell.level.undo import Undone, undo

__all__ = [
    "CopyTrack",
    "LevelSettings",
    "LevelledCopy",
    "Limited",
    "Prediction",
    "TrackPlan",
    "Undone",
    "explain",
    "limited",
    "past_the_end",
    "plan_roll",
    "propose",
    "read_sidecar",
    "render",
    "roll_settings",
    "undo",
    "write_limited",
]
