"""Which stages do a microphone, a radio link and a recorder's input make, with which gains, limits and noises?

Conventions: the chain begins with the sound at the microphone (dB SPL), goes on with the microphone's output (dBV),
the radio link (dBFS of the link) where there is one, the preamplifier's output (dBu), the converter and the file
(dBFS). EIN of a data sheet holds the Johnson noise of the resistor it was measured with; the preamplifier's own
share is what is left without it. Input and source impedance divide the voltage. The trade says 94 dB SPL for 1 Pa;
here 1 Pa is what it is, 93.979 dB re 20 µPa.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from takewell.errors import SettingError
from takewell.kit.johnson import DBU_ABOVE_DBV, johnson_noise_dbu
from takewell.kit.values import Microphone, RecorderInput, Transmitter
from takewell.plan.chain import Chain, FinerConverter, Limiter, Stage
from takewell.plan.noise import power_difference_db, power_sum_db, quantisation_noise_dbfs_a, weighted_to_a_db

PASCAL_DB_SPL = 20 * math.log10(1 / 20e-6)
"""1 Pa in dB re 20 µPa: 93.979."""

BITS = {"int16": 16, "int24": 24, "int32": 32}
"""Word lengths of whole-number files; float files have none."""

BENCH_CELSIUS = 20.0
"""Room temperature that data sheets' noise figures are taken at; a warm day changes them by 0.1 dB."""


@dataclass(frozen=True)
class Source:
    """What feeds a recorder's input: its resistance, and what of it divides the voltage."""

    impedance_ohm: float
    noise_known: bool
    """Whether the noise of the resistance is contained in a stage before (a microphone's self-noise)."""


def sensitivity_dbv(microphone: Microphone) -> float:
    """Return a microphone's sensitivity in dBV for 1 Pa.

    Examples
    --------
    10 mV/Pa is -40 dBV/Pa.
    """
    return 20 * math.log10(microphone.sensitivity_mv_pa / 1000)


def microphone_stages(microphone: Microphone, *, room_noise_db_a: float = -math.inf) -> Chain:
    """Return the sound and the microphone.

    Parameters
    ----------
    room_noise_db_a : float
        The room's noise as the microphone hears it: already less its directivity.
    """
    gain_db = sensitivity_dbv(microphone) - PASCAL_DB_SPL
    if microphone.self_noise_db_a is not None:
        noise_dbv_a = microphone.self_noise_db_a + gain_db
    else:
        noise_dbv_a = (
            johnson_noise_dbu(microphone.source_impedance_ohm, BENCH_CELSIUS, weighting="A") - DBU_ABOVE_DBV
        )
    return (
        Stage("at the microphone", "sound", "dB SPL", 0.0, noise_db_a=room_noise_db_a),
        Stage("microphone", "microphone", "dBV", gain_db, microphone.max_spl_db + gain_db, noise_dbv_a),
    )


def transmitter_stage(transmitter: Transmitter, gain_db: float) -> Stage:
    """Return the radio link at a transmitter gain.

    Raises
    ------
    SettingError
        If the transmitter has no such gain.
    """
    _check_gain(transmitter.name, gain_db, transmitter.gain_min_db, transmitter.gain_max_db)
    limiter = (
        Limiter(
            "analogue",
            transmitter.limiter_threshold_dbfs,
            transmitter.limiter_ratio,
            transmitter.limiter_range_db,
            transmitter.limiter_attack_ms,
            transmitter.limiter_release_ms,
        )
        if transmitter.limiter == "analogue"
        else None
    )
    return Stage(
        "radio link",
        "transmitter",
        "dBFS",
        gain_db - transmitter.full_scale_dbv,
        0.0,
        -transmitter.dynamic_range_db_a,
        limiter,
    )


def preamplifier_noise_dbu_a(recorder: RecorderInput) -> float:
    """Return a preamplifier's own noise at its input in dBu A: EIN less the Johnson noise of its source resistor.

    ``-inf`` where the EIN is no more than that of the resistor.
    """
    if recorder.ein_dbu_a is not None and "ein_dbu_a" in recorder.measured:
        whole = recorder.ein_dbu_a
    else:
        whole = recorder.ein_dbu + weighted_to_a_db(recorder.ein_weighting)
    resistor = johnson_noise_dbu(recorder.ein_source_ohm, BENCH_CELSIUS, weighting="A")
    return power_difference_db(whole, resistor)


def max_input_dbu(recorder: RecorderInput, gain_db: float) -> float:
    """Return the highest level an input takes at a gain, in dBu.

    Between the stated gains straight lines; below the lowest the stated level; above the highest as much less as the
    gain is more, since then the preamplifier's output is what gives way.
    """
    stated = recorder.max_input
    if gain_db <= stated[0][0]:
        return stated[0][1]
    for (low, at_low), (high, at_high) in pairwise(stated):
        if gain_db <= high:
            return at_low + (at_high - at_low) * (gain_db - low) / (high - low)
    return stated[-1][1] - (gain_db - stated[-1][0])


def recorder_stages(
    recorder: RecorderInput,
    gain_db: float,
    rate: int,
    *,
    source: Source,
    pad_db: float = 0.0,
    encoding: str | None = None,
    from_dbu: float = 0.0,
) -> Chain:
    """Return preamplifier, converter and file of a recorder's input.

    Parameters
    ----------
    gain_db : float
        As set on the recorder.
    rate : int
        Sampling rate in Hz.
    source : Source
        What is plugged in.
    pad_db : float
        Attenuation between source and input, zero or more.
    encoding : str, optional
        Samples in the file, where they differ from the profile's (a safety copy).
    from_dbu : float
        What turns the unit of the stage before into dBu: 0 from dBu, 2.2185 from dBV, the receiver's output from a link's dBFS.

    Raises
    ------
    SettingError
        If the input has no such gain.
    """
    _check_gain(recorder.name, gain_db, recorder.gain_min_db, recorder.gain_max_db)
    before_db, after_db = (
        (gain_db, 0.0) if recorder.gain_place == "before_converter" else (recorder.fixed_gain_db, gain_db)
    )
    deferred_db = recorder.limiter_range_db if recorder.limiter == "deferred" else 0.0
    deferred_db = min(deferred_db, max(0.0, before_db - recorder.gain_min_db))
    before_db, after_db = before_db - deferred_db, after_db + deferred_db
    loading_db = 20 * math.log10(
        recorder.input_impedance_ohm / (recorder.input_impedance_ohm + source.impedance_ohm)
    )
    own_dbu_a = preamplifier_noise_dbu_a(recorder)
    johnson_dbu_a = (
        -math.inf
        if source.noise_known
        else johnson_noise_dbu(source.impedance_ohm, BENCH_CELSIUS, weighting="A")
    )
    preamplifier = Stage(
        "preamplifier",
        "preamplifier",
        "dBu",
        from_dbu + loading_db - pad_db + before_db,
        max_input_dbu(recorder, before_db) + before_db,
        power_sum_db([own_dbu_a, johnson_dbu_a]) + before_db,
    )
    limiter = None if recorder.limiter == "none" else _limiter(recorder, deferred_db)
    finer = None
    if recorder.converters == 2 and recorder.handover_dbfs is not None:
        finer_range = recorder.second_range_db_a or recorder.converter_range_db_a
        finer = FinerConverter(recorder.handover_dbfs, -finer_range - recorder.second_offset_db)
    converter = Stage(
        "converter",
        "converter",
        "dBFS",
        -recorder.full_scale_dbu,
        0.0,
        -recorder.converter_range_db_a,
        limiter if recorder.limiter == "analogue" else None,
        finer,
    )
    bits = BITS.get(encoding or recorder.encoding)
    file = Stage(
        f"file, {bits} bits" if bits else "file, float",
        "file",
        "dBFS",
        after_db,
        0.0 if bits else math.inf,
        quantisation_noise_dbfs_a(bits, rate) if bits else -math.inf,
        limiter if recorder.limiter == "deferred" else None,
        bits=bits,
    )
    return preamplifier, converter, file


def full_chain(
    microphone: Microphone,
    recorder: RecorderInput,
    gain_db: float,
    rate: int,
    *,
    transmitter: Transmitter | None = None,
    transmitter_gain_db: float = 0.0,
    room_noise_db_a: float = -math.inf,
    pad_db: float = 0.0,
    encoding: str | None = None,
) -> Chain:
    """Return the whole chain from the sound to the file; parameters as for its parts.

    Raises
    ------
    SettingError
        If a gain lies outside what the device has.
    """
    head = microphone_stages(microphone, room_noise_db_a=room_noise_db_a)
    if transmitter is None:
        source = Source(microphone.source_impedance_ohm, noise_known=True)
        from_dbu = DBU_ABOVE_DBV
    else:
        head = (*head, transmitter_stage(transmitter, transmitter_gain_db))
        source = Source(transmitter.output_impedance_ohm, noise_known=False)
        from_dbu = transmitter.output_dbu
    tail = recorder_stages(
        recorder, gain_db, rate, source=source, pad_db=pad_db, encoding=encoding, from_dbu=from_dbu
    )
    return (*head, *tail)


def without_limiters(chain: Chain) -> Chain:
    """Return the chain with its limiters taken out, all gains as they are."""
    return tuple(replace(stage, limiter=None) for stage in chain)


def _limiter(recorder: RecorderInput, deferred_db: float) -> Limiter:
    kind: Literal["analogue", "deferred"] = "deferred" if recorder.limiter == "deferred" else "analogue"
    return Limiter(
        kind,
        recorder.limiter_threshold_dbfs,
        recorder.limiter_ratio,
        deferred_db if kind == "deferred" else recorder.limiter_range_db,
        recorder.limiter_attack_ms,
        recorder.limiter_release_ms,
    )


def _check_gain(name: str, gain_db: float, low_db: float, high_db: float) -> None:
    if not low_db <= gain_db <= high_db:
        raise SettingError(f"a gain of {gain_db:g} dB: {name} goes from {low_db:g} to {high_db:g} dB.")
