"""Writing the day: the same every time, never over another card."""

import hashlib
from pathlib import Path

import pytest

from takewell.demo import write_day
from takewell.errors import DestinationError, SettingError

FEW = {"LINEUP-1", "10-WT1", "30B-1"}


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("once")
    write_day(folder, takes=FEW)
    return hashes(folder)


def test_same_seed_gives_the_same_bytes(once: dict[str, str], tmp_path: Path) -> None:
    write_day(tmp_path, takes=FEW)
    assert hashes(tmp_path) == once
    assert len(once) == 7


def test_another_seed_gives_other_sound_under_the_same_names(once: dict[str, str], tmp_path: Path) -> None:
    write_day(tmp_path, seed=4, takes={"10-WT1", "LINEUP-1"})
    other = hashes(tmp_path)
    assert set(other) <= set(once)
    changed = {name.rpartition("/")[2] for name in other if other[name] != once[name]}
    assert changed == {"10-WT1.WAV", "10-WT1_S.WAV", "truth.json", "REPORT.TXT"}


def test_a_take_is_the_same_alone_as_among_others(once: dict[str, str], tmp_path: Path) -> None:
    write_day(tmp_path, takes={"30B-1"})
    alone = {name: value for name, value in hashes(tmp_path).items() if "30B" in name}
    assert len(alone) == 2
    assert alone.items() <= once.items()


def test_a_card_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "card" / "precious.wav").write_bytes(b"x")
    with pytest.raises(DestinationError, match="exists already"):
        write_day(tmp_path, takes={"LINEUP-1"})
    assert [path.name for path in tmp_path.rglob("*")] == ["card", "precious.wav"]


def test_a_take_of_another_day_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="99Z-1"):
        write_day(tmp_path, takes={"99Z-1"})
    assert not list(tmp_path.iterdir())


def test_a_place_that_cannot_hold_a_folder_is_refused_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(DestinationError, match="cannot be made"):
        write_day(tmp_path / "file", takes={"LINEUP-1"})
