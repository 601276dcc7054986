"""How many times faster than real time are 14 tracks rendered and mixed, on one core?

A roll with one take of 14 tracks of 48 kHz float speech (the demo's sentences, each track in its own time and at its
own level), levelled to -23 LUFS: `level.render` to float and to 24 bits with dither, true-peak-safe limiting
included, and `mix` to mono and stereo. Measuring is done before and not counted; everything else is: reading, gain,
limiter, dither, writing to disk (flushing it only by the clock). Without a promise: the same at -16 LUFS, where
the limiter works on every track, and the limiter's worst case, noise just under the ceiling everywhere.

    python benchmarks/render.py [FOLDER] [SECONDS]
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from takewell.demo import voices
from takewell.level import LevelSettings, propose, render
from takewell.mix import MixSettings, mix
from takewell.roll import read_roll
from takewell.shape import Limiter
from takewell.wave import BroadcastWriter

RATE, CHANNELS = 48_000, 14
PROMISED = 100


def write_take(folder: Path, seconds: int) -> None:
    """Write one take: each track speaks in turn with others, over a floor 50 dB below."""
    rng = np.random.default_rng(3)
    clips = [clip.samples for voice in voices(RATE).values() for clip in voice]
    length = seconds * RATE
    tracks = np.empty((length, CHANNELS), np.float32)
    for channel in range(CHANNELS):
        row, at = [], 0
        while at < length:
            pause = np.zeros(int(rng.uniform(0.3, 2.0) * RATE), np.float32)
            clip = clips[rng.integers(len(clips))]
            row += [clip, pause]
            at += len(clip) + len(pause)
        speech = np.concatenate(row)[:length] * 10 ** (rng.uniform(-15, 5) / 20)
        tracks[:, channel] = speech + 1e-4 * rng.standard_normal(length, dtype=np.float32)
    with BroadcastWriter(folder / "1-1.wav", rate=RATE, channels=CHANNELS, encoding="float32") as writer:
        writer.write(tracks)


def timed(name: str, seconds: float, work: Callable[[], object], *, promised: int | None = PROMISED) -> None:
    """Print the best of three runs after one that compiles: by the core's own time, and by the clock."""
    work()
    runs = [_took(work) for _ in range(3)]
    core, clock = (seconds / min(run[i] for run in runs) for i in (0, 1))
    verdict = (
        "" if promised is None else f"  (promised {promised} x: {'kept' if core >= promised else 'MISSED'})"
    )
    print(f"{name:<42}{core:6.0f} x real time a core, {clock:6.0f} x by the clock{verdict}")


def _took(work: Callable[[], object]) -> tuple[float, float]:
    start = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - start[0], time.perf_counter() - start[1]


def limiter_alone(seconds: int, level: float) -> None:
    noise = level * np.random.default_rng(1).standard_normal((RATE, CHANNELS))
    limiter = Limiter(RATE, CHANNELS, -1.0)
    for _ in range(seconds):
        limiter.add(noise)


def main() -> None:
    seconds = int(sys.argv[2]) if len(sys.argv) > 2 else 120
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        folder = Path(name)
        (folder / "takewell").mkdir()
        write_take(folder, seconds)
        roll = read_roll(folder)
        print(f"{CHANNELS} tracks of {RATE} Hz float, {seconds} s, one core")
        for target_lufs, limit_db, promised in ((-23.0, 3.0, PROMISED), (-16.0, 8.0, None)):
            settings = LevelSettings(target_lufs=target_lufs, limit_db=limit_db)
            moves = propose(roll, settings)
            (copy,) = render(roll, encoding="float32", settings=settings)
            print(
                f"levelled to {target_lufs:g} LUFS: {len(moves)} moves, the limiter acts {len(copy.actions)} times"
            )
            for encoding in ("float32", "int24"):
                work = partial(render, roll, encoding=encoding, settings=settings)
                timed(f"level.render to {encoding}", seconds, work, promised=promised)
        timed("mix to mono, 24 bits", seconds, lambda: mix(roll, MixSettings()))
        timed("mix to stereo, 24 bits", seconds, lambda: mix(roll, MixSettings(layout="stereo")))
        timed("limiter alone, nothing near the ceiling", 30, lambda: limiter_alone(30, 0.02), promised=None)
        timed("limiter alone, noise under it everywhere", 30, lambda: limiter_alone(30, 0.15), promised=None)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"most memory, the take that was made included: {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
