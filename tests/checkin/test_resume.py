"""A check-in that was killed goes on where it stopped, and believes nothing."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from takewell.checkin import check_in, relay, verify_folder
from takewell.checkin.journal import JOURNAL, Finished, Journal, read_journal
from takewell.errors import DestinationError
from takewell.manifest import read_history, seal_folder

COUNT = 12
SIZE = 300_000
SLOW = textwrap.dedent(
    """
    import sys, time
    from takewell.checkin import check_in, relay
    whole = relay.read_block
    def slow(handle, size_bytes):
        time.sleep(0.05)
        return whole(handle, 50_000)
    relay.read_block = slow
    check_in([sys.argv[1]], sys.argv[2:], measure=False)
    """
)


@pytest.fixture
def big_card(tmp_path: Path) -> Path:
    root = tmp_path / "card"
    (root / "DAY").mkdir(parents=True)
    for number in range(COUNT):
        (root / f"DAY/{number:02d}.mov").write_bytes(os.urandom(SIZE))
    return root


def kill_after(card: Path, places: list[Path], finished: int, how: int = signal.SIGKILL) -> int:
    """Start a check-in in another process and kill it once so many files are finished everywhere."""
    process = subprocess.Popen([sys.executable, "-c", SLOW, card, *places], stderr=subprocess.PIPE)
    deadline = time.monotonic() + 60
    while any(len(read_journal(place)) < finished for place in places):
        assert process.poll() is None, process.stderr and process.stderr.read()
        assert time.monotonic() < deadline
        time.sleep(0.01)
    process.send_signal(how)
    process.communicate(timeout=60)
    return process.returncode


def count_reads(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Return a list that grows by the size of every block read from a card."""
    read: list[int] = []
    whole = relay.read_block

    def counting(handle: int, size_bytes: int) -> bytes:
        block = whole(handle, size_bytes)
        read.append(len(block))
        return block

    monkeypatch.setattr(relay, "read_block", counting)
    return read


def test_after_kill_9_finished_files_are_not_read_from_the_card_again(
    big_card: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    half_written: Callable[[Path], list[Path]],
) -> None:
    places = [tmp_path / "a", tmp_path / "b"]
    assert kill_after(big_card, places, 4) == -signal.SIGKILL
    assert not (places[0] / "ascmhl").exists()
    finished = [set(read_journal(place)) for place in places]
    inodes = {path: path.stat().st_ino for path in (places[0] / "DAY").glob("0[0-3].mov")}
    read = count_reads(monkeypatch)
    report = check_in([big_card], places)
    both = finished[0] & finished[1]
    assert len(both) >= 4
    assert sum(read) == (COUNT - len(both)) * SIZE
    assert report.complete
    assert {path: path.stat().st_ino for path in inodes} == inodes
    assert half_written(tmp_path) == []
    for place in places:
        assert verify_folder(place).sentence == f"All {COUNT} files are there and verified."
        (generation,) = read_history(place).generations
        assert len(generation.files) == COUNT
        assert not (place / JOURNAL).exists()
    for path in big_card.rglob("*.mov"):
        assert (places[1] / path.relative_to(big_card)).read_bytes() == path.read_bytes()


def test_killed_at_any_moment_it_ends_whole(big_card: Path, tmp_path: Path) -> None:
    place = tmp_path / "a"
    for finished in (1, 3, 7):
        kill_after(big_card, [place], finished)
    assert check_in([big_card], [place]).complete
    assert verify_folder(place).whole


def test_ctrl_c_leaves_nothing_half_written_and_can_go_on(
    big_card: Path, tmp_path: Path, half_written: Callable[[Path], list[Path]]
) -> None:
    assert kill_after(big_card, [tmp_path / "a"], 2, signal.SIGINT) != 0
    assert half_written(tmp_path) == []
    assert check_in([big_card], [tmp_path / "a"]).complete


def stopped(card: Path, place: Path) -> None:
    """Leave a destination as a check-in that was stopped after its last file."""
    check_in([card], [place], measure=False)
    (place / "ascmhl/ascmhl_chain.xml").unlink()
    for manifest in (place / "ascmhl").iterdir():
        manifest.unlink()
    (place / "ascmhl").rmdir()
    journal = Journal(place)
    for path in sorted(card.rglob("*.mov")):
        stat, name = path.stat(), path.relative_to(card).as_posix()
        from takewell.manifest import hash_file

        journal.add(
            Finished(name, stat.st_size, stat.st_mtime_ns, hash_file(path), "2026-01-01T00:00:00+00:00")
        )
    journal.close(remove=False)


def test_a_finished_copy_that_changed_is_not_trusted(big_card: Path, tmp_path: Path) -> None:
    stopped(big_card, tmp_path / "a")
    path = tmp_path / "a/DAY/03.mov"
    data = bytearray(path.read_bytes())
    data[SIZE // 2] ^= 1
    path.write_bytes(data)
    report = check_in([big_card], [tmp_path / "a"])
    assert [f.path for f in report.files if not f.copies[0].verified] == ["DAY/03.mov"]
    assert "has changed since it was copied from the card" in report.problems[0]


def test_a_card_file_that_changed_since_is_read_again(big_card: Path, tmp_path: Path) -> None:
    stopped(big_card, tmp_path / "a")
    path = big_card / "DAY/05.mov"
    stat = path.stat()
    data = bytearray(path.read_bytes())
    data[10] ^= 1  # within the ends that are compared, with size and time as before
    path.write_bytes(data)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    report = check_in([big_card], [tmp_path / "a"])
    assert [f.path for f in report.files if not f.copies[0].verified] == ["DAY/05.mov"]


def test_another_hash_is_made_from_the_card(
    big_card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped(big_card, tmp_path / "a")
    read = count_reads(monkeypatch)
    report = check_in([big_card], [tmp_path / "a"], hashes=["md5"])
    assert report.complete
    assert sum(read) == COUNT * SIZE
    assert all("md5" in file.hashes for file in report.files)


def test_the_time_of_hashing_is_the_time_of_reading_the_card(big_card: Path, tmp_path: Path) -> None:
    stopped(big_card, tmp_path / "a")
    check_in([big_card], [tmp_path / "a"])
    (manifest,) = (tmp_path / "a/ascmhl").glob("*.mhl")
    assert manifest.read_text(encoding="utf-8").count('hashdate="2026-01-01T00:00:00+00:00"') == COUNT


def test_a_broken_journal_costs_time_and_nothing_else(big_card: Path, tmp_path: Path) -> None:
    stopped(big_card, tmp_path / "a")
    journal = tmp_path / "a" / JOURNAL
    lines = journal.read_text().splitlines()
    journal.write_text("\n".join(["null", "[1]", '{"path": 3}', *lines[:5], lines[6][:40]]))
    assert check_in([big_card], [tmp_path / "a"]).complete
    journal.write_bytes(b"\xff\xfe\x00")
    assert check_in([big_card], [tmp_path / "a"]).complete


def test_a_line_broken_off_by_a_crash_does_not_swallow_the_next(tmp_path: Path) -> None:
    (tmp_path / "takewell").mkdir()
    (tmp_path / JOURNAL).write_text('{"path": "a", "size_by')
    journal = Journal(tmp_path)
    journal.add(Finished("b", 1, 2, {"md5": "00"}, "2026-01-01"))
    journal.close(remove=False)
    assert set(read_journal(tmp_path)) == {"b"}
    assert json.loads((tmp_path / JOURNAL).read_text().splitlines()[-1])["path"] == "b"


def test_killed_while_the_cards_own_history_was_copied(big_card: Path, tmp_path: Path) -> None:
    manifest = seal_folder(big_card)
    stopped(big_card, tmp_path / "a")
    (tmp_path / "a/ascmhl").mkdir()
    copy = tmp_path / "a/ascmhl" / manifest.name
    copy.write_bytes(manifest.read_bytes())  # the chain is not there yet
    journal = Journal(tmp_path / "a")
    stat = manifest.stat()
    journal.add(
        Finished(f"ascmhl/{manifest.name}", stat.st_size, stat.st_mtime_ns, {"md5": "00"}, "2026-01-01")
    )
    journal.close(remove=False)
    # The journal's hash of the manifest is wrong here: so it is not believed, and the card is asked.
    copy.unlink()
    assert check_in([big_card], [tmp_path / "a"]).complete
    assert [g.number for g in read_history(tmp_path / "a").generations] == [1, 2]


def test_only_one_check_in_writes_to_a_roll(big_card: Path, tmp_path: Path) -> None:
    process = subprocess.Popen([sys.executable, "-c", SLOW, big_card, tmp_path / "a"])
    try:
        while not read_journal(tmp_path / "a"):
            assert process.poll() is None
            time.sleep(0.01)
        with pytest.raises(DestinationError, match="Another check-in is writing to"):
            check_in([big_card], [tmp_path / "a"])
    finally:
        process.kill()
        process.wait()
