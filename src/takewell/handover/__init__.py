"""Handing over: the package for the editor, and the sound report."""

from takewell.handover.package import HandoverReport, check_options, hand_over, write_report
from takewell.handover.plan import Options
from takewell.handover.report import FORMATS
from takewell.handover.specs import LOUDNESS_SPECS, Check

__all__ = [
    "FORMATS",
    "LOUDNESS_SPECS",
    "Check",
    "HandoverReport",
    "Options",
    "check_options",
    "hand_over",
    "write_report",
]
