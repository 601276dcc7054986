"""One read, many takers."""

import os
import threading
import time
from pathlib import Path

import pytest

from takewell.checkin import relay
from takewell.checkin.relay import AHEAD_BLOCKS, BLOCK_BYTES, Lane


class Collector:
    def __init__(self, pause_s: float = 0.0, fail_at: int | None = None) -> None:
        self.data = bytearray()
        self.count = 0
        self._pause_s, self._fail_at = pause_s, fail_at

    def take(self, block: bytes) -> None:
        time.sleep(self._pause_s)
        if self.count == self._fail_at:
            raise OSError(28, "No space left on device")
        self.count += 1
        self.data += block


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "source"
    path.write_bytes(os.urandom(3 * BLOCK_BYTES + 17))
    return path


def test_every_taker_gets_every_byte_in_order(source: Path) -> None:
    takers = [Collector(), Collector(0.01), Collector()]
    counted: list[int] = []
    size, stat = relay.relay(source, [Lane(taker) for taker in takers], counted.append)
    assert size == stat.st_size == sum(counted) == 3 * BLOCK_BYTES + 17
    assert all(bytes(taker.data) == source.read_bytes() for taker in takers)


def test_a_taker_that_fails_does_not_stop_the_others(source: Path) -> None:
    good, bad = Collector(), Collector(fail_at=1)
    lanes = [Lane(good), Lane(bad)]
    relay.relay(source, lanes, lambda _: None)
    assert len(good.data) == 3 * BLOCK_BYTES + 17
    assert isinstance(lanes[1].error, OSError)
    assert bad.count == 1


def test_reading_waits_for_the_slowest_taker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(relay, "BLOCK_BYTES", 10)
    path = tmp_path / "source"
    path.write_bytes(bytes(10 * 100))
    held = threading.Event()
    read = 0

    class Waiting:
        def take(self, _block: bytes) -> None:
            held.wait()

    def count(_size: int) -> None:
        nonlocal read
        read += 1

    reader = threading.Thread(target=relay.relay, args=(path, [Lane(Waiting())], count))
    reader.start()
    time.sleep(0.3)
    # One block is in the taker's hands, the queue is full, and the next one waits: memory is bounded.
    assert read <= AHEAD_BLOCKS + 1
    held.set()
    reader.join()
    assert read == 100


def test_a_reader_that_fails_ends_its_lanes(source: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = threading.active_count()
    whole = relay.read_block
    calls = 0

    def breaking(handle: int, size_bytes: int) -> bytes:
        nonlocal calls
        calls += 1
        if calls == 2:
            raise OSError(5, "Input/output error")
        return whole(handle, size_bytes)

    monkeypatch.setattr(relay, "read_block", breaking)
    taker = Collector()
    with pytest.raises(relay.ReadError, match="Input/output error"):
        relay.relay(source, [Lane(taker)], lambda _: None)
    assert taker.count == 1
    assert threading.active_count() == before


def test_a_file_that_is_not_there_ends_the_lanes(tmp_path: Path) -> None:
    before = threading.active_count()
    with pytest.raises(relay.ReadError, match="No such file"):
        relay.relay(tmp_path / "gone", [Lane(Collector())], lambda _: None)
    assert threading.active_count() == before


def test_what_the_counting_raises_is_not_laid_on_the_file(source: Path) -> None:
    def broken(_size: int) -> None:
        raise BrokenPipeError

    with pytest.raises(BrokenPipeError):
        relay.relay(source, [Lane(Collector())], broken)
