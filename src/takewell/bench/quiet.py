"""How much noise does an input add, at each setting of its gain, and is each setting what it says?

Noise is that of the terminated input (AES17-2015, 6.4.2), plain 20 Hz to 20 kHz, A (IEC 61672-1) and CCIR-RMS. Referred to the
input by the gain measured at the same setting it is the equivalent input noise, the terminator's own included.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.bench.figures import Curve, Figure, combined, noise_uncertainty_db, sine_uncertainty_db
from takewell.bench.recorded import Recorded
from takewell.bench.tone_reading import Weight, noise_dbfs, read_tone

F64 = NDArray[np.float64]

WEIGHTS: tuple[Weight, ...] = ("plain", "A", "CCIR-RMS")
_SUFFIX = {"plain": "", "A": "_a", "CCIR-RMS": "_ccir_rms"}
_UNIT = {"plain": "", "A": " A", "CCIR-RMS": " CCIR-RMS"}
_CLAUSE = {
    "plain": "AES17-2015, 6.4.2, unweighted",
    "A": "IEC 61672-1:2013, Annex E",
    "CCIR-RMS": "AES17-2015, 6.4.2 and 5.2.7",
}
_BANDWIDTH_HZ = {"plain": 20_000.0, "A": 12_500.0, "CCIR-RMS": 10_000.0}


def setting(gain_db: float) -> str:
    """Return how a figure names a gain setting."""
    return f"gain {gain_db:+g} dB"


def gain_levels(recorded: Recorded, channel: int) -> dict[float, tuple[float, float, float]]:
    """Return, by gain setting, file over programme level in dB, its uncertainty, and THD+N in dB."""
    found = {}
    for section, _times, samples in recorded.sections("gain", channel):
        one = read_tone(samples, recorded.rate, recorded.by_recorder(section.frequency_hz))
        spread = sine_uncertainty_db(one.rest_dbfs, one.level_dbfs, len(samples))
        assert section.gain_setting_db is not None
        found[section.gain_setting_db] = (
            one.level_dbfs - section.level_dbfs,
            max(spread, 1e-4),
            one.thd_n_db,
        )
    return found


def gain_figures(recorded: Recorded, channel: int, reference_db: float) -> tuple[list[Figure], list[Curve]]:
    """Return gain, its error against the setting, and distortion and noise after normalisation, per step."""
    number = channel + 1
    levels = gain_levels(recorded, channel)
    if not levels:
        return [], []
    base_db = reference_db if reference_db in levels else next(iter(levels))
    base = levels[base_db]
    figures = []
    for gain_db, (value, spread, thd_n) in levels.items():
        error = value - base[0] - (gain_db - base_db)
        figures += [
            Figure(
                "gain_error", error, "dB", f"sine fit, against the setting {base_db:+g} dB", "AES17-2015, 6.2.2",
                combined(spread, base[1]), number, setting(gain_db),
            ),
            Figure(
                "gain_step_thd_n", thd_n, "dB", "sine fit, notch Q 2.9, 20 Hz to 20 kHz", "AES17-2015, 6.3.1", 0.1,
                number, setting(gain_db), "lower",
            ),
        ]  # fmt: skip
    for section, _times, samples in recorded.sections("gain_quiet", channel):
        one = read_tone(samples, recorded.rate, recorded.by_recorder(section.frequency_hz))
        quiet_db = section.gain_setting_db
        if quiet_db is None or quiet_db not in levels:
            continue
        figures.append(
            Figure(
                "gain_step_noise", one.rest_ccir_dbfs - levels[quiet_db][0], "dBFS CCIR-RMS",
                "what is left of a weak tone after the notch, the gain taken away again", "AES17-2015, 6.4.1",
                combined(noise_uncertainty_db(10_000, len(samples) / recorded.rate), 0.05), number, setting(quiet_db), "lower",
            )
        )  # fmt: skip
    settings = tuple(sorted(levels))
    curve = Curve(
        "gain_error", settings, tuple(levels[g][0] - base[0] - (g - base_db) for g in settings),
        "dB set", "dB", f"sine fit, against the setting {base_db:+g} dB", "AES17-2015, 6.2.2", number,
        uncertainty=max(combined(levels[g][1], base[1]) for g in settings),
    )  # fmt: skip
    return figures, [curve]


def noise_figures(
    recorded: Recorded,
    channel: int,
    gains: dict[float, tuple[float, float, float]],
    dbu_offset: float | None,
    volts_db: float,
    source_ohm: float,
) -> list[Figure]:
    """Return the terminated input's noise in the file and, where the gain and the volts are known, at the input.

    Parameters
    ----------
    recorded : Recorded
        Of the noise part.
    channel : int
        From 0.
    gains : dict
        As `gain_levels` gives them.
    dbu_offset : float or None
        Level at the input for 0 dBFS of the programme, in dBu.
    volts_db : float
        Uncertainty of that.
    source_ohm : float
        The terminator.
    """
    number, figures = channel + 1, []
    for section, _times, samples in recorded.sections("noise", channel):
        gain_db = section.gain_setting_db
        assert gain_db is not None
        seconds = len(samples) / recorded.rate
        for weight in WEIGHTS:
            value = noise_dbfs(samples, recorded.rate, weight)
            spread = noise_uncertainty_db(_BANDWIDTH_HZ[weight], seconds)
            at = f"{setting(gain_db)}, {source_ohm:g} ohm"
            if not np.isfinite(value):
                figures.append(
                    Figure(f"noise{_SUFFIX[weight]}", None, f"dBFS{_UNIT[weight]}", "RMS", _CLAUSE[weight], None, number, at, note="Digital silence.")
                )  # fmt: skip
                continue
            figures.append(
                Figure(f"noise{_SUFFIX[weight]}", value, f"dBFS{_UNIT[weight]}", "RMS of the terminated input", _CLAUSE[weight], spread, number, at)
            )  # fmt: skip
            if gain_db in gains and dbu_offset is not None:
                figures.append(
                    Figure(
                        f"ein{_SUFFIX[weight]}", value - gains[gain_db][0] + dbu_offset, f"dBu{_UNIT[weight]}",
                        "that noise, referred to the input by the gain measured at the same setting", _CLAUSE[weight],
                        combined(spread, gains[gain_db][1], volts_db), number, at,
                    )
                )  # fmt: skip
    return figures
