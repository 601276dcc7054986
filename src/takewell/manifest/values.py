"""What a manifest history says: generations, the files and folders in each, and the histories nested below.

Conventions: paths are relative to the folder the history belongs to, with "/"; digests as in `hashing`.
Names follow ASC MHL v2 (namespace ``urn:ASC:MHL:v2.0``).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Literal

from takewell.manifest.directory_hash import DirectoryHash
from takewell.manifest.ignore import DEFAULT_PATTERNS

Action = Literal["original", "verified", "failed"]
Process = Literal["in-place", "transfer", "flatten"]


@dataclass(frozen=True)
class HashedFile:
    """A file whose bytes were hashed: what a new generation is made of."""

    path: str
    size_bytes: int
    modified: datetime
    """Time of last change, with a time zone."""
    hashes: Mapping[str, str]
    """Format -> digest."""
    hashed: datetime
    """When the digests were made, with a time zone."""


@dataclass(frozen=True)
class RecordedHash:
    """One digest as it stands in a manifest."""

    digest: str
    action: Action | None


@dataclass(frozen=True)
class RecordedFile:
    """One file as it stands in a manifest."""

    path: str
    size_bytes: int | None
    hashes: Mapping[str, RecordedHash]
    previous_path: str | None = None


@dataclass(frozen=True)
class Reference:
    """A manifest of a nested history, and the C4 identifier it had."""

    path: str
    c4: str


@dataclass(frozen=True)
class Generation:
    """One manifest."""

    number: int
    file_name: str
    c4: str
    created: str
    process: str
    files: tuple[RecordedFile, ...]
    folders: Mapping[str, Mapping[str, DirectoryHash]]
    """Folder -> format -> hashes; the root is ``"."``."""
    ignore: tuple[str, ...]
    references: tuple[Reference, ...] = ()


@dataclass(frozen=True)
class FirstHashes:
    """What a history holds a file to: the first digest of each format, and the size then."""

    size_bytes: int | None
    hashes: Mapping[str, str]


@dataclass(frozen=True)
class History:
    """Every generation of a folder's manifests, oldest first; no generation: nothing was ever recorded."""

    folder: Path
    generations: tuple[Generation, ...] = ()
    nested: Mapping[str, "History"] = field(default_factory=dict)
    """Folder below -> its own history."""

    def __bool__(self) -> bool:
        return bool(self.generations) or any(self.nested.values())

    @property
    def ignore(self) -> tuple[str, ...]:
        """The patterns of the latest generation, or the standard's own."""
        return (self.generations[-1].ignore if self.generations else ()) or DEFAULT_PATTERNS

    def owner(self, path: str) -> tuple[str, "History"]:
        """Return the innermost history that speaks for `path`, with its folder relative to this one (``""`` here)."""
        for folder, history in self.nested.items():
            if path.startswith(f"{folder}/"):
                inner, owner = history.owner(path[len(folder) + 1 :])
                return (f"{folder}/{inner}" if inner else folder), owner
        return "", self

    def first(self, path: str) -> FirstHashes | None:
        """Return what a file is held to, or None where it was never recorded."""
        folder, owner = self.owner(path)
        return owner.own_files.get(path[len(folder) + 1 :] if folder else path)

    def paths(self) -> Iterator[str]:
        """Yield every file ever recorded and not since renamed, those of nested histories included."""
        yield from self.own_files
        for folder, history in self.nested.items():
            yield from (f"{folder}/{path}" for path in history.paths())

    def histories(self, folder: str = "") -> Iterator[tuple[str, "History"]]:
        """Yield this history and all nested ones with their folders, innermost first."""
        for name, history in self.nested.items():
            yield from history.histories(f"{folder}/{name}" if folder else name)
        yield folder, self

    @cached_property
    def own_files(self) -> Mapping[str, FirstHashes]:
        """Path -> what the file is held to, of this history alone.

        The first digest of a format counts unless it was marked as failed; a renamed file brings its digests along.
        """
        found: dict[str, FirstHashes] = {}
        for generation in self.generations:
            for file in generation.files:
                known = found.pop(file.previous_path, None) if file.previous_path else None
                known = found.get(file.path, known)
                new = {name: h.digest for name, h in file.hashes.items() if h.action != "failed"}
                if known is None:
                    found[file.path] = FirstHashes(file.size_bytes, new)
                else:
                    size = file.size_bytes if known.size_bytes is None else known.size_bytes
                    found[file.path] = FirstHashes(size, {**new, **known.hashes})
        return found
