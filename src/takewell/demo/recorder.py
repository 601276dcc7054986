"""What do the recorder's channels put into the files of a take?

Conventions: sound comes in pascal, goes out as (n, tracks) float32 relative to full scale; the float ISOs first in
the order of the microphones, then what the 24-bit file gets: mix left, mix right, safety copies. The order of a
channel is: microphone and cable, converter noise, gain setting, file. Being behind the converter, the setting moves
sound and noise together and clips nothing in a float file.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from takewell.demo.day import LINE_UP_DBFS, LINE_UP_HZ, TakePlan
from takewell.demo.dialogue import Utterance, dialogue
from takewell.demo.faults import Fault, Stretch, TakeClock
from takewell.demo.noise import CONVERTER_NOISE_DBFS, white
from takewell.demo.sound_field import BLOCK, REFERENCE_PA, SoundField
from takewell.demo.speech import Clip, voices
from takewell.units import SINE_CREST_DB, amplitude

Block = NDArray[np.float32]
MIX_NAMES = ("Mix L", "Mix R")
ANNOUNCER = "edda"
ANNOUNCEMENTS = {"take": "Sound speed.", "wild": "Wild track"}
"""How the recordist's words before a take begin."""


@dataclass(frozen=True)
class Recording:
    """A take on its way into the files."""

    plan: TakePlan
    rate: int
    seed: tuple[int, ...]

    @cached_property
    def clock(self) -> TakeClock:
        """The take's sentences and its length."""
        length = round(self.plan.length_s * self.rate)
        rng = np.random.default_rng([*self.seed, 1])
        lines: tuple[Utterance, ...] = dialogue(
            (announcement(self.plan.kind, self.rate),) if self.plan.parts else (),
            self.plan.parts.split(),
            length,
            self.rate,
            rng,
            pause_s=self.plan.pause_s,
            repeat=self.plan.kind == "take",
        )
        return TakeClock(self.rate, length, lines)

    @property
    def iso_names(self) -> tuple[str, ...]:
        """Names of the float tracks."""
        return () if self.plan.set_up is None else tuple(m.name for m in self.plan.set_up.microphones)

    def faults_of(self, microphone: str) -> tuple[Fault, ...]:
        """Return the faults on a channel."""
        return tuple(fault for fault in self.plan.faults if fault.microphone == microphone)

    def blocks(self) -> Iterator[tuple[Block, Block]]:
        """Yield (float tracks, tracks of the 24-bit file), block by block."""
        if self.plan.set_up is None:
            yield from self._line_up()
            return
        microphones = self.plan.set_up.microphones
        scales = np.array(
            # AES17: a sine of the full-scale pressure peaks at 1.0.
            [1 / (REFERENCE_PA * amplitude(m.full_scale_db_spl + SINE_CREST_DB)) for m in microphones],
            np.float32,
        )
        converter = np.float32(amplitude(CONVERTER_NOISE_DBFS - SINE_CREST_DB))
        rngs = [np.random.default_rng([*self.seed, 2, m]) for m in range(len(microphones))]
        field = SoundField(self.plan.set_up, self.rate, self.seed[:1])
        start = 0
        mix = {name: amplitude(pair_db).astype(np.float32) for name, pair_db in self.plan.mix.items()}
        for sound in field.blocks(self.clock.lines, self.clock.length_samples, self.seed[1:]):
            isos = np.empty_like(sound)
            fixed = np.zeros((len(sound), len(MIX_NAMES) + len(self.plan.safeties)), np.float32)
            for m, (microphone, rng) in enumerate(zip(microphones, rngs, strict=True)):
                name = microphone.name
                faults = self.faults_of(name)
                stretch = Stretch(sound[:, m] * scales[m], start, self.clock, rng)
                stretch = _through([fault.at_input for fault in faults], stretch)
                samples = stretch.samples + white(len(sound), rng) * converter
                for fault in faults:
                    samples *= amplitude(fault.setting_db(stretch)).astype(np.float32)
                stretch = replace(stretch, samples=samples)
                isos[:, m] = _through([fault.in_float for fault in faults], stretch).samples
                # Clipping is left to the word length.
                samples = _through([fault.in_safety for fault in faults], stretch).samples
                for side, gain in enumerate(mix.get(name, ())):
                    fixed[:, side] += gain * samples
                if name in self.plan.safeties:
                    fixed[:, len(MIX_NAMES) + self.plan.safeties.index(name)] = samples
            yield isos, fixed
            start += len(sound)

    def _line_up(self) -> Iterator[tuple[Block, Block]]:
        """Yield tone on both sides of the mix, from the recorder's own oscillator."""
        for start in range(0, self.clock.length_samples, BLOCK):
            n = np.arange(start, min(start + BLOCK, self.clock.length_samples))
            tone = amplitude(LINE_UP_DBFS) * np.sin(2 * np.pi * LINE_UP_HZ / self.rate * n)
            pair = np.repeat(tone[:, None], 2, axis=1).astype(np.float32)
            yield pair[:, :0], pair


def announcement(kind: str, rate: int) -> Clip:
    """Return what the recordist says before a take of this kind."""
    return next(clip for clip in voices(rate)[ANNOUNCER] if clip.text.startswith(ANNOUNCEMENTS[kind]))


def _through(steps: Sequence[Callable[[Stretch], Block]], stretch: Stretch) -> Stretch:
    """Return the stretch after every step."""
    for step in steps:
        stretch = replace(stretch, samples=step(stretch))
    return stretch
