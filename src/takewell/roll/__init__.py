"""What a roll is made of: takes, tracks, text files, logbook, reading."""

from takewell.roll.derived import derived_folder
from takewell.roll.folder import holds_sound, is_roll, loose, open_roll, read_roll
from takewell.roll.labels import read_labels, write_labels
from takewell.roll.logbook import Logbook, Step
from takewell.roll.moves import read_moves, write_moves
from takewell.roll.notes import read_notes, write_notes
from takewell.roll.reading import MeasuredTake, TrackReader, measured_take, silent_spans
from takewell.roll.said import FileHeader
from takewell.roll.takes import Grouping, group_takes
from takewell.roll.values import (
    BestTrack,
    Examination,
    Finding,
    MediaFile,
    Move,
    Note,
    Pair,
    PairPassage,
    PairState,
    Piece,
    Role,
    Roll,
    Severity,
    Stage,
    Take,
    TakeKind,
    Track,
    TrackLabel,
    Verdict,
    VerdictWord,
)

__all__ = [
    "BestTrack",
    "Examination",
    "FileHeader",
    "Finding",
    "Grouping",
    "Logbook",
    "MeasuredTake",
    "MediaFile",
    "Move",
    "Note",
    "Pair",
    "PairPassage",
    "PairState",
    "Piece",
    "Role",
    "Roll",
    "Severity",
    "Stage",
    "Step",
    "Take",
    "TakeKind",
    "Track",
    "TrackLabel",
    "TrackReader",
    "Verdict",
    "VerdictWord",
    "derived_folder",
    "group_takes",
    "holds_sound",
    "is_roll",
    "loose",
    "measured_take",
    "open_roll",
    "read_labels",
    "read_moves",
    "read_notes",
    "read_roll",
    "silent_spans",
    "write_labels",
    "write_moves",
    "write_notes",
]
