"""Who says what when?

Conventions: times are samples from the start of the take; an utterance is one clip of the spoken sentences.
A part is written as words: a voice's name for its next sentence, the name with "!" for its next shout.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from takewell.demo.speech import Clip, voices


@dataclass(frozen=True)
class Utterance:
    """One sentence at its place in a take."""

    clip: Clip
    start_samples: int
    gain_db: float = 0.0
    """How much louder than its effort's level it is spoken."""

    @property
    def end_samples(self) -> int:
        """First sample after it."""
        return self.start_samples + len(self.clip.samples)


def dialogue(
    parts: Sequence[str],
    length_samples: int,
    rate: int,
    rng: np.random.Generator,
    *,
    first_s: float = 1.5,
    last_s: float = 1.5,
    pause_s: tuple[float, float] = (0.35, 1.2),
    repeat: bool = True,
) -> tuple[Utterance, ...]:
    """Return the parts spoken one after the other until the take is nearly full.

    Parameters
    ----------
    parts : sequence of str
        Such as ``("perrin", "mira", "mira!")``; taken up again from the start when `repeat`.
    first_s, last_s : float
        Silence that stays free at the take's head and tail.
    pause_s : (float, float)
        Range of the pauses; a negative one lets talkers overlap.

    Returns
    -------
    tuple of Utterance
        In order of their starts.
    """
    said: list[Utterance] = []
    turn: dict[str, int] = {}
    at = round(first_s * rate)
    end = length_samples - round(last_s * rate)
    while parts:
        for part in parts:
            name = part.removesuffix("!")
            effort = "shout" if part.endswith("!") else "normal"
            clips = [clip for clip in voices(rate)[name] if clip.effort == effort]
            if part not in turn:
                turn[part] = int(rng.integers(len(clips)))
            clip = clips[turn[part] % len(clips)]
            turn[part] += 1
            if at + len(clip.samples) > end:
                return tuple(said)
            said.append(Utterance(clip, at, float(rng.normal(0, 1.0))))
            at = max(at, said[-1].end_samples + round(rng.uniform(*pause_s) * rate))
        if not repeat:
            break
    return tuple(said)
