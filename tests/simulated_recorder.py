"""A recorder whose every fault is known, built from the definitions and not from the bench's code.

Its clock: the player's samples through a resampler (libsoxr, 28 bits). Delay: a phase ramp over the whole spectrum. Frequency
response: a first-order high pass, ``|H|^2 = f^2 / (f^2 + fc^2)``, in the frequency domain. Distortion: a polynomial, whose
harmonics have closed forms. Noise: white, of known density. Limits: clipping at +-1, rounding to 24 bits.
"""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from takewell.bench import ProgrammeSettings
from takewell.bench.programme import Part

F64 = NDArray[np.float64]

RATE = 48_000


@dataclass(frozen=True)
class SimulatedRecorder:
    """Truth; gains in dB from player dBFS to file dBFS at the reference setting."""

    ppm: float = 17.31
    gain_db: tuple[float, ...] = (-2.0, -2.13)
    delay_samples: tuple[float, ...] = (0.0, 3.37)
    polarity: tuple[int, ...] = (1, -1)
    high_pass_hz: float = 12.0
    crosstalk_db: float = -88.0
    """From every channel into every other, at the input."""
    quadratic: float = 2e-5
    cubic: float = -6e-5
    input_noise_dbfs: float = -108.0
    """White, 0 Hz to half the rate, referred to the player's scale: it rises with the gain."""
    converter_noise_dbfs: float = -112.0
    """White, 0 Hz to half the rate, in the file."""
    rail: float = 1.0
    bits: int | None = 24
    gain_error_db: dict[float, float] = field(default_factory=dict)
    """By setting, on top of what is set."""
    pre_s: float = 3.217
    cut_samples: int = 0
    """Taken off the end of the file."""

    def record(self, player: F64, gain_over_time_db: F64 | None = None, *, seed: int = 1) -> F64:
        """Return the file's samples for a player's output, (n, channels), 1.0 = player full scale."""
        random = np.random.default_rng(seed)
        lead = np.zeros((round(self.pre_s * RATE), player.shape[1]))
        at_input = soxr.resample(
            np.concatenate([lead, player]), RATE, RATE * (1 + self.ppm * 1e-6), quality="VHQ"
        )
        at_input = self._filtered(at_input)
        other = at_input.sum(axis=1, keepdims=True) - at_input
        at_input = at_input + other * 10 ** (self.crosstalk_db / 20)
        at_input += random.normal(size=at_input.shape) * 10 ** (self.input_noise_dbfs / 20) / 2**0.5
        gain = 10 ** (np.array(self.gain_db[: player.shape[1]]) / 20)
        if gain_over_time_db is not None:
            turned = np.concatenate([np.zeros(len(lead)), gain_over_time_db])
            place = np.minimum(
                (np.arange(len(at_input)) / (1 + self.ppm * 1e-6)).astype(int), len(turned) - 1
            )
            at_input = at_input * 10 ** (turned[place] / 20)[:, None]
        signal = self.converted(at_input * gain, random)
        signal = np.clip(signal, -self.rail, self.rail)
        if self.bits:
            step = 2.0 ** (1 - self.bits)
            signal = np.clip(np.round(signal / step) * step, -1, 1 - step)
        return signal[: len(signal) - self.cut_samples]

    def converted(self, signal: F64, random: np.random.Generator) -> F64:
        """Return what the converter makes of its input."""
        bent = signal + self.quadratic * signal**2 + self.cubic * signal**3
        return bent + random.normal(size=signal.shape) * 10 ** (self.converter_noise_dbfs / 20) / 2**0.5

    def _filtered(self, signal: F64) -> F64:
        size = next_fast_len(len(signal) + RATE)
        frequency = np.fft.rfftfreq(size, 1 / RATE)
        high_pass = 1j * frequency / (1j * frequency + max(self.high_pass_hz, 1e-12))
        out = np.empty_like(signal)
        for channel in range(signal.shape[1]):
            turn = np.exp(-2j * np.pi * frequency / RATE * self.delay_samples[channel])
            spectrum = np.fft.rfft(signal[:, channel], size) * high_pass * turn * self.polarity[channel]
            out[:, channel] = np.fft.irfft(spectrum, size)[: len(signal)]
        return out


@dataclass(frozen=True)
class Played:
    """The written programme, read back with an outside library."""

    folder: Path
    settings: ProgrammeSettings
    programme: tuple[Part, ...]
    files: dict[str, Path]

    def samples(self, name: str) -> F64:
        """Return a part's samples as the player would give them."""
        return soundfile.read(self.files[name], dtype="float64", always_2d=True)[0]

    def gain_over_time_db(self, name: str, recorder: SimulatedRecorder) -> F64:
        """Return the gain a person following the cue sheet would have set, over the reference, per sample."""
        part = next(p for p in self.programme if p.name == name)
        gain = np.zeros(round(part.length_s * RATE))
        for section in part.sections:
            if section.gain_setting_db is not None:
                # The knob is turned in the pause before: a quarter second ahead is early enough.
                span = slice(round((section.start_s - 0.25) * RATE), round((section.end_s + 0.25) * RATE))
                setting = section.gain_setting_db
                gain[span] = (
                    setting - self.settings.reference_gain_db + recorder.gain_error_db.get(setting, 0.0)
                )
        return gain


def write_recording(path: Path, samples: F64, subtype: str = "PCM_24") -> Path:
    """Write a recorder's file with an outside library."""
    soundfile.write(path, samples, RATE, subtype=subtype)
    return path
