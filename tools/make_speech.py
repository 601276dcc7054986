"""Speak the demo's sentences again: ``python tools/make_speech.py`` (needs the program espeak-ng).

Writes one FLAC file a voice and `clips.csv` into ``src/takewell/demo/speech/``. Run once; the files are kept.

Each sentence is spoken by the open synthesiser with its own small change of speed, pitch and intonation,
then brought nearer to a person: the vocal tract of each voice is scaled (resampling, with speed and pitch
set against it), the pitch wavers slowly, and the voice's average spectrum is pulled towards the
long-term average of speech. Shouts are spoken higher and wider, and get the spectrum that shouting adds.

Sources of figures
------------------
Long-term average spectrum: Byrne et al. 1994, JASA 96(4), third octaves 63 Hz to 16 kHz, 70 dB overall.
Shouted against normal effort: ANSI S3.5-1997, table 3, spectrum levels 160 Hz to 8 kHz.
"""

import csv
import io
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.signal
import soundfile
import soxr
from numpy.typing import NDArray

FOLDER = Path(__file__).parents[1] / "src" / "takewell" / "demo" / "speech"
WORK_RATE = 48_000
FILE_RATE = 24_000
FILE_BITS = 12
"""Steps of 2^-11 under speech whose peaks come near full scale: 12 bits keep the files small, and the noise lies
under any room's; the silences stay exact zeros."""
LEVEL_DBOV = -21.0
"""Mean square of a clip's speech (silences left out), relative to 1.0."""
GAP_SAMPLES = FILE_RATE // 5
LARGEST_CORRECTION_DB = 15.0

LTASS_HZ = np.geomspace(62.5, 10_000, 23)
"""Third octaves, 63 Hz to 10 kHz."""
LTASS_DB = np.fromstring(
    "38.6 43.5 54.4 57.7 56.8 60.2 60.3 59.0 62.1 62.1 60.5 56.8 53.7 53.0 52.0 48.7 48.1 46.8 45.6 44.5 44.3 43.7 43.4",
    sep=" ",
)
SHOUT_HZ = LTASS_HZ[4:22]
NORMAL_DB = np.fromstring(
    "32.41 34.48 34.75 33.98 34.59 34.27 32.06 28.3 25.01 23.0 20.15 17.32 13.18 11.55 9.33 5.31 2.59 1.13",
    sep=" ",
)
SHOUT_DB = np.fromstring(
    "30.77 36.65 42.5 46.51 47.4 49.24 51.21 51.44 51.31 49.63 47.65 44.32 40.8 38.13 34.41 28.24 23.45 20.72",
    sep=" ",
)


@dataclass(frozen=True)
class Voice:
    """One invented talker: the synthesiser's voice, words a minute, pitch, and the size of the vocal tract."""

    name: str
    synthesiser: str
    words_per_minute: int
    pitch: int
    tract: float
    """Above 1: shorter tract, formants higher by this factor."""
    sentences: tuple[str, ...]
    shouts: tuple[str, ...] = ()


VOICES = (
    Voice(
        "mira",
        "en-gb+f2",
        152,
        46,
        1.03,
        (
            "I read the gauge at six every morning, snow or no snow.",
            "My grandmother kept the same log, in the same blue ink.",
            "If you miss one day, the whole column means nothing.",
            "The wind broke the mast twice, and we put it up twice.",
            "Some nights the needle draws a line you would never believe.",
            "It is not heavy work, but it will not wait for you.",
        ),
        (
            "Get down from the mast, the front is coming in!",
            "Close the shutters now, all of them!",
            "Leave the ladder, leave it, come inside!",
        ),
    ),
    Voice(
        "tobin",
        "en-gb-scotland+m3",
        140,
        22,
        0.95,
        (
            "The roof took us three summers and every plank in the valley.",
            "We had no drawings, only the holes where the old screws sat.",
            "Larch moves a little in the wet, so you leave it room.",
            "I said it would cost nothing. I was wrong by a good deal.",
            "The door still sticks, and I think it always will.",
            "A hundred winters is a long time for a wooden box on legs.",
        ),
        (
            "Hold the rope, I can't hear you up there!",
            "Stand clear below, it's coming loose!",
        ),
    ),
    Voice(
        "yusa",
        "en-us+f4",
        164,
        58,
        1.08,
        (
            "I typed in forty years of rain before I saw the pattern.",
            "The wet springs come in pairs, and nobody had noticed.",
            "My friends thought I was joking about the paper drums.",
            "You learn to read bad handwriting before you learn the weather.",
            "We checked every strange number against the village diary.",
            "Now the school calls us before they plan the walking day.",
        ),
    ),
    Voice(
        "anselm",
        "en-gb-x-gbcwmd+m7",
        156,
        38,
        0.99,
        (
            "We sold bread and jam for two years to pay for the glass.",
            "The council gave us the key and wished us luck.",
            "Nobody is paid, so nobody is late. It is a strange rule.",
            "Every August we count the money, and every August we laugh.",
            "I came for one afternoon and stayed for eleven years.",
            "The clock needs winding on Sundays, and so do I.",
        ),
    ),
    Voice(
        "perrin",
        "en-us+m1",
        160,
        44,
        1.02,
        (
            "Tell me about the first morning you did the reading alone.",
            "What would be lost if nobody climbed up there tomorrow?",
            "Could you say that again, and start with the name of the place?",
            "Who decided to save it, and when did that happen?",
            "Is there a day in the log that you return to?",
            "Thank you. Let us hold still for the room.",
        ),
    ),
    Voice(
        "edda",
        "en-029+f5",
        158,
        40,
        0.98,
        (
            "Sound speed. Hundred Winters, roll three.",
            "Line-up tone, one kilohertz, at minus twenty.",
            "Wild track, the keeper's lines, close.",
            "Room tone. Nobody move, please.",
            "That was good for me. Once more for safety.",
        ),
    ),
)


def spoken(voice: Voice, sentence: str, effort: str, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return one sentence from the synthesiser at the working rate, silences trimmed, tract scaled, pitch wavering."""
    shouting = effort == "shout"
    pitch = voice.pitch * (1.5 if shouting else 1.0) / voice.tract * rng.uniform(0.94, 1.06)
    speed = voice.words_per_minute * (0.92 if shouting else 1.0) / voice.tract * rng.uniform(0.94, 1.06)
    contour_percent = round(100 * (1.7 if shouting else 1.25) * rng.uniform(0.85, 1.2))
    ssml = f'<speak><prosody range="{contour_percent}%">{sentence}</prosody></speak>'
    wav = subprocess.run(
        [
            "espeak-ng",
            "-m",
            "-v",
            voice.synthesiser,
            "-s",
            str(round(speed)),
            "-p",
            str(round(pitch)),
            "--stdout",
            ssml,
        ],
        stdout=subprocess.PIPE,
        check=True,
    ).stdout
    # Streamed to a pipe, the header's sizes are placeholders: the samples simply begin after 44 bytes.
    with soundfile.SoundFile(io.BytesIO(wav)) as header:
        rate = header.samplerate
    samples = np.frombuffer(wav[44:], "<i2").astype(np.float64) / 32768
    loud = np.flatnonzero(np.abs(samples) > 0.002)
    samples = samples[loud[0] : loud[-1] + 1]
    # Saying that the rate is `tract` times higher moves formants, pitch and speed together; pitch and speed
    # were asked for lower by as much, so only the formants move.
    samples = soxr.resample(samples, rate * voice.tract, WORK_RATE, quality="VHQ")
    return wavering(samples, rng)


def wavering(samples: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return the samples read at a speed that wanders by about 1 % (below 1 Hz) and 0.3 % (below 7 Hz)."""
    speed = np.ones(len(samples))
    for cutoff_hz, depth in ((1.0, 0.010), (7.0, 0.003)):
        knots = rng.standard_normal(int(len(samples) / WORK_RATE * cutoff_hz * 2) + 3)
        speed += depth * np.interp(np.linspace(0, len(knots) - 1, len(samples)), np.arange(len(knots)), knots)
    return np.interp(np.cumsum(speed), np.arange(len(samples)), samples)


def band_levels_db(samples: NDArray[np.float64], centres_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the levels in third-octave bands, in dB, from a long spectrum."""
    freqs_hz, density = scipy.signal.welch(samples, WORK_RATE, nperseg=8192)
    edge = 2 ** (1 / 6)
    return np.array(
        [
            10 * np.log10(density[(freqs_hz >= c / edge) & (freqs_hz < c * edge)].sum() + 1e-20)
            for c in centres_hz
        ]
    )


def correction(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the minimum-phase filter that takes the voice's average spectrum to that of speech."""
    wanted_db = LTASS_DB - band_levels_db(samples, LTASS_HZ)
    inside = (LTASS_HZ >= 200) & (LTASS_HZ <= 5000)
    wanted_db = np.clip(wanted_db - wanted_db[inside].mean(), -LARGEST_CORRECTION_DB, LARGEST_CORRECTION_DB)
    # Below a voice's own fundamental there is nothing to lift.
    wanted_db[LTASS_HZ < 160] = np.minimum(wanted_db[LTASS_HZ < 160], 0)
    return minimum_phase(LTASS_HZ, wanted_db)


def minimum_phase(hz: NDArray[np.float64], gains_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1024 taps with the given gains, straight lines in dB over log frequency between them."""
    size = 8192
    grid_hz = np.fft.rfftfreq(size, 1 / WORK_RATE)
    log_gain = np.interp(np.log(np.maximum(grid_hz, 1)), np.log(hz), gains_db) * np.log(10) / 20
    cepstrum = np.fft.irfft(log_gain)
    cepstrum[1 : size // 2] *= 2
    cepstrum[size // 2 + 1 :] = 0
    return np.fft.irfft(np.exp(np.fft.rfft(cepstrum)))[:1024]


def finished(samples: NDArray[np.float64], taps: NDArray[np.float64]) -> NDArray[np.int16]:
    """Return a clip for the file: filtered, at the common level, 24 kHz, 12 bits, silences exact zeros."""
    samples = soxr.resample(scipy.signal.fftconvolve(samples, taps), WORK_RATE, FILE_RATE, quality="VHQ")
    power = scipy.signal.fftconvolve(samples**2, np.ones(480) / 480, mode="same")
    active = power > power.max() * 10 ** (-45 / 10)
    samples *= 10 ** (LEVEL_DBOV / 20) / np.sqrt(np.mean(samples[active] ** 2))
    if np.abs(samples).max() >= 1:
        raise SystemExit(f"a clip peaks at {np.abs(samples).max():.2f}: lower LEVEL_DBOV")
    heard = np.flatnonzero(active)
    fade = scipy.signal.fftconvolve(
        active.astype(float), np.hanning(961) / np.hanning(961).sum(), mode="same"
    )
    fade = np.where(fade > 1e-6, np.clip(2 * fade, 0, 1), 0)
    samples = (samples * fade)[max(heard[0] - 480, 0) : heard[-1] + 480]
    steps = 2 ** (FILE_BITS - 1)
    return np.asarray(np.round(samples * steps) * (32768 // steps), np.int16)


def main() -> None:
    """Speak everything and write the files."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    rows = []
    for number, voice in enumerate(VOICES):
        rng = np.random.default_rng([20_310_211, number])
        lines = [(s, "normal") for s in voice.sentences] + [(s, "shout") for s in voice.shouts]
        clips = [(text, effort, spoken(voice, text, effort, rng)) for text, effort in lines]
        taps = {"normal": correction(np.concatenate([c for _, effort, c in clips if effort == "normal"]))}
        taps["shout"] = np.convolve(taps["normal"], minimum_phase(SHOUT_HZ, SHOUT_DB - NORMAL_DB - 20))
        parts, start = [], 0
        for text, effort, samples in clips:
            clip = finished(samples, taps[effort])
            rows.append((voice.name, effort, start, len(clip), text))
            parts += [clip, np.zeros(GAP_SAMPLES, np.int16)]
            start += len(clip) + GAP_SAMPLES
        soundfile.write(
            FOLDER / f"{voice.name}.flac",
            np.concatenate(parts),
            FILE_RATE,
            subtype="PCM_16",
            compression_level=1.0,
        )
    with (FOLDER / "clips.csv").open("w", encoding="utf-8", newline="") as table:
        writer = csv.writer(table, lineterminator="\n")
        writer.writerow(("voice", "effort", "start_samples", "length_samples", "text"))
        writer.writerows(rows)


if __name__ == "__main__":
    main()
