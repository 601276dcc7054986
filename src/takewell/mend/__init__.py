"""Damaged tracks joined from whole twins, as new tracks."""

from takewell.mend.mended_file import mended_files
from takewell.mend.plan import plan_mends
from takewell.mend.values import Join, MendedFile, MendedTrack, MendPlan, NotMended
from takewell.mend.write import write_mended

__all__ = [
    "Join",
    "MendPlan",
    "MendedFile",
    "MendedTrack",
    "NotMended",
    "mended_files",
    "plan_mends",
    "write_mended",
]
