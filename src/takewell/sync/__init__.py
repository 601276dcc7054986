"""In line with picture: which recording belongs to which clip, where it lies, and how the clocks drift."""

from takewell.sync.clips import read_clip, read_clips
from takewell.sync.clocks import apart_ppm
from takewell.sync.day import line_up
from takewell.sync.ltc_track import stamped_by_track
from takewell.sync.sentences import AS_HEARD
from takewell.sync.settings import SyncSettings
from takewell.sync.synced_files import SyncedFile, write_synced
from takewell.sync.table import HEADINGS, NUMBERS, document, row, write_table
from takewell.sync.values import Clap, Clip, Jump, Method, Pairing, Recording, Speed, SyncReport
from takewell.sync.writing import Written, write_all

__all__ = [
    "AS_HEARD",
    "HEADINGS",
    "NUMBERS",
    "Clap",
    "Clip",
    "Jump",
    "Method",
    "Pairing",
    "Recording",
    "Speed",
    "SyncReport",
    "SyncSettings",
    "SyncedFile",
    "Written",
    "apart_ppm",
    "document",
    "line_up",
    "read_clip",
    "read_clips",
    "row",
    "stamped_by_track",
    "write_all",
    "write_synced",
    "write_table",
]
