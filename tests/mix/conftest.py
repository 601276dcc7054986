"""Takes that are made for mixing: voices in turn on several microphones, as rolls on disk."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from takewell.demo import voices
from takewell.roll import Roll, read_roll
from takewell.wave import BroadcastWriter, Ixml, IxmlTrack

RATE = 48_000


@pytest.fixture
def make_roll(tmp_path: Path) -> Callable[..., Roll]:
    """Return a function that writes tracks, (n, tracks), as the one take of a roll."""

    def made(samples: np.ndarray, names: Sequence[str], functions: Sequence[str] = ()) -> Roll:
        folder = tmp_path / f"roll {len(list(tmp_path.iterdir()))}"
        (folder / "takewell").mkdir(parents=True)
        given = functions or [""] * len(names)
        tracks = tuple(
            IxmlTrack(k + 1, k + 1, name, function)
            for k, (name, function) in enumerate(zip(names, given, strict=True))
        )
        with BroadcastWriter(
            folder / "7-1.wav",
            rate=RATE,
            channels=len(names),
            encoding="float32",
            ixml=Ixml(scene="7", take="1", tracks=tracks),
        ) as writer:
            writer.write(samples.astype(np.float32))
        return read_roll(folder)

    return made


@pytest.fixture(scope="session")
def talk() -> Callable[..., tuple[np.ndarray, list[tuple[int, int, int]]]]:
    """Return a function that gives talkers in turn: dry (n, talkers), and (talker, start, end) of each turn."""

    def made(
        order: Sequence[int], names: Sequence[str] = ("mira", "tobin", "edda")
    ) -> tuple[np.ndarray, list[tuple[int, int, int]]]:
        clips = {name: [c.samples for c in voices(RATE)[name] if c.effort == "normal"] for name in names}
        turns, at = [], RATE // 2
        for turn, talker in enumerate(order):
            clip = clips[names[talker]][turn % len(clips[names[talker]])]
            turns.append((talker, at, at + len(clip)))
            at += len(clip) + int(0.4 * RATE)
        dry = np.zeros((at, len(names)))
        for turn, (talker, start, end) in enumerate(turns):
            dry[start:end, talker] = clips[names[talker]][turn % len(clips[names[talker]])] * 0.4
        return dry, turns

    return made
