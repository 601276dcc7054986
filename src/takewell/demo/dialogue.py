"""Who says what when?

Conventions: times are samples from the start of the take; an utterance is one clip of the spoken sentences.
A part is written as words: a voice's name for its next sentence, the name with "!" for its next shout.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, cycle

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
    opening: Sequence[Clip],
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
    opening : sequence of Clip
        Spoken once, first.
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
    rounds: Iterator[Clip | str] = chain(opening, cycle(parts) if repeat else parts)
    for part in rounds:
        clip = part if isinstance(part, Clip) else _next_clip(part, turn, rate, rng)
        if at + len(clip.samples) > end:
            break
        gain_db = float(np.clip(rng.normal(0, 1.0), -2, 2))
        said.append(Utterance(clip, at, gain_db))
        at = said[-1].end_samples + round(rng.uniform(*pause_s) * rate)
    return tuple(said)


def _next_clip(part: str, turn: dict[str, int], rate: int, rng: np.random.Generator) -> Clip:
    """Return a part's next sentence; the first one is drawn. `turn` is changed in place."""
    effort = "shout" if part.endswith("!") else "normal"
    clips = [clip for clip in voices(rate)[part.removesuffix("!")] if clip.effort == effort]
    turn[part] = turn.get(part, int(rng.integers(len(clips)))) + 1
    return clips[turn[part] % len(clips)]
