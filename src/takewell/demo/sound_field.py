"""What does every microphone of a set-up hear, block by block?

Conventions: sound is in pascal, (n, microphones) float32; the low cut of the recorder's inputs is already in it.
Convolution is by overlap-add with one transform per talker and per microphone and block, whatever the number of
paths between them; memory is bounded by the block.
"""

import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from takewell.demo.dialogue import Utterance
from takewell.demo.noise import NOISE_TAPS, low_cut, room_noise_filter, white
from takewell.demo.room import Microphone, Place, Room, response
from takewell.demo.speech import CLIP_LEVEL_DBFS, EFFORT_DB_SPL
from takewell.units import SINE_CREST_DB, amplitude

REFERENCE_PA = 20e-6
TRANSFORM = 131_072
LONGEST_TAPS = 32_768
LOW_CUT_RINGING = 2048
"""Samples in which it dies away to less than 1e-6."""
BLOCK = TRANSFORM - LONGEST_TAPS


@dataclass(frozen=True)
class SetUp:
    """A room with talkers on their places and microphones on theirs."""

    name: str
    room: Room
    talkers: Mapping[str, Place]
    """Where each voice's mouth is, in metres."""
    microphones: tuple[Microphone, ...]


class SoundField:
    """The sound of a set-up: fixed responses, and noise that is drawn anew with every pass.

    Parameters
    ----------
    set_up : SetUp
        Who and what is where.
    rate : int
        Sampling rate in Hz.
    seed : sequence of int
        Draws tails and noise.
    """

    def __init__(self, set_up: SetUp, rate: int, seed: Sequence[int]) -> None:
        self.set_up = set_up
        self.rate = rate
        self._seed = list(seed)

    @cached_property
    def _spectra(self) -> NDArray[np.complex64]:
        """Spectra of the responses, low cut included: (talkers, microphones, bins)."""
        import scipy.fft

        room = self.set_up.room
        # The low cut's own ringing must not wrap round the transform.
        taps = min(LONGEST_TAPS - LOW_CUT_RINGING, round(room.reverberation_s * self.rate))
        cut = low_cut(self.rate, TRANSFORM // 2 + 1)
        spectra = np.empty(
            (len(self.set_up.talkers), len(self.set_up.microphones), TRANSFORM // 2 + 1), np.complex64
        )
        for t, (name, place) in enumerate(self.set_up.talkers.items()):
            for m, microphone in enumerate(self.set_up.microphones):
                # Of the names, not of their order: a talker more leaves the other paths alone.
                path = zlib.crc32(f"{self.set_up.name}/{name}/{microphone.name}".encode())
                rng = np.random.default_rng([*self._seed, path])
                spectra[t, m] = (
                    scipy.fft.rfft(response(room, place, microphone, self.rate, taps, rng), TRANSFORM) * cut
                )
        return spectra

    def _noise_spectrum(self, microphone: Microphone) -> NDArray[np.complex64]:
        """Return what gives white noise the spectrum and level of a microphone's floor, in pascal."""
        import scipy.fft

        room_power, own_power = noise_powers(self.set_up.room, microphone)
        total = room_power + own_power
        taps = room_noise_filter(self.rate, white_share=own_power / total)
        spectrum: NDArray[np.complex64] = scipy.fft.rfft(
            taps * np.float32(REFERENCE_PA * np.sqrt(total)), TRANSFORM
        )
        return spectrum

    def blocks(
        self, talk: Sequence[Utterance], length_samples: int, seed: Sequence[int]
    ) -> Iterator[NDArray[np.float32]]:
        """Yield the sound at the microphones, `BLOCK` samples at a time and the rest last.

        Parameters
        ----------
        talk : sequence of Utterance
            What is said; voices that have no place in the set-up are an error (KeyError).
        length_samples : int
            Length of the whole.
        seed : sequence of int
            Draws this pass's noise.

        Yields
        ------
        (n, microphones) float32 array
            Pascal.
        """
        import scipy.fft

        microphones = self.set_up.microphones
        order = {name: t for t, name in enumerate(self.set_up.talkers)}
        by_talker: list[list[Utterance]] = [[] for _ in order]
        for utterance in talk:
            by_talker[order[utterance.clip.voice]].append(utterance)
        noises = [self._noise_spectrum(microphone) for microphone in microphones]
        rng = np.random.default_rng([*self._seed, *seed])
        # The noise was there before the take: what of it still rings on at the first sample comes first.
        carry = np.zeros((len(microphones), LONGEST_TAPS), np.float32)
        for m, noise in enumerate(noises):
            before = scipy.fft.irfft(scipy.fft.rfft(white(NOISE_TAPS, rng), TRANSFORM) * noise, TRANSFORM)
            carry[m, :NOISE_TAPS] = before[NOISE_TAPS : 2 * NOISE_TAPS]
        for start in range(0, length_samples, BLOCK):
            stop = min(start + BLOCK, length_samples)
            spoken = [
                (t, scipy.fft.rfft(dry, TRANSFORM))
                for t, utterances in enumerate(by_talker)
                if (dry := _spoken(utterances, start, stop)) is not None
            ]
            out = np.empty((stop - start, len(microphones)), np.float32)
            for m, noise in enumerate(noises):
                total = scipy.fft.rfft(white(BLOCK, rng), TRANSFORM) * noise
                for t, spectrum in spoken:
                    total += spectrum * self._spectra[t, m]
                heard = scipy.fft.irfft(total, TRANSFORM)
                heard[:LONGEST_TAPS] += carry[m]
                carry[m] = heard[BLOCK:]
                out[:, m] = heard[: stop - start]
            yield out


def noise_powers(room: Room, microphone: Microphone) -> tuple[float, float]:
    """Return the powers of the room's and of the microphone's own noise, relative to (20 uPa)^2.

    A microphone hears of noise from all round what its directivity factor leaves.
    """
    heard_db = room.noise_db_spl - 10 * np.log10(microphone.directivity_factor)
    return float(10 ** (heard_db / 10)), float(10 ** (microphone.self_noise_db_spl / 10))


def floor_dbfs(room: Room, microphone: Microphone) -> float:
    """Return the AES17 level of room and microphone noise on a track at the 0 dB setting, by sum of powers."""
    return float(10 * np.log10(sum(noise_powers(room, microphone))) - microphone.full_scale_db_spl)


def spoken_pa(utterance: Utterance) -> NDArray[np.float32]:
    """Return an utterance as sound pressure 1 m from the mouth, in pascal."""
    level_db = EFFORT_DB_SPL[utterance.clip.effort] + utterance.gain_db
    factor = REFERENCE_PA * amplitude(level_db - (CLIP_LEVEL_DBFS - SINE_CREST_DB))
    return utterance.clip.samples * np.float32(factor)


def _spoken(utterances: Sequence[Utterance], start: int, stop: int) -> NDArray[np.float32] | None:
    """Return one talker's sound from `start` to `stop`, or None when nothing is said there."""
    dry = None
    for utterance in utterances:
        first, last = max(utterance.start_samples, start), min(utterance.end_samples, stop)
        if first < last:
            if dry is None:
                dry = np.zeros(stop - start, np.float32)
            begin = utterance.start_samples
            dry[first - start : last - start] += spoken_pa(utterance)[first - begin : last - begin]
    return dry
