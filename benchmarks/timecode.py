"""How many times faster than real time is timecode read from a track, and sound from a camera file?

Half an hour of linear timecode at 48 kHz, with noise 20 dB under it and a hole every ten minutes, are read from a 24-bit file
(`sync.ltc_track`), the reading of the file included; and the yardstick of the same run: the file read and nothing done with it.
Then the sound of a camera file in pieces (16-bit sound and small pictures in an MP4 that PyAV writes here), from beginning to end.

    python benchmarks/timecode.py [FOLDER] [SECONDS]
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from takewell.shape import LinearTimecode
from takewell.sync.ltc_track import read_timecode_track
from takewell.timecode import TimecodeRate
from takewell.wave import BroadcastWriter, open_audio

RATE = 48_000
PROMISED_S = 20.0
"""Of one core for two hours, as lining up promises for a pair of that length."""


def write_track(path: Path, seconds: int) -> None:
    """Write timecode from 10:00:00:00 on, 29.97 drop-frame, through noise and with holes."""
    rate = TimecodeRate.parse("29.97DF")
    code = LinearTimecode(rate, RATE, start_samples=Fraction(36_000 * RATE))
    rng = np.random.default_rng(5)
    with BroadcastWriter(path, rate=RATE, channels=1, encoding="int24") as writer:
        for start in range(0, seconds, 10):
            block = code.samples(start * RATE, min(10, seconds - start) * RATE)
            block += 0.0126 * rng.standard_normal(block.shape)
            if start % 600 == 300:
                block[: RATE // 2] = 0
            writer.write(block)


def write_camera_file(path: Path, seconds: int) -> None:
    """Write an MP4 with AAC sound and a small picture once a second."""
    rng = np.random.default_rng(6)
    with av.open(str(path), "w", format="mp4") as file:
        pictures, sound = file.add_stream("mpeg4", rate=1), file.add_stream("aac", rate=RATE)
        pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuv420p"
        for second in range(seconds):
            picture = av.VideoFrame.from_ndarray(np.full((48, 64, 3), second % 250, np.uint8))
            picture.pts = second
            file.mux(pictures.encode(picture))
            noise = (0.1 * rng.standard_normal((1, RATE))).astype(np.float32)
            frame = av.AudioFrame.from_ndarray(noise, "fltp", "mono")
            frame.rate, frame.pts = RATE, second * RATE
            file.mux(sound.encode(frame))
        file.mux(pictures.encode(None))
        file.mux(sound.encode(None))


def read_all(path: Path) -> None:
    """Read a file's sound from beginning to end."""
    with open_audio(path) as audio:
        for _ in audio.blocks(1 << 18):
            pass


def took(work: Callable[[], object]) -> tuple[float, float]:
    """Return the core's and the clock's seconds, the better of two runs after one to warm up."""
    runs = []
    for _ in range(3):
        core, clock = time.process_time(), time.perf_counter()
        work()
        runs.append((time.process_time() - core, time.perf_counter() - clock))
    return min(run[0] for run in runs[1:]), min(run[1] for run in runs[1:])


def main() -> None:
    """Measure and print."""
    seconds = int(sys.argv[2]) if len(sys.argv) > 2 else 1800
    with tempfile.TemporaryDirectory() as made:
        folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(made)
        track, camera = folder / "timecode.wav", folder / "camera.mp4"
        write_track(track, seconds)
        yardstick = took(lambda: read_all(track))[0]
        core, clock = took(lambda: read_timecode_track(track, 1))
        two_hours = core * 7200 / seconds
        print(
            f"linear timecode: {seconds / core:.0f} x real time a core, {core / yardstick:.1f} x reading the file alone, "
            f"{seconds / clock:.0f} x by the clock; two hours take {two_hours:.1f} s of a core  "
            f"(promised {PROMISED_S:.0f} s: {'kept' if two_hours <= PROMISED_S else 'MISSED'})"
        )
        write_camera_file(camera, seconds // 10)
        core, clock = took(lambda: read_all(camera))
        print(
            f"sound of a camera file (AAC): {seconds / 10 / core:.0f} x real time a core, {seconds / 10 / clock:.0f} x by the clock"
        )
    print(f"memory at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
