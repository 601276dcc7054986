"""How much longer does a check-in take than copying and hashing alone?

A card that gives 300 MB/s (reading is held back to that), two copies, xxh128, and everything `measure` gives, of
14-track 48 kHz float files. The yardstick is a plain loop that reads the same way, hashes, writes two copies and
flushes them. Reading every copy back is part of the check-in and not of the plain loop; both ratios are printed.

    python benchmarks/checkin.py [FOLDER] [MEGABYTES]
"""

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import xxhash

from takewell.checkin import check_in, relay
from takewell.wave import BroadcastWriter

SOURCE_BYTES_PER_S = 300e6
RATE, CHANNELS, FILES = 48_000, 14, 3
PROMISED = 1.3


class ThrottledSource:
    """Reads no faster than the card would; what the reader did not ask for in time is lost, as with a card."""

    def __init__(self) -> None:
        self._free_at = 0.0

    def read(self, handle: int, size_bytes: int) -> bytes:
        block = os.read(handle, size_bytes)
        now = time.monotonic()
        # The card reads one block ahead and no further.
        start = max(self._free_at, now - size_bytes / SOURCE_BYTES_PER_S)
        self._free_at = start + len(block) / SOURCE_BYTES_PER_S
        if self._free_at > now:
            time.sleep(self._free_at - now)
        return block


def write_card(folder: Path, megabytes: int) -> int:
    """Write speech-like tracks: bursts over a floor, so that neither peaks nor gates are the easy case."""
    rng = np.random.default_rng(7)
    samples = int(megabytes * 1e6 / FILES / CHANNELS / 4)
    for number in range(FILES):
        with BroadcastWriter(
            folder / f"1-{number + 1}.wav", rate=RATE, channels=CHANNELS, encoding="float32"
        ) as writer:
            for start in range(0, samples, RATE):
                count = min(RATE, samples - start)
                talk = np.repeat(rng.random((10, CHANNELS)) ** 3, RATE // 10, axis=0)[:count]
                writer.write(
                    ((0.001 + 0.2 * talk) * rng.standard_normal((count, CHANNELS), dtype=np.float32)).astype(
                        np.float32
                    )
                )
    return sum(path.stat().st_size for path in folder.iterdir())


def copy_and_hash(card: Path, places: list[Path], read: Callable[[int, int], bytes]) -> None:
    """Copy and hash alone, as plainly as it can be done."""
    for path in sorted(card.iterdir()):
        digest = xxhash.xxh3_128()
        source = os.open(path, os.O_RDONLY)
        copies = [
            os.open(place / path.name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666) for place in places
        ]
        while block := read(source, relay.BLOCK_BYTES):
            digest.update(block)
            for copy in copies:
                os.write(copy, block)
        for copy in copies:
            os.fsync(copy)
            os.close(copy)
        os.close(source)


def timed(what: str, size_bytes: int, work: Callable[[], object]) -> float:
    """Run, and print the time, the rate and what it cost."""
    os.sync()
    begun, used = time.monotonic(), time.process_time()
    work()
    seconds, processor_s = time.monotonic() - begun, time.process_time() - used
    print(
        f"{what:56s} {seconds:6.2f} s  {size_bytes / seconds / 1e6:4.0f} MB/s  {processor_s:5.2f} s of processor"
    )
    return seconds


def main() -> None:
    """Print the times and the ratios."""
    base = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.gettempdir())
    megabytes = int(sys.argv[2]) if len(sys.argv) > 2 else 600
    with tempfile.TemporaryDirectory(dir=base, prefix="takewell-checkin-") as name:
        root = Path(name)
        (root / "card").mkdir()
        size = write_card(root / "card", megabytes)
        places = [root / "a", root / "b"]

        def fresh() -> None:
            for place in places:
                shutil.rmtree(place, ignore_errors=True)
                place.mkdir()

        print(
            f"{size / 1e6:.0f} MB on {os.cpu_count()} cores; other work running: load {os.getloadavg()[0]:.1f}"
        )
        relay.read_block = ThrottledSource().read
        fresh()
        check_in([root / "card"], places)  # compiles the loops and warms the card's files
        fresh()
        plain = timed(
            "copy and hash alone, two copies",
            size,
            lambda: copy_and_hash(root / "card", places, ThrottledSource().read),
        )
        fresh()
        unmeasured = timed(
            "check-in without measuring: also reads every copy back",
            size,
            lambda: check_in([root / "card"], places, measure=False),
        )
        fresh()
        whole = timed("check-in with everything measured", size, lambda: check_in([root / "card"], places))
    print(f"the whole check-in takes {whole / plain:.2f} times copying and hashing alone")
    print(f"and {whole / unmeasured:.2f} times the check-in without measuring (promised: {PROMISED})")


if __name__ == "__main__":
    main()
