"""Findings with evidence, and a verdict for every track."""

from takewell.examine.examination import ExaminedTake, examine, examine_take
from takewell.examine.judgement_json import best_track_json, finding_json, pair_json, verdict_json

__all__ = [
    "ExaminedTake",
    "best_track_json",
    "examine",
    "examine_take",
    "finding_json",
    "pair_json",
    "verdict_json",
]
