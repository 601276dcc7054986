"""What of a data sheet goes into the kit, and under which field?

A profile of an input starts from a data-sheet profile where there is one, whose values the measured ones replace and remember;
otherwise from what was measured alone, if that is enough. One channel speaks for the input.
"""

import math
from dataclasses import replace
from pathlib import Path

from takewell.bench.figures import Curve, DataSheet, Figure
from takewell.errors import SettingError
from takewell.kit import Clock, Measurement, Recorder, RecorderInput, with_measured, write_profile
from takewell.plan.noise import white_to_a_db

DIRECT = {
    "dynamic_range": "dynamic_range_db",
    "thd_n": "thd_n_db",
    "crosstalk": "crosstalk_db",
    "recovery": "recovery_ms",
    "delay": "delay_samples",
    "polarity": "polarity",
    "limiter_threshold": "limiter_threshold_dbfs",
    "limiter_ratio": "limiter_ratio",
    "limiter_attack": "limiter_attack_ms",
    "limiter_release": "limiter_release_ms",
    "handover_gain_step": "handover_step_db",
}
"""Figures that go into a field as they are."""

CURVES = {
    "frequency_response": "frequency_response",
    "thd_n_by_level": "thd_n_by_level",
    "gain_error": "gain_error",
}
EIN = {"none": "ein", "A": "ein_a", "CCIR-RMS": "ein_ccir_rms"}
EIN_FIELDS = {"ein": "ein_dbu", "ein_a": "ein_dbu_a", "ein_ccir_rms": "ein_dbu_ccir_rms"}


def write_profiles(
    sheet: DataSheet,
    folder: Path,
    stem: str,
    *,
    date: str,
    sheet_file: str,
    base: RecorderInput | None = None,
    channel: int = 1,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write kit profiles of what was measured: the input, the clock, the recorder.

    Parameters
    ----------
    sheet : DataSheet
    folder : Path
    stem : str
        Beginning of the files' names.
    date : str
        Of the measurement, YYYY-MM-DD.
    sheet_file : str
        Name of the data sheet, which the profile remembers.
    base : RecorderInput, optional
        The data sheet's profile, whose values are replaced.
    channel : int
        The channel that speaks for the input, from 1.

    Returns
    -------
    (files, sentences)
        What was written, and why anything was not.

    Raises
    ------
    DestinationError
        If a file cannot be written.
    """
    written: list[Path] = []
    said: list[str] = []
    try:
        measured = input_profile(sheet, date=date, sheet_file=sheet_file, base=base, channel=channel)
    except SettingError as error:
        said.append(str(error))
    else:
        written.append(folder / f"{stem}-input.toml")
        write_profile(measured, written[-1])
    clock = clock_profile(sheet, date=date, sheet_file=sheet_file)
    if clock is not None:
        written.append(folder / f"{stem}-clock.toml")
        write_profile(clock, written[-1])
    recorder = recorder_profile(sheet, date=date, sheet_file=sheet_file)
    if recorder is not None:
        written.append(folder / f"{stem}-recorder.toml")
        write_profile(recorder, written[-1])
    return tuple(written), tuple(said)


def input_profile(
    sheet: DataSheet,
    *,
    date: str,
    sheet_file: str,
    base: RecorderInput | None = None,
    channel: int = 1,
) -> RecorderInput:
    """Return the input's profile; parameters as for `write_profiles`.

    Raises
    ------
    SettingError
        If too little was measured to make one without a data sheet's profile.
    """

    def kept(figure: Figure, value: float | None = None) -> Measurement:
        return Measurement(
            float(figure.value if value is None else value) if figure.value is not None else math.nan,
            date, sheet_file, f"{figure.method} ({figure.clause})", figure.uncertainty, figure.limited_by_generator,
        )  # fmt: skip

    def curve_kept(curve: Curve) -> Measurement:
        points = tuple(
            (float(x), float(y)) for x, y in zip(curve.x, curve.y, strict=True) if math.isfinite(y)
        )
        return Measurement(points, date, sheet_file, f"{curve.method} ({curve.clause})", curve.uncertainty)

    found: dict[str, Measurement] = {}
    for key, name in DIRECT.items():
        figure = sheet.figure(key, channel=channel)
        if figure is not None and figure.value is not None:
            found[name] = kept(figure)
    for key, name in CURVES.items():
        for curve in sheet.curves:
            if curve.key == key and curve.channel == channel and len(curve.x) > 1:
                found.setdefault(name, curve_kept(curve))
    best = _lowest(sheet, "ein", channel)
    for key, name in EIN_FIELDS.items():
        figure = sheet.figure(key, channel=channel, at=best.at) if best is not None else None
        if figure is not None:
            found[name] = kept(figure)
    full_scale, maximum = (
        sheet.figure(key, channel=channel) for key in ("full_scale_input", "maximum_input")
    )
    rail = _rail_dbfs(sheet, channel)
    after = base is not None and base.gain_place == "after_converter"
    if full_scale is not None and full_scale.value is not None:
        ahead_db = base.fixed_gain_db + rail if base is not None and after else sheet.reference_gain_db
        found["full_scale_dbu"] = kept(full_scale, full_scale.value + ahead_db)
    if maximum is not None and maximum.value is not None and not maximum.note:
        gain_db = base.fixed_gain_db if base is not None and after else sheet.reference_gain_db
        found["max_input"] = replace(kept(maximum), value=((gain_db, maximum.value),))
    handover, quiet = sheet.figure("handover_level", channel=channel), _lowest(sheet, "noise_a", channel)
    loud, step = (
        sheet.figure(key, channel=channel) for key in ("handover_noise_above", "handover_noise_step")
    )
    if handover is not None and handover.value is not None and loud is not None and loud.value is not None:
        found["handover_dbfs"] = kept(handover, min(0.0, handover.value - rail))
        coarse_db = rail - loud.value - white_to_a_db(sheet.rate)
        found["converter_range_db_a"] = kept(loud, coarse_db)
        if step is not None and step.value is not None and step.value > 0:
            # The finer converter's noise lies the step lower: more gain by as much, or, where its full scale would come to lie
            # under the handover, more range.
            offset_db = min(step.value, max(0.0, rail - handover.value))
            found["second_offset_db"] = kept(step, offset_db)
            found["second_range_db_a"] = kept(step, coarse_db + step.value - offset_db)
    elif quiet is not None and quiet.value is not None:
        found["converter_range_db_a"] = kept(quiet, rail - quiet.value)
    if base is None:
        base = _measured_alone(sheet, found, two=handover is not None and step is not None)
    own = {"A": "ein_a", "CCIR-RMS": "ein_ccir_rms", "none": "ein"}[base.ein_weighting]
    same = sheet.figure(own, channel=channel, at=best.at) if best is not None else None
    if same is not None:
        found["ein_dbu"] = kept(same)
    return with_measured(base, found)


def _measured_alone(sheet: DataSheet, found: dict[str, Measurement], *, two: bool) -> RecorderInput:
    missing = [
        name
        for name in ("ein_dbu", "max_input", "full_scale_dbu", "converter_range_db_a")
        if name not in found
    ]
    if missing:
        raise SettingError(
            f"{sheet.name}: no profile of the input was written, since {', '.join(missing)} could not be measured; record the "
            "missing parts, give --volts, or give a data-sheet profile with --base."
        )
    settings = [float(f.at.split()[1]) for f in sheet.figures if f.key == "gain_error"] or [0.0]

    def number(name: str) -> float:
        value = found[name].value
        assert isinstance(value, float)
        return value

    pairs = found["max_input"].value
    assert isinstance(pairs, tuple)
    return RecorderInput(
        name=sheet.name, gain_min_db=min(settings), gain_max_db=max(settings), ein_dbu=number("ein_dbu"),
        max_input=pairs, full_scale_dbu=number("full_scale_dbu"), converter_range_db_a=number("converter_range_db_a"),
        encoding=sheet.encoding, converters=2.0 if two else 1.0,
        handover_dbfs=number("handover_dbfs") if two else None,
        limiter="analogue" if "limiter_threshold_dbfs" in found else "none",
    )  # fmt: skip


def clock_profile(sheet: DataSheet, *, date: str, sheet_file: str) -> Clock | None:
    """Return the clock's profile, or None where it was not measured."""
    figure = sheet.figure("clock_error")
    if figure is None or figure.value is None:
        return None
    bound = abs(figure.value) + (figure.uncertainty or 0.0)
    clock = Clock(name=f"{sheet.name}, clock", ppm=bound, note="At the temperature of the bench only.")
    kept = Measurement(
        figure.value, date, sheet_file, f"{figure.method} ({figure.clause})", figure.uncertainty
    )
    return with_measured(clock, {"error_ppm": kept})


def recorder_profile(sheet: DataSheet, *, date: str, sheet_file: str) -> Recorder | None:
    """Return the recorder's profile, or None where the person gave no current and voltage."""
    figure = sheet.figure("power")
    if figure is None or figure.value is None:
        return None
    found = {"power_w": Measurement(figure.value, date, sheet_file, figure.method)}
    before = sheet.figure("pre_record")
    if before is not None and before.value is not None:
        found["pre_record_s"] = Measurement(
            max(0.0, before.value), date, sheet_file, before.method, before.uncertainty
        )
    return with_measured(
        Recorder(name=sheet.name, power_w=figure.value, tracks_max=float(sheet.channels)), found
    )


def _lowest(sheet: DataSheet, key: str, channel: int) -> Figure | None:
    found = [f for f in sheet.figures if f.key == key and f.channel == channel and f.value is not None]
    return min(found, key=lambda f: f.value if f.value is not None else math.inf) if found else None


def _rail_dbfs(sheet: DataSheet, channel: int) -> float:
    """Return where the converter's full scale lies in the file, in dBFS: 0 for whole numbers."""
    figure = sheet.figure("clipping", channel=channel)
    if (
        sheet.encoding.startswith("float")
        and figure is not None
        and figure.value is not None
        and "flat tops" in figure.note
    ):
        return figure.value
    return 0.0
