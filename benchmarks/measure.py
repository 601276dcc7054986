"""How fast is everything that `measure` gives, where does the time go, and how much memory does it take?

The yardstick, in the same run and on the same samples: libebur128 doing integrated loudness, loudness range and true
peak, and nothing else. At 192 kHz it does not oversample, and ours does twofold and finer; so there it is also told that
the rate is 96 kHz, where it oversamples twofold: the same work as ours asks for. The floor: ``numpy.sum``. Core time
(``process_time``), best of three after a run that loads the loops.

    python benchmarks/measure.py [SECONDS] [GIGABYTES]
"""

import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyebur128
import xxhash
from numpy.typing import NDArray

from takewell.demo import voices
from takewell.engine import Meter, ready
from takewell.wave import BroadcastWriter, open_audio

MODES = (
    pyebur128.MeasurementMode.MODE_I
    | pyebur128.MeasurementMode.MODE_LRA
    | pyebur128.MeasurementMode.MODE_TRUE_PEAK
)
BLOCK = 1 << 16
PROMISED = 8
"""Times libebur128 on 14 tracks of speech; everything else that `measure` gives comes on top of the three figures."""

MEMORY_MB = 400


def speech(seconds: int, rate: int, channels: int) -> NDArray[np.float32]:
    """Return tracks that speak each in its own time and at its own level, over a floor 50 dB below."""
    rng = np.random.default_rng(3)
    clips = [clip.samples for voice in voices(rate).values() for clip in voice]
    length = seconds * rate
    tracks = np.empty((length, channels), np.float32)
    for channel in range(channels):
        row, at = [], 0
        while at < length:
            clip = clips[rng.integers(len(clips))]
            row += [clip, np.zeros(int(rng.uniform(0.3, 2.0) * rate), np.float32)]
            at += len(row[-1]) + len(clip)
        voice = np.concatenate(row)[:length] * 10 ** (rng.uniform(-15, 0) / 20)
        tracks[:, channel] = voice + 1e-4 * rng.standard_normal(length, dtype=np.float32)
    return tracks


def noise(seconds: int, rate: int, channels: int) -> NDArray[np.float32]:
    """Return white noise, in which hardly a block can be skipped."""
    return np.random.default_rng(4).standard_normal((seconds * rate, channels), dtype=np.float32) * 0.1


def tone(seconds: int, rate: int, channels: int) -> NDArray[np.float32]:
    """Return a steady tone: every crest reaches the maximum."""
    wave = 0.5 * np.sin(2 * np.pi * 997 * np.arange(seconds * rate) / rate)
    return np.repeat(wave[:, None], channels, axis=1).astype(np.float32)


def core_seconds(work: Callable[[], object]) -> float:
    """Return the least core time of three runs after a first one."""
    work()
    took = []
    for _ in range(3):
        began = time.process_time()
        work()
        took.append(time.process_time() - began)
    return min(took)


def fed(samples: NDArray[np.float32], rate: int, encoding: str = "float32") -> Meter:
    """Return a meter that has taken all samples."""
    meter = Meter(rate, samples.shape[1], encoding=encoding)
    for start in range(0, len(samples), BLOCK):
        meter.add(samples[start : start + BLOCK])
    return meter


def ours(samples: NDArray[np.float32], rate: int) -> None:
    """Measure everything."""
    fed(samples, rate).finish()


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


def compare(name: str, samples: NDArray[np.float32], rate: int, promised: float, told: int = 0) -> None:
    """Print one line: speeds of both, and their ratio; libebur128 is told the rate `told` where given.

    Nothing is promised where `promised` is 0.
    """
    count = samples.size / 1e6
    mine = count / core_seconds(lambda: ours(samples, rate))
    other = count / core_seconds(lambda: theirs(samples, told or rate))
    floor = count / core_seconds(lambda: float(np.sum(samples)))
    kept = "kept" if mine / other >= promised else "MISSED"
    verdict = f" (promised {promised:g} x: {kept})" if promised else ""
    print(
        f"{name:<42}{mine:7.1f} M samples/s, libebur128 {other:6.1f}: {mine / other:6.2f} x{verdict}; "
        f"numpy.sum is {floor / mine:.0f} x faster"
    )


def stages(seconds: int) -> None:
    """Print what each part costs on 14 tracks of speech, in core seconds for an hour of one track."""
    samples = speech(seconds, 48_000, 14)
    tracks_hours = samples.size / 48_000 / 3600

    def line(name: str, core_s: float) -> None:
        print(f"  {name:<62}{core_s / tracks_hours:7.2f} s of a core for an hour of one track")

    with tempfile.TemporaryDirectory() as folder:
        for encoding in ("float32", "int24"):
            path = Path(folder) / f"{encoding}.wav"
            with BroadcastWriter(path, rate=48_000, channels=14, encoding=encoding) as writer:
                writer.write(samples * np.float32(0.25))

            def decode(path: Path = path) -> None:
                with open_audio(path) as audio:
                    for _ in audio.blocks(BLOCK):
                        pass

            line(f"reading and decoding {encoding}", core_seconds(decode))
    line(
        "hashing the same bytes (xxh128), for comparison",
        core_seconds(lambda: xxhash.xxh3_128_digest(samples)),
    )
    shape = (len(samples), samples.shape[1])
    for name, signal in (
        ("speech", samples),
        ("digital silence (no second look anywhere)", np.zeros(shape, np.float32)),
        ("white noise (the wave between the samples nearly everywhere)", noise(seconds, 48_000, 14)),
        ("a steady tone (every crest searched)", tone(seconds, 48_000, 14)),
    ):
        line(f"loops on {name}", core_seconds(lambda signal=signal: fed(signal, 48_000)))
    whole, loops = core_seconds(lambda: ours(samples, 48_000)), core_seconds(lambda: fed(samples, 48_000))
    line("drawing up loudness, floors, passages and the rest at the end", max(whole - loops, 0.0))


def starts() -> None:
    """Print the time of a first start (compiling, on two cores) and of later ones; numba's own start is the yardstick."""
    first = "from takewell import engine; engine.ready(rendering=True)"
    trivial = "from numba import njit; njit(lambda x: x + 1)(1)"
    with tempfile.TemporaryDirectory() as folder:
        environment = {"NUMBA_CACHE_DIR": folder, "PATH": "/usr/bin:/bin"}
        path = Path(folder) / "ten.wav"
        with BroadcastWriter(path, rate=48_000, channels=2, encoding="int24") as writer:
            writer.write(speech(10, 48_000, 2) * np.float32(0.25))

        def took(*arguments: str) -> float:
            began = time.perf_counter()
            subprocess.run([sys.executable, *arguments], env=environment, capture_output=True, check=True)
            return time.perf_counter() - began

        compiling = took("-c", first)
        own = min(took("-c", trivial) for _ in range(3))
        whole = min(took("-m", "takewell", "measure", str(path), "--json") for _ in range(3))
        help_s = min(took("-m", "takewell", "--help") for _ in range(3))
    print(
        f"first start, every loop compiled: {compiling:.1f} s (promised 15); later, `takewell measure` on 10 s of stereo: "
        f"{whole:.2f} s (promised 1.5), of which numba's own start with a function of one line {own:.2f} s; "
        f"`--help` {help_s:.2f} s (promised 0.3)"
    )


def sparse_file(path: Path, size_bytes: int) -> None:
    """Write an RF64 file of 14 float tracks that is mostly a hole, with speech here and there."""
    head = struct.pack(
        "<4sI4s4sI3QI", b"RF64", 0xFFFFFFFF, b"WAVE", b"ds64", 28, size_bytes + 72, size_bytes, 0, 0
    )
    head += struct.pack("<4sIHHIIHH", b"fmt ", 16, 3, 14, 48_000, 48_000 * 56, 56, 32)
    head += struct.pack("<4sI", b"data", 0xFFFFFFFF)
    talk = speech(10, 48_000, 14).tobytes()
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + size_bytes)
        for part in range(20):
            file.seek(len(head) + size_bytes // 20 // 56 * 56 * part)
            file.write(talk)


def memory(gigabytes: float) -> None:
    """Print the most memory that measuring a huge file takes, traces and all, in a process of its own.

    Linux only: a child's ``ru_maxrss`` also knows what its parent held.
    """
    program = (
        "import sys; from pathlib import Path; from takewell.engine import measure_file; "
        "m = measure_file(sys.argv[1], workers=2); status = Path('/proc/self/status').read_text(); "
        "print(int(status.split('VmHWM:')[1].split()[0]) / 1024, m.format.duration_s, len(m.traces))"
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "huge.wav"
        sparse_file(path, int(gigabytes * 1e9) // 56 * 56)
        run = subprocess.run(
            [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True
        )
    megabytes, seconds, traces = (float(text) for text in run.stdout.split())
    kept = "kept" if megabytes < MEMORY_MB else "MISSED"
    print(
        f"a file of {gigabytes:g} GB, {seconds / 3600:.1f} h x {traces:.0f} tracks: at most {megabytes:.0f} MB "
        f"(promised {MEMORY_MB}: {kept})"
    )


def main() -> None:
    """Run every comparison."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    gigabytes = float(sys.argv[2]) if len(sys.argv) > 2 else 50.0
    ready(print)
    print(f"Everything that measure gives against libebur128's I, LRA and true peak; {seconds} s, one core")
    compare("14 tracks 48 kHz float, speech", speech(seconds, 48_000, 14), 48_000, PROMISED)
    compare("14 tracks 48 kHz float, noise", noise(seconds, 48_000, 14), 48_000, 1)
    compare("14 tracks 48 kHz float, steady tone", tone(seconds, 48_000, 14), 48_000, 1)
    for channels, name in ((1, "mono"), (2, "stereo")):
        for rate in (48_000, 96_000):
            compare(f"{name} {rate // 1000} kHz, speech", speech(seconds, rate, channels), rate, 1)
        samples = speech(seconds, 192_000, channels)
        compare(f"{name} 192 kHz, speech, with twofold peaks", samples, 192_000, 1, told=96_000)
        compare(f"{name} 192 kHz, speech, theirs without", samples, 192_000, 0)
        compare(f"{name} 48 kHz, noise", noise(seconds, 48_000, channels), 48_000, 1)
    print("Where the time goes, 14 tracks 48 kHz float:")
    stages(seconds)
    starts()
    memory(gigabytes)


if __name__ == "__main__":
    main()
