"""How long does it take to line up two hours with two hours, and to look for clips along a day?

The yardstick, in the same run: one plain cross-correlation of both files by scipy's FFT, float32, on a sixth of the length and
times six (the whole needs twelve gigabytes of memory; the logarithm is left out, in its favour). It gives one offset, no drift, no
confidence. One core (threads of the linear algebra off), core time; sound is noise that moves as speech does.

    python benchmarks/sync.py [MINUTES]
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from takewell.roll import loose
from takewell.sync import Recording, line_up, read_clips
from takewell.sync.search import STRETCH_ROWS, Stretch, Strip
from takewell.sync.sketch import BANDS, ROWS_PER_SECOND, Sketch

RATE = 48_000
PROMISED_S = 20.0
MEMORY_MB = 400
PIECE_S = 30
PARTS = 6


def moving_noise(piece: int, rng_seed: int = 1) -> NDArray[np.float32]:
    """Return half a minute of noise whose level moves some times a second, the same for the same piece."""
    rng = np.random.default_rng((rng_seed, piece))
    count = PIECE_S * RATE
    moves = np.repeat(rng.uniform(0.02, 1.0, PIECE_S * 6).astype(np.float32) ** 2, RATE // 6)
    return rng.standard_normal(count, dtype=np.float32) * moves * np.float32(0.1)


def write_pair(folder: Path, minutes: int) -> None:
    """Write a recording, and a clip that begins 7.25 s later and has noise of its own."""
    late = round(7.25 * RATE)
    rng = np.random.default_rng(2)
    with (
        soundfile.SoundFile(folder / "take.wav", "w", RATE, 1, "PCM_24") as own,
        soundfile.SoundFile(folder / "clip.wav", "w", RATE, 1, "PCM_24") as other,
    ):
        for piece in range(minutes * 60 // PIECE_S):
            sound = moving_noise(piece)
            own.write(sound)
            heard = sound + rng.standard_normal(len(sound), dtype=np.float32) * np.float32(0.01)
            other.write(heard[late if piece == 0 else 0 :])


def plain_correlation(folder: Path, seconds: int) -> float:
    """Return the offset that the whole correlation of the first `seconds` gives."""
    own, other = (
        soundfile.read(folder / name, frames=seconds * RATE, dtype="float32")[0]
        for name in ("take.wav", "clip.wav")
    )
    size = next_fast_len(len(own) + len(other), real=True)
    spectrum = np.conj(rfft(own, size))
    spectrum *= rfft(other, size)
    curve = irfft(spectrum, size)
    top = int(np.argmax(np.abs(curve)))
    return (top if top < size // 2 else top - size) / RATE


def peak_mb() -> float:
    """Return the most memory this process has had, in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def growth() -> None:
    """Print what looking for minutes of clips along days of different length costs."""
    rng = np.random.default_rng(3)
    clips = 20
    for hours in (2, 8, 16):
        rows = rng.normal(0, 30, (hours * 3600 * ROWS_PER_SECOND, BANDS)).clip(-120, 120).astype(np.int8)
        strip = Strip([Sketch(rows, np.zeros(len(rows), np.float16))])
        wanted = [
            Sketch(rows[k * 7000 : k * 7000 + STRETCH_ROWS], np.zeros(1, np.float16)) for k in range(clips)
        ]
        stretches = [Stretch(k, 0, STRETCH_ROWS) for k in range(clips)]
        began = time.process_time()
        found = strip.places(wanted, stretches)
        took = time.process_time() - began
        right = sum(places[0].offset_rows == -7000 * k for k, places in enumerate(found))
        print(
            f"a minute of clip along {hours:2} h: {took / clips * 1000:6.0f} ms; 200 clips of five minutes in all: "
            f"{took / clips * 1000:5.0f} s  ({right} of {clips} found)"
        )


def main() -> None:
    """Print everything."""
    minutes = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_pair(folder, minutes)
        recordings = [Recording(folder, loose([folder / "take.wav"]).takes[0])]
        clips, _ = read_clips([folder / "clip.wav"])
        line_up(recordings[:0], clips[:0])
        began = time.process_time()
        (pairing,) = line_up(recordings, clips, workers=1).pairings
        took = time.process_time() - began
        memory = peak_mb()
        assert pairing.offset_s is not None
        off = (pairing.offset_s + 7.25) * RATE
        began = time.process_time()
        plain = plain_correlation(folder, minutes * 60 // PARTS)
        yardstick = (time.process_time() - began) * PARTS
        kept = "kept" if took <= PROMISED_S * minutes / 120 else "MISSED"
        print(
            f"{minutes} min with {minutes} min: {took:.1f} s of one core (promised {PROMISED_S * minutes / 120:.0f} s: {kept}), "
            f"offset {off:+.2f} samples off, drift {pairing.drift_ppm:+.3f} ppm"
        )
        print(
            f"one plain correlation by scipy: {yardstick:.1f} s, {yardstick / took:.2f} x as long ({(plain + 7.25) * RATE:+.0f} samples off)"
        )
        print(f"memory {memory:.0f} MB (promised {MEMORY_MB}: {'kept' if memory <= MEMORY_MB else 'MISSED'})")
    growth()


if __name__ == "__main__":
    main()
