"""How many times faster than libebur128 is everything that `measure` gives, on one core?

The yardstick, in the same run and on the same samples: libebur128 doing integrated loudness, loudness range and true
peak (and nothing else); at 192 kHz it does not oversample, and ours does twofold. The floor: ``numpy.sum``.
Core time (``process_time``), best of three after a run that compiles.

    python benchmarks/measure.py [SECONDS]
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyebur128
from numpy.typing import NDArray

from takewell.demo import voices
from takewell.engine import Meter, measure_file
from takewell.wave import BroadcastWriter

MODES = (
    pyebur128.MeasurementMode.MODE_I
    | pyebur128.MeasurementMode.MODE_LRA
    | pyebur128.MeasurementMode.MODE_TRUE_PEAK
)
BLOCK = 1 << 16


def speech(seconds: int, rate: int, channels: int) -> NDArray[np.float32]:
    """Return tracks that speak each in its own time and at its own level, over a floor 50 dB below."""
    rng = np.random.default_rng(3)
    clips = [clip.samples for voice in voices(rate).values() for clip in voice]
    length = seconds * rate
    tracks = np.empty((length, channels), np.float32)
    for channel in range(channels):
        row, at = [], 0
        while at < length:
            clip, pause = (
                clips[rng.integers(len(clips))],
                np.zeros(int(rng.uniform(0.3, 2.0) * rate), np.float32),
            )
            row += [clip, pause]
            at += len(clip) + len(pause)
        voice = np.concatenate(row)[:length] * 10 ** (rng.uniform(-15, 0) / 20)
        tracks[:, channel] = voice + 1e-4 * rng.standard_normal(length, dtype=np.float32)
    return tracks


def noise(seconds: int, rate: int, channels: int) -> NDArray[np.float32]:
    """Return white noise, in which hardly a block can be skipped."""
    return np.random.default_rng(4).standard_normal((seconds * rate, channels), dtype=np.float32) * 0.1


def core_seconds(work: Callable[[], object]) -> float:
    """Return the least core time of three runs after a first one."""
    work()
    took = []
    for _ in range(3):
        began = time.process_time()
        work()
        took.append(time.process_time() - began)
    return min(took)


def ours(samples: NDArray[np.float32], rate: int, encoding: str = "float32") -> None:
    """Measure everything."""
    meter = Meter(rate, samples.shape[1], encoding=encoding)
    for start in range(0, len(samples), BLOCK):
        meter.add(samples[start : start + BLOCK])
    meter.finish()


def theirs(samples: NDArray[np.float32], rate: int) -> None:
    """Let libebur128 do its three figures."""
    channels = samples.shape[1]
    state = pyebur128.R128State(channels, rate, MODES)
    for channel in range(channels):
        state.set_channel(channel, pyebur128.ChannelType.LEFT)
    for start in range(0, len(samples), rate):
        block = samples[start : start + rate]
        state.add_frames(block.reshape(-1), len(block))
    pyebur128.get_loudness_global(state)
    pyebur128.get_loudness_range(state)
    for channel in range(channels):
        pyebur128.get_true_peak(state, channel)


def compare(name: str, samples: NDArray[np.float32], rate: int, promised: float) -> None:
    """Print one line: rates of both, and their ratio."""
    count = samples.size / 1e6
    mine, other = (count / core_seconds(lambda work=work: work(samples, rate)) for work in (ours, theirs))
    floor = count / core_seconds(lambda: float(np.sum(samples)))
    kept = "kept" if mine / other >= promised else "MISSED"
    print(
        f"{name:<34}{mine:7.1f} M samples/s, libebur128 {other:6.1f}: {mine / other:5.2f} x (promised {promised:g} x: {kept}); "
        f"numpy.sum is {floor / mine:.0f} x faster"
    )


def memory(seconds: int) -> None:
    """Print the highest memory of this process so far, and what measuring a file adds to it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "poly.wav"
        with BroadcastWriter(path, rate=48_000, channels=14, encoding="float32") as writer:
            for _ in range(seconds):
                writer.write(noise(1, 48_000, 14))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        measure_file(path)
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"measure_file of {seconds} s x 14: {(after - before) / 1024:.0f} MB over the {before / 1024:.0f} MB before it"
    )


def main() -> None:
    """Run every comparison."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    print(f"Everything that measure gives against libebur128's I, LRA and true peak; {seconds} s, one core")
    compare("14 tracks 48 kHz float, speech", speech(seconds, 48_000, 14), 48_000, 4)
    compare("14 tracks 48 kHz float, noise", noise(seconds, 48_000, 14), 48_000, 1)
    compare("mono 48 kHz, speech", speech(seconds, 48_000, 1), 48_000, 1)
    compare("stereo 48 kHz, speech", speech(seconds, 48_000, 2), 48_000, 1)
    compare("stereo 96 kHz, speech", speech(seconds, 96_000, 2), 96_000, 1)
    compare("stereo 192 kHz, speech", speech(seconds, 192_000, 2), 192_000, 1)
    memory(60)


if __name__ == "__main__":
    main()
