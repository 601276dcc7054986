"""What lies in a folder without being part of what its manifest speaks of?

Patterns are those of gitignore files, as ASC MHL asks for, relative to the folder the manifest belongs to.
"""

from collections.abc import Iterable

from pathspec import GitIgnoreSpec

HISTORY_FOLDER = "ascmhl"

DEFAULT_PATTERNS = (".DS_Store", HISTORY_FOLDER, f"{HISTORY_FOLDER}/")
"""What ASC MHL leaves out by default."""

OWN_PATTERNS = ("takewell/", ".takewell-*")
"""Our own notes beside the media, and files still being written."""

SYSTEM_PATTERNS = (
    "._*",
    ".AppleDouble/",
    ".DocumentRevisions-V100/",
    ".Spotlight-V100/",
    ".TemporaryItems/",
    ".Trashes/",
    ".apdisk",
    ".fseventsd/",
    ".Trash-*/",
    "$RECYCLE.BIN/",
    "System Volume Information/",
    "Thumbs.db",
    "desktop.ini",
    "LOST.DIR/",
    "lost+found/",
)
"""What operating systems leave on a card by themselves: search indexes, bins, thumbnails, views."""

PATTERNS = (*DEFAULT_PATTERNS, *OWN_PATTERNS, *SYSTEM_PATTERNS)
"""What the manifests we begin leave out."""


class IgnoreRule:
    """Tells whether a path is left out; `patterns` in gitignore form, the last match decides."""

    def __init__(self, patterns: Iterable[str] = PATTERNS) -> None:
        self.patterns = tuple(dict.fromkeys(patterns))
        self._spec = GitIgnoreSpec.from_lines(self.patterns)

    def leaves_out(self, path: str, *, is_folder: bool = False) -> bool:
        """Return whether `path` (relative, with "/") is left out; a file inside a folder left out is, too."""
        return self._spec.match_file(f"{path}/" if is_folder else path)
