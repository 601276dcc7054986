"""Cards come home: copied, verified, measured, and it is said whether they may be erased."""

from takewell.checkin.values import (
    CardReport,
    CheckedInFile,
    CheckinProgress,
    CheckinReport,
    Copy,
    DestinationReport,
    LeftOut,
    PlannedStep,
    UnreadableSound,
)
from takewell.checkin.visit import check_in
from takewell.manifest import FolderReport
from takewell.manifest import verify as verify_folder

__all__ = [
    "CardReport",
    "CheckedInFile",
    "CheckinProgress",
    "CheckinReport",
    "Copy",
    "DestinationReport",
    "FolderReport",
    "LeftOut",
    "PlannedStep",
    "UnreadableSound",
    "check_in",
    "verify_folder",
]
