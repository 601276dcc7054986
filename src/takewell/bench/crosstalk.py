"""How much of one input is heard in another?

Method: one channel sounds 20 dB under full scale, octave by octave; in every other one the same frequency is fitted, so noise
counts only within a hertz of it. Each level is divided by its own channel's gain. AES17-2015, 6.5.2.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.bench.figures import Curve, Figure
from takewell.bench.programme import Section
from takewell.bench.recorded import Recorded
from takewell.bench.tone_reading import fit_sine
from takewell.units import power_decibels, rms_dbfs

_METHOD = "sine fit at the driven channel's frequency, each level over its own channel's gain"
_CLAUSE = "AES17-2015, 6.5.2"
OVER_NOISE_DB = 10.0


def crosstalk(recorded: Recorded, gains_db: dict[int, float]) -> tuple[list[Figure], list[Curve]]:
    """Return crosstalk at 1 kHz into every channel from its worst neighbour, and all curves.

    Parameters
    ----------
    recorded : Recorded
        Of the crosstalk part.
    gains_db : dict
        Gain of channels (from 0); 0 dB where missing.
    """
    found: dict[tuple[int, int], list[tuple[float, float, float]]] = {}
    for section in recorded.part.named("crosstalk"):
        source = section.channel
        if source is None or source >= recorded.channels or section.frequency_hz > 0.45 * recorded.rate:
            continue
        read = recorded.section(section, source)
        if read is None:
            continue
        frequency = recorded.by_recorder(section.frequency_hz)
        driven = fit_sine(read[1], recorded.rate, frequency)
        own = driven.level_dbfs - gains_db.get(source, 0.0)
        for heard in range(recorded.channels):
            if heard == source:
                continue
            samples = _samples(recorded, section, heard)
            sine = fit_sine(samples, recorded.rate, driven.frequency_hz, free=False)
            value = sine.level_dbfs - gains_db.get(heard, 0.0) - own
            noise_db = float(rms_dbfs(np.mean(sine.rest**2)) - power_decibels(len(samples) / 4))
            found.setdefault((heard, source), []).append(
                (section.frequency_hz, value, sine.level_dbfs - noise_db)
            )
    curves = [
        Curve(
            "crosstalk", tuple(f for f, _, _ in points), tuple(v for _, v, _ in points), "Hz", "dB", _METHOD, _CLAUSE,
            heard + 1, f"from channel {source + 1}", 0.3,
        )
        for (heard, source), points in sorted(found.items())
    ]  # fmt: skip
    figures = []
    for heard in sorted({heard for heard, _ in found}):
        at_1k = [
            (value, source, over)
            for (to, source), points in found.items()
            if to == heard
            for frequency, value, over in points
            if frequency == 1000.0
        ]
        if at_1k:
            value, source, over = max(at_1k)
            note = "" if over > OVER_NOISE_DB else "Not told from noise: at most this."
            figures.append(
                Figure("crosstalk", value, "dB", _METHOD, _CLAUSE, _uncertainty_db(over), heard + 1, f"1 kHz, from channel {source + 1}", "lower", note=note)
            )  # fmt: skip
    return figures, curves


def _uncertainty_db(over_noise_db: float) -> float:
    """Return what noise adds to a level that lies so far over it, 95 %."""
    return 1.96 * 8.686 * 10 ** (-over_noise_db / 20) / 2**0.5


def _samples(recorded: Recorded, section: Section, channel: int) -> NDArray[np.float64]:
    found = recorded.section(section, channel)
    assert found is not None, "another channel of the same section was read"
    return found[1]
