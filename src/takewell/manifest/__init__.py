"""Hashes and ASC MHL manifests: what was on the card, and whether it still is."""

from takewell.manifest.hashing import DEFAULT_FORMATS, HASH_FORMATS, Hasher, hash_file
from takewell.manifest.reading import read_history
from takewell.manifest.values import HashedFile, History
from takewell.manifest.verification import FolderReport, verify
from takewell.manifest.writing import seal_folder, write_generation

__all__ = [
    "DEFAULT_FORMATS",
    "HASH_FORMATS",
    "FolderReport",
    "HashedFile",
    "Hasher",
    "History",
    "hash_file",
    "read_history",
    "seal_folder",
    "verify",
    "write_generation",
]
