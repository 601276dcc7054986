"""How is a file measured from the bytes that are copied?

The measurement may fail in any way it likes: the copy does not notice. What cannot be measured while it passes
by (a header that was never finished, another container) is measured from the verified copy afterwards. Results go
into the logbook of every destination.
"""

import contextlib
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from takewell.checkin.values import UnreadableSound
from takewell.checkin.wording import shown
from takewell.errors import TakewellError
from takewell.roll import Logbook
from takewell.roll.folder import SOUND_SUFFIXES
from takewell.wave import AudioInfo, StreamDecoder

if TYPE_CHECKING:
    from takewell.engine.meter import Meter
    from takewell.engine.results import FileMeasurement


def is_sound(path: str) -> bool:
    """Return whether a file's name says that it is sound."""
    return PurePosixPath(path).suffix.lower() in SOUND_SUFFIXES


class MeasuringTaker:
    """Measures a file from the blocks that pass by."""

    def __init__(self, path: str, size_bytes: int) -> None:
        self._path = path
        self._decoder = StreamDecoder(Path(path), size_bytes)
        self._meter: Meter | None = None

    def take(self, block: bytes) -> None:
        """Measure what the next block completes."""
        for samples in self._decoder.feed(block):
            if self._meter is None:
                info = self._decoder.info_so_far
                assert info is not None  # the decoder knows the format before it gives samples
                self._meter = _meter(info)
            self._meter.add(samples)

    def finish(self) -> "FileMeasurement | None":
        """Return the measurement, or None where it must be made from the copy."""
        info = self._decoder.finish()
        if info is None:
            return None
        from takewell.engine.file_measurement import measurement, track_names

        meter = self._meter or _meter(info)
        # The names may stand behind the audio.
        meter.names = tuple(track_names(info))
        return measurement(self._path, info, meter)


def _meter(info: AudioInfo) -> "Meter":
    # The measuring loops take a moment to load; whoever only copies need not wait for them.
    from takewell.engine.meter import Meter

    return Meter(info.rate, info.channels, encoding=info.encoding, channel_mask=info.channel_mask)


class Measurer:
    """Measures the sound files of one check-in and keeps the results.

    Parameters
    ----------
    roots : sequence of Path
        The destinations.
    wanted : bool
        Whether anything is measured at all.
    """

    def __init__(self, roots: Sequence[Path], *, wanted: bool) -> None:
        self._roots = roots
        self._wanted = wanted
        self._logbooks = [Logbook(root) for root in roots] if wanted else []
        self._begun: set[str] = set()
        self._afterwards: dict[str, tuple[int, ...]] = {}
        # One thread for everything that ends in a logbook, so that the card is read on meanwhile.
        self._keeper = ThreadPoolExecutor(1, "keeper")
        self._kept: list[Future[None]] = []
        self.measured = 0
        self.unreadable: list[UnreadableSound] = []

    @property
    def notes(self) -> list[str]:
        """What the logbooks have to say."""
        return [warning for logbook in self._logbooks for warning in logbook.warnings]

    def taker(self, path: str, size_bytes: int) -> MeasuringTaker | None:
        """Return what measures a file while it is read, or None where that is not wanted or done already."""
        if not self._wanted or path in self._begun or not is_sound(path):
            return None
        if all(logbook.measured(path) for logbook in self._logbooks):
            return None
        self._begun.add(path)
        return MeasuringTaker(path, size_bytes)

    def finish(self, taker: MeasuringTaker) -> "Future[FileMeasurement | None]":
        """End a measurement on the keeper's thread."""
        return self._keeper.submit(taker.finish)

    def keep(
        self,
        path: str,
        places: Iterable[int],
        hashes: Mapping[str, str],
        measurement: "Future[FileMeasurement | None] | None",
    ) -> None:
        """Keep what is known of a file in the logbooks of the places where it lies verified."""
        where = tuple(places)
        if self._wanted and where and is_sound(path):
            self._kept.append(self._keeper.submit(self._keep, path, where, hashes, measurement))

    def measure_the_rest(self, say: Callable[[str], None]) -> None:
        """Wait for what is under way, and measure from the copies what could not be measured in passing."""
        for done in self._kept:
            done.result()
        for path, places in self._afterwards.items():
            missing = [place for place in places if not self._logbooks[place].measured(path)]
            if missing:
                say(path)
                self._measure_copy(path, places, missing)

    def close(self) -> None:
        """Close the logbooks."""
        self._keeper.shutdown(cancel_futures=True)
        for logbook in self._logbooks:
            logbook.close()

    def _keep(
        self,
        path: str,
        places: tuple[int, ...],
        hashes: Mapping[str, str],
        measurement: "Future[FileMeasurement | None] | None",
    ) -> None:
        name, digest = next(iter(hashes.items()))
        for place in places:
            with contextlib.suppress(TakewellError):  # the file went away meanwhile: nothing to know of it
                self._logbooks[place].save_digest(path, f"{name}:{digest}")
        result = None
        if measurement is not None:
            with contextlib.suppress(Exception):  # whatever it was shows again, with words, from the copy
                result = measurement.result()
        if result is None:
            self._afterwards[path] = places
        else:
            self._save(path, places, result)

    def _save(self, path: str, places: Iterable[int], result: "FileMeasurement") -> None:
        for place in places:
            with contextlib.suppress(TakewellError):
                self._logbooks[place].save_measurement(path, result)
        self.measured += 1

    def _measure_copy(self, path: str, places: Sequence[int], missing: Sequence[int]) -> None:
        for place in set(places) - set(missing):
            known = self._logbooks[place].measurement(path)
            if known is not None:
                self._save(path, missing, known)
                return
        from takewell.engine.file_measurement import measure_file

        copy = self._roots[missing[0]] / path
        try:
            result = measure_file(copy, workers=os.cpu_count() or 1)
        except TakewellError as error:
            self.unreadable.append(UnreadableSound(shown(path), str(error)))
        except Exception as error:  # a slip in measuring must not undo a copy that is verified
            sentence = f"{shown(copy)} could not be measured ({type(error).__name__}: {error}); the copy is verified."
            self.unreadable.append(UnreadableSound(shown(path), sentence))
        else:
            self._save(path, missing, result)
