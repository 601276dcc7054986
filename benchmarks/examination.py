"""How fast is the whole examination of a take, measuring included, and where does the time go?

A file of 14 tracks of speech, each in its own time over a floor of its own, is examined as a loose file: read, decoded,
measured and judged, on one core. The yardsticks, in the same run and on the same samples in memory: libebur128 with its
three figures, and ``numpy.sum``. Core time (``process_time``), the best of two after a run that loads the loops.

    python benchmarks/examination.py [SECONDS]
"""

import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np

from measure import core_seconds, speech, theirs
from takewell.engine import ready
from takewell.examine import examine
from takewell.examine.detectors import TAKE_DETECTORS, TRACK_DETECTORS
from takewell.examine.examination import evidence_of, examine_take
from takewell.examine.twins import find_twins
from takewell.roll import loose
from takewell.roll.reading import TrackReader, measured_take
from takewell.wave import BroadcastWriter

PROMISED = 40.0
"""Million samples a second on one core."""


def spent(work: Callable[[], object]) -> float:
    """Return the core time of one run."""
    began = time.process_time()
    work()
    return time.process_time() - began


def shares(folder: Path, count: float) -> None:
    """Print what measuring, each detector and the rest take of the core time for a million samples."""
    roll = loose([folder])
    (take,) = roll.takes
    began = time.process_time()
    measured = measured_take(roll, take)
    took: dict[str, float] = defaultdict(float)
    took["measuring"] = time.process_time() - began
    with TrackReader(roll.folder, take) as reader:
        heard = evidence_of(measured, reader)
        whole = spent(lambda: examine_take(heard))
        for detector in TRACK_DETECTORS:
            for track in heard.tracks:
                if track.track.role in detector.roles:
                    took[detector.find.__module__.rsplit(".", 1)[-1]] += spent(
                        lambda track=track, detector=detector: detector.find(track)
                    )
        for find in TAKE_DETECTORS:
            took[find.__module__.rsplit(".", 1)[-1]] += spent(lambda find=find: find(heard))
        took["twins"] += spent(lambda: find_twins(heard.tracks))
    took["between tracks and the rest"] = whole - sum(s for name, s in took.items() if name != "measuring")
    for name, seconds in sorted(took.items(), key=lambda item: -item[1]):
        print(f"  {name:<32}{1000 * seconds / count:8.2f} ms for a million samples")


def main() -> None:
    """Examine, and print the speed as a ratio to both yardsticks."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    ready(print)
    samples = speech(seconds, 48_000, 14)
    count = samples.size / 1e6
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "14 tracks.wav"
        with BroadcastWriter(path, rate=48_000, channels=14, encoding="float32") as writer:
            writer.write(samples * np.float32(0.25))
        examine(loose([path]))
        mine = count / min(spent(lambda: examine(loose([path]))) for _ in range(2))
        other = count / core_seconds(lambda: theirs(samples, 48_000))
        floor = count / core_seconds(lambda: float(np.sum(samples)))
        kept = "kept" if mine >= PROMISED else "MISSED"
        print(
            f"the whole examination, {seconds} s of 14 tracks of speech, 48 kHz float: {mine:.1f} M samples/s on one core "
            f"(promised {PROMISED:g}: {kept}); libebur128's three figures alone {other:.1f}: {mine / other:.2f} x; "
            f"numpy.sum is {floor / mine:.0f} x faster"
        )
        print("Where the time goes:")
        shares(path, count)


if __name__ == "__main__":
    main()
