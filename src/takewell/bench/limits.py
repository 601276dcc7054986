"""Where does the recorder give way, how, and how does it come back: maximum level, clipping, limiter, handover?"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.bench.burst import RESOLUTION_S, read_burst
from takewell.bench.figures import Curve, Figure, combined
from takewell.bench.programme import RAMP_DB_PER_S
from takewell.bench.ramp import (
    BLOCK_S,
    Ramp,
    handover,
    limiter,
    maximum_level_dbfs,
    read_ramp,
    reference_gain_db,
)
from takewell.bench.recorded import Recorded
from takewell.units import decibels

F64 = NDArray[np.float64]

BLOCK_DB = RAMP_DB_PER_S * BLOCK_S

HARD_SHARE = 0.03
"""A clipped sine spends more than this share of its samples within 0.1 % of its largest value, beyond what an unclipped one
does (2.8 %: the angle within acos(0.999) of a crest, twice, over pi)."""

_SINE_SHARE = float(2 * np.arccos(0.999) / np.pi)

WRAPPED_THD_N_DB = 20 * np.log10(0.2)
"""AES17-2015, 6.6.8: more than 20 % at 3 dB over the maximum suggests that the number wraps around."""


@dataclass(frozen=True)
class Limits:
    """What the ramps and the loudest step of one channel tell."""

    gain_db: float
    """File over programme, in the linear part."""
    maximum_programme_dbfs: float | None
    maximum_output_dbfs: float
    figures: tuple[Figure, ...]
    curves: tuple[Curve, ...]


def clipping_shape(samples: F64) -> str:
    """Return how a loud sine looks: ``hard`` (flat tops), ``soft`` (bent) or ``none``."""
    top = np.abs(samples).max()
    if top == 0:
        return "none"
    share = float(np.mean(np.abs(samples) >= 0.999 * top))
    if share - _SINE_SHARE > HARD_SHARE:
        return "hard"
    crest_db = float(decibels(top / np.sqrt(np.mean(samples**2))))
    return "soft" if crest_db < 3.01 - 0.1 else "none"


def read_limits(recorded: Recorded, channel: int, dbu_offset: float | None, volts_db: float) -> Limits | None:
    """Read ramps, the loudest step and the burst of a channel.

    Parameters
    ----------
    recorded : Recorded
        Of the levels part.
    channel : int
        From 0.
    dbu_offset : float or None
        Level at the input for 0 dBFS of the programme, in dBu.
    volts_db : float
        Uncertainty of that.
    """
    runs = {
        name: read_ramp(section, times, samples, recorded.rate, recorded.by_recorder(section.frequency_hz))
        for name in ("ramp_up", "ramp_down")
        for section, times, samples in recorded.sections(name, channel)
    }  # fmt: skip
    up = runs.get("ramp_up")
    if up is None:
        return None
    number = channel + 1
    gain = reference_gain_db(up)
    maximum = maximum_level_dbfs(up)
    limit = limiter(up)
    figures: list[Figure] = [
        Figure(
            "gain", gain, "dB", "file level over programme level, median of the linear part of the ramp",
            "AES17-2015, 6.2.2", 0.01, number,
        )
    ]  # fmt: skip
    loud = list(recorded.sections("step", channel))
    shape, rail = "none", None
    if loud:
        samples = loud[-1][2]
        shape, rail = clipping_shape(samples), float(decibels(np.abs(samples).max()))
    output = _maximum_output(recorded, up, gain, maximum, shape, rail)
    figures += _maximum_figures(up, gain, maximum, dbu_offset, volts_db, number)
    figures.append(
        Figure(
            "clipping", rail, "dBFS peak", "largest sample of the loudest step", "no clause: our method", None, number,
            f"{loud[-1][0].level_dbfs:g} dBFS played" if loud else "",
            note={
                "hard": "Hard clipping: flat tops.",
                "soft": "Soft: the wave bends before it is cut.",
                "none": "No clipping reached.",
            }[shape],
        )
    )  # fmt: skip
    if maximum is not None:
        figures += _wrap_around(up, maximum, number)
    figures += _burst_figures(recorded, channel, limited=limit is not None)
    if limit is not None:
        method = "straight line through the bent part of the ramp's output against input"
        clause = "IEC 60268-8 (from memory)"
        figures += [
            Figure("limiter_threshold", limit.threshold_dbfs + gain, "dBFS", method, clause, 0.2, number),
            Figure("limiter_ratio", limit.ratio, ":1", method, clause, 0.05 * limit.ratio, number),
        ]
        if dbu_offset is not None:
            at_input = limit.threshold_dbfs + dbu_offset
            figures.append(
                Figure(
                    "limiter_threshold_input",
                    at_input,
                    "dBu",
                    method,
                    clause,
                    combined(0.2, volts_db),
                    number,
                )
            )
    figures += _handover_figures(runs, gain, maximum, number, limited=limit is not None)
    curves = (
        Curve("gain_by_level", tuple(up.level_dbfs + gain), tuple(up.gain_db - gain), "dBFS", "dB", "rising tone, fits of 50 ms", "no clause: our method", number),
        Curve("noise_by_level", tuple(up.level_dbfs + gain), tuple(up.noise_dbfs), "dBFS", "dBFS", "rest of those fits with harmonics 2 to 9", "no clause: our method", number),
    )  # fmt: skip
    return Limits(gain, maximum, output, tuple(figures), curves)


def _maximum_output(
    recorded: Recorded, up: Ramp, gain: float, maximum: float | None, shape: str, rail: float | None
) -> float:
    """Return the level of the largest undistorted sine in the file, AES17 dBFS."""
    if shape == "hard" and rail is not None:
        return rail  # a sine just under the rail
    if maximum is not None:
        return maximum + float(np.interp(maximum, up.level_dbfs, up.gain_db))
    if recorded.audio.info.encoding.startswith("float"):
        return float(up.level_dbfs[-1]) + gain
    return 0.0


def _maximum_figures(
    up: Ramp, gain: float, maximum: float | None, dbu_offset: float | None, volts_db: float, number: int
) -> list[Figure]:
    method = "rising 997 Hz tone until THD+N is -40 dB or 0.3 dB are lost"
    reached = up.level_dbfs[-1] if maximum is None else maximum
    note = "Not reached: at least this." if maximum is None else ""
    found = [
        Figure(
            "maximum_file_level", float(reached + gain), "dBFS", method, "AES17-2015, 6.2.1", BLOCK_DB / 2, number, note=note
        )
    ]  # fmt: skip
    if dbu_offset is not None:
        both = combined(BLOCK_DB / 2, volts_db)
        found += [
            Figure("maximum_input", float(reached + dbu_offset), "dBu", method, "AES17-2015, 6.2.1", both, number, note=note),
            Figure(
                "full_scale_input", dbu_offset - gain, "dBu", "generator's volts, pad and gain: the level that reads 0 dBFS",
                "AES17-2015, 3.12", combined(0.01, volts_db), number,
            ),
        ]  # fmt: skip
    return found


def _wrap_around(up: Ramp, maximum: float, number: int) -> list[Figure]:
    if up.level_dbfs[-1] < maximum + 3:
        return []
    value = float(np.interp(maximum + 3, up.level_dbfs, up.thd_n_db))
    note = "More than 20 %: the number may wrap around." if value > WRAPPED_THD_N_DB else ""
    return [
        Figure("overload_thd_n", value, "dB", "THD+N 3 dB over the maximum", "AES17-2015, 6.6.8", 0.5, number, note=note)
    ]  # fmt: skip


def _burst_figures(recorded: Recorded, channel: int, *, limited: bool) -> list[Figure]:
    number, found = channel + 1, []
    for section, times, samples in recorded.sections("burst", channel):
        one = read_burst(section, times, samples, recorded.rate, recorded.by_recorder(section.frequency_hz))
        at = f"{section.frequency_hz:g} Hz from {section.level_dbfs:g} to {section.to_level_dbfs:g} dBFS played, 1.5 s"
        late = "" if one.recovery_s is not None else "Not back within the section."
        found.append(
            Figure(
                "recovery", None if one.recovery_s is None else 1000 * one.recovery_s, "ms",
                "until the gain is within 1 dB of what it was, for good", "no clause: our method", 1000 * RESOLUTION_S * 2, number, at, note=late,
            )
        )  # fmt: skip
        if limited:
            found += [
                Figure(key, None if value is None else 1000 * value, "ms", "63 % of the way of the gain in dB", "no clause: our method", 1000 * RESOLUTION_S, number, at)
                for key, value in (("limiter_attack", one.attack_s), ("limiter_release", one.release_s))
            ]  # fmt: skip
            found.append(Figure("limiter_reduction", one.reduction_db, "dB", "gain at the burst's end", "no clause: our method", 0.1, number, at))  # fmt: skip
    return found


def _handover_figures(
    runs: dict[str, Ramp], gain: float, maximum: float | None, number: int, *, limited: bool
) -> list[Figure]:
    up = runs["ramp_up"]
    highest = up.level_dbfs[-1] if maximum is None else maximum
    if limited:
        lost = np.flatnonzero(gain - up.gain_db > 0.1)
        highest = min(highest, up.level_dbfs[lost[0]]) if len(lost) else highest
    found = handover(up, highest - 0.5)
    if found is None:
        return []
    method = "rising tone: means of 4 dB below and above, half a decibel on each side left out"
    result = [
        Figure(
            "handover_level",
            found.level_dbfs + gain,
            "dBFS",
            method,
            "no clause: our method",
            BLOCK_DB,
            number,
        ),
        Figure(
            "handover_noise_step", found.noise_step_db, "dB", method, "no clause: our method", 0.08, number
        ),
        Figure("handover_gain_step", found.gain_step_db, "dB", method, "no clause: our method", 0.01, number),
        Figure(
            "handover_noise_above",
            found.noise_above_dbfs,
            "dBFS",
            f"{method}; 0 Hz to half the rate",
            "no clause: our method",
            0.05,
            number,
        ),
    ]
    if "ramp_down" in runs:
        back = handover(runs["ramp_down"], highest - 0.5)
        if back is not None:
            result.append(
                Figure("handover_level_falling", back.level_dbfs + gain, "dBFS", method, "no clause: our method", BLOCK_DB, number)
            )  # fmt: skip
    return result
