"""Cards to check in, and disks that a test may name as it likes."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from takewell.checkin import card as cards
from takewell.checkin import disks, place
from takewell.checkin.disks import Disks


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """Return a card with media, side files, hidden files, an empty folder and what systems leave behind."""
    root = tmp_path / "card"
    for folder in ("MONDAY/sub", "SOUND/empty", ".Spotlight-V100", "System Volume Information"):
        (root / folder).mkdir(parents=True)
    (root / "MONDAY/1-1.mov").write_bytes(os.urandom(4_300_001))
    (root / "MONDAY/1-2.mov").write_bytes(os.urandom(50_000))
    (root / "MONDAY/sub/Größe – 日本 & <a>.txt").write_text("a note", encoding="utf-8")
    (root / "settings.xml").write_bytes(b"")
    (root / ".hidden").write_text("hidden, but somebody's")
    (root / ".DS_Store").write_bytes(b"junk")
    (root / "MONDAY/._1-1.mov").write_bytes(b"junk")
    (root / ".Spotlight-V100/store").write_bytes(b"junk")
    for number, path in enumerate(sorted(root.rglob("*"))):
        os.utime(path, (1_700_000_000 + number, 1_700_000_000.5 + number))
    return root


@pytest.fixture
def separate_disks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every folder beside a test's card count as a disk of its own, named like the folder."""

    def named(folder: str | os.PathLike[str]) -> Disks:
        return Disks(frozenset({Path(folder).name}))

    monkeypatch.setattr(disks, "disks_of", named)
    monkeypatch.setattr(place, "disks_of", named)
    monkeypatch.setattr(cards, "disks_of", named)


@pytest.fixture
def copied() -> Callable[[Path], set[str]]:
    """Return a function that lists a destination's files without the manifest and our own."""

    def files(root: Path) -> set[str]:
        found = {path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file()}
        return {path for path in found if not path.startswith(("ascmhl/", "takewell/"))}

    return files


@pytest.fixture
def half_written() -> Callable[[Path], list[Path]]:
    """Return a function that lists what was left half-written below a folder."""
    return lambda root: sorted(root.rglob(".takewell-*"))
