"""A gain that was moved while recording, from files to levelled copies: measured, placed, brought home, told."""

import numpy as np
import pytest
import soundfile

from takewell.level import explain, propose, render

RATE = 48_000


def recorded(sim, settings_db, cuts, samples):  # type: ignore[no-untyped-def]
    edges = [0, *cuts, len(samples)]
    setting = np.repeat(settings_db, np.diff(edges))
    return samples * 10 ** (setting / 20) + sim.room(len(samples), -140, 7) * 10 ** (setting / 20)


@pytest.mark.parametrize("inside_words", [False, True])
@pytest.mark.parametrize("settings_db", [(0.0, -60.0, 60.0), (-20.0, 0.0, 20.0)])
def test_every_passage_comes_home_and_the_joins_stand_where_the_gain_moved(  # type: ignore[no-untyped-def]
    sim, write_roll, settings_db: tuple[float, ...], inside_words: bool
) -> None:
    spoken = sim.speak("mira", 75) * sim.amplitude(-6)
    samples = spoken.samples + sim.room(len(spoken.samples), -76)
    cuts = []
    for near in (25.0, 50.0):
        line = next(i for i, (start, _) in enumerate(spoken.lines) if start > near)
        start, end = spoken.lines[line]
        if not inside_words:
            cuts.append(int((start - 0.15) * RATE) + 211)
            continue
        # A loud place inside a word of that sentence.
        part = np.abs(samples[int((start + 0.3) * RATE) : int(end * RATE)])
        cuts.append(int((start + 0.3) * RATE) + int(np.argmax(part)) + 17)
    roll = write_roll(recorded(sim, settings_db, cuts, samples)[:, None], ["Boom"])
    moves = propose(roll)
    assert [round(move.start_s * RATE) for move in moves[1:]] == pytest.approx(cuts, abs=3)
    wanted = [6.0 - setting for setting in settings_db]
    assert [move.gain_db for move in moves] == pytest.approx(wanted, abs=1.0)
    (copy,) = render(roll, encoding="float32")
    home = soundfile.read(copy.target, dtype="float64")[0]
    for low, high in zip([0, *cuts], [*cuts, len(home)], strict=True):
        # 1 LU: a cut inside a sentence leaves each side other words than the whole has.
        assert sim.integrated_lufs(home[low:high]) == pytest.approx(-23.0, abs=1.0)
    assert copy.actions == ()
    for cut in cuts:
        # Nothing bursts or goes missing at the join: the wave is the one that was spoken, within 1 dB.
        near = slice(cut - 480, cut + 480)
        scale = sim.amplitude(6.0) * samples[near]
        assert np.abs(home[near] - scale).max() < 0.15 * np.abs(scale).max() + 1e-3
    text = " ".join(explain(roll, "1-1"))
    assert text.count("The gain setting moved here") == 2
