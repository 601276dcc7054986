"""How far has a check-in come, how fast is it, and how long will it take?"""

import threading
import time
from collections import deque

from takewell.checkin.values import CheckinProgress, ProgressReport

SAY_EVERY_S = 0.1
WINDOW_S = 10.0
"""Over how long the rate is taken."""


class Tally:
    """Counts bytes from many threads; reports from the one that calls `say`."""

    def __init__(self, total_bytes: int, report: ProgressReport | None) -> None:
        self.file = ""
        self._total = total_bytes
        self._report = report
        self._lock = threading.Lock()
        self._read = 0
        self._done = 0
        self._last_said = 0.0
        self._marks: deque[tuple[float, int, int]] = deque([(time.monotonic(), 0, 0)])

    def read(self, size_bytes: int) -> None:
        """Count bytes read from a card."""
        with self._lock:
            self._read += size_bytes
            self._done += size_bytes

    def verified(self, size_bytes: int) -> None:
        """Count bytes read back from a copy, or that need not be."""
        with self._lock:
            self._done += size_bytes

    def say(self, *, now: bool = False) -> None:
        """Report, but not more often than a person can see unless it must be `now`."""
        moment = time.monotonic()
        if self._report is None or (moment - self._last_said < SAY_EVERY_S and not now):
            return
        self._last_said = moment
        with self._lock:
            read, done = self._read, self._done
        self._marks.append((moment, read, done))
        while len(self._marks) > 2 and moment - self._marks[0][0] > WINDOW_S:
            self._marks.popleft()
        since, read_then, done_then = self._marks[0]
        elapsed = max(moment - since, 1e-9)
        pace = (done - done_then) / elapsed
        left = (self._total - done) / pace if pace > 0 else None
        rate = (read - read_then) / elapsed
        self._report(CheckinProgress(done, self._total, read, rate, left, self.file))
