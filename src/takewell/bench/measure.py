"""What is this recorder: from its recordings of the test programme to a data sheet.

Each part of the programme gives its figures where it was recorded; what is missing is said. The player's loop-back, measured
with the same code, marks what the player limited.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from takewell.bench.clock import clock_error_ppm
from takewell.bench.crosstalk import crosstalk
from takewell.bench.figures import Curve, DataSheet, Figure, combined, marked, marked_curve
from takewell.bench.limits import Limits, read_limits
from takewell.bench.programme import (
    CUT_MARK_S,
    GUARD_S,
    MARK_BEFORE_SYNC_S,
    PARTS,
    ProgrammeSettings,
    parts,
)
from takewell.bench.quiet import gain_figures, gain_levels, noise_figures
from takewell.bench.recorded import Recorded, Session, open_session
from takewell.bench.response import channel_delay, frequency_response
from takewell.bench.tones import distortion_figures, dynamic_range, step_curves, step_readings
from takewell.errors import SettingError
from takewell.units import decibels

Progress = Callable[[int, int, str], None]

VOLT_AT_0_DBU = 0.6**0.5
HAND_S = 0.2
"""How late or early a person presses a key on a cue (common practice, no source)."""

SWEEP_UNCERTAINTY_DB = 0.03
DELAY_UNCERTAINTY_SAMPLES = 0.02
LEAST_LIKENESS = 0.3
"""Of two channels' sweeps, before a delay between them means anything."""


@dataclass(frozen=True)
class Conditions:
    """What the person noted down."""

    name: str = "recorder"
    volts_at_0_dbfs: float | None = None
    """Player's RMS volts during the 0 dBFS tone, at the input unless a pad is named."""
    pad_db: float = 0.0
    """Attenuation between where the volts were measured and the input."""
    volts_uncertainty_db: float = 0.1
    source_ohm: float = 150.0
    player_ppm: float = 0.0
    """Error of the player's clock, positive when it runs fast."""
    player_ppm_uncertainty: float = 1.0
    current_ma: float | None = None
    supply_v: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if self.volts_at_0_dbfs is not None and not 0 < self.volts_at_0_dbfs < 100:
            raise SettingError(
                f"{self.volts_at_0_dbfs} V is no player's output; volts over 0 and below 100 are taken."
            )
        if not 0 <= self.source_ohm <= 100_000 or not -60 <= self.pad_db <= 120:
            raise SettingError("a terminator is 0 to 100 000 ohms and a pad -60 to 120 dB.")

    @property
    def dbu_offset(self) -> float | None:
        """Level at the input for 0 dBFS of the programme, in dBu."""
        if self.volts_at_0_dbfs is None:
            return None
        return float(decibels(self.volts_at_0_dbfs / VOLT_AT_0_DBU)) - self.pad_db


def measure_recorder(
    files: tuple[Path, ...],
    settings: ProgrammeSettings,
    conditions: Conditions,
    *,
    loopback: tuple[Path, ...] = (),
    progress: Progress | None = None,
) -> DataSheet:
    """Return the data sheet of a recorder.

    Parameters
    ----------
    files : tuple of Path
        The recorder's files of the programme, in any order.
    settings : ProgrammeSettings
        What the programme was made for.
    conditions : Conditions
    loopback : tuple of Path
        Recordings of the same programme with the player looped back: its own noise and distortion.
    progress : callable, optional

    Raises
    ------
    FileError
        If a file cannot be read or holds nothing of the programme.
    """
    sheet = _sheet(files, settings, conditions, progress)
    if not loopback:
        if any(figure.better != "neither" for figure in sheet.figures):
            said = "The player's own noise and distortion were not measured (no loop-back): what it limited is not known."
            sheet = replace(sheet, notes=(*sheet.notes, said))
        return sheet
    own = _sheet(loopback, settings, replace(conditions, name="player"), None)
    figures = []
    for figure in sheet.figures:
        same = own.figure(figure.key, channel=figure.channel) or own.figure(figure.key)
        if figure.key.startswith("gain_step"):
            # A step's weak noise is held against nothing: the loop-back has no such gain.
            same = own.figure("thd_n") if figure.key == "gain_step_thd_n" else None
        figures.append(marked(figure, same))
    curves = []
    for curve in sheet.curves:
        alike = [one for one in own.curves if (one.key, one.at) == (curve.key, curve.at)]
        same_channel = [one for one in alike if one.channel == curve.channel]
        curves.append(marked_curve(curve, next(iter(same_channel or alike), None)))
    return replace(
        sheet,
        figures=tuple(figures),
        curves=tuple(curves),
        sources=(*sheet.sources, *(str(path) for path in loopback)),
    )


def _sheet(
    files: tuple[Path, ...], settings: ProgrammeSettings, conditions: Conditions, progress: Progress | None
) -> DataSheet:
    figures: list[Figure] = []
    curves: list[Curve] = []
    with open_session(files, parts(settings)) as session:
        notes = list(session.notes)
        info = (session.part("levels") or session.recorded[0]).audio.info
        limits = _of_limits(session.part("levels"), conditions)
        steps = (_of_levels, _of_clock, _of_crosstalk, _of_gains, _of_noise, _of_start, _of_cut)
        names = ("levels", "clock", "crosstalk", "gains", "noise", "start", "cut")
        for index, (step, name) in enumerate(zip(steps, names, strict=True)):
            if progress is not None:
                progress(index, len(steps), name)
            more_figures, more_curves = step(session, settings, conditions, limits)
            figures += more_figures
            curves += more_curves
        missing = [name for name in PARTS if session.part(name) is None]
        if missing:
            notes.append(f"Not recorded, so not measured: {', '.join(missing)}.")
    figures += _stated(conditions)
    if conditions.dbu_offset is None:
        notes.append("The player's volts were not given, so nothing is referred to the input in dBu.")
    return DataSheet(
        conditions.name,
        tuple(figures),
        tuple(curves),
        tuple(notes),
        tuple(str(path) for path in files),
        info.rate,
        info.encoding,
        info.channels,
        settings.reference_gain_db,
    )


_Found = tuple[list[Figure], list[Curve]]
_Limits = dict[int, Limits]


def _of_limits(recorded: Recorded | None, conditions: Conditions) -> _Limits:
    found = {
        channel: read_limits(recorded, channel, conditions.dbu_offset, conditions.volts_uncertainty_db)
        for channel in range(recorded.channels if recorded is not None else 0)
        if recorded is not None
    }
    return {channel: one for channel, one in found.items() if one is not None}


def _of_levels(
    session: Session, _settings: ProgrammeSettings, _conditions: Conditions, limits: _Limits
) -> _Found:
    recorded = session.part("levels")
    if recorded is None:
        return [], []
    figures: list[Figure] = []
    curves: list[Curve] = []
    for channel in range(recorded.channels):
        limit = limits.get(channel)
        if limit is not None:
            figures += limit.figures
            curves += limit.curves
            ranged = dynamic_range(recorded, channel, limit.maximum_output_dbfs)
            figures += [ranged] if ranged is not None else []
        steps = step_readings(recorded, channel)
        if steps:
            curves += step_curves(steps, limit.gain_db if limit is not None else 0.0, channel)
            more_figures, more_curves = distortion_figures(recorded, steps, channel)
            figures += more_figures
            curves += more_curves
    more_figures, more_curves = _of_sweep(recorded)
    return figures + more_figures, curves + more_curves


def _of_sweep(recorded: Recorded) -> _Found:
    figures: list[Figure] = []
    curves: list[Curve] = []
    for section in recorded.part.named("sweep"):
        first = recorded.section(section, 0, -GUARD_S)
        for channel in range(recorded.channels if first is not None else 0):
            found = recorded.section(section, channel, -GUARD_S)
            assert first is not None
            if found is None:
                continue
            points, response, _gain = frequency_response(
                section, *found, recorded.rate, recorded.placed.stretch
            )
            curves.append(
                Curve(
                    "frequency_response", tuple(points.tolist()), tuple(response.tolist()), "Hz", "dB re 997 Hz",
                    "logarithmic sweep, powers in twelfths of an octave", "AES17-2015, 6.2.3", channel + 1, uncertainty=SWEEP_UNCERTAINTY_DB,
                )
            )  # fmt: skip
            lag = channel_delay(first[1], found[1], recorded.rate) if channel else None
            if lag is None or lag.height < LEAST_LIKENESS:
                continue
            method = "generalised cross-correlation of the sweep with phase transform, 100 Hz to 18 kHz"
            clause = "Knapp and Carter, 1976"
            figures += [
                Figure("delay", lag.delay_s * recorded.rate, "samples", method, clause, DELAY_UNCERTAINTY_SAMPLES, channel + 1, "against channel 1"),
                Figure("polarity", float(lag.polarity), "", method, clause, None, channel + 1, "against channel 1", note="Reversed." if lag.polarity < 0 else ""),
            ]  # fmt: skip
    return figures, curves


def _of_clock(
    session: Session, _settings: ProgrammeSettings, conditions: Conditions, _limits: _Limits
) -> _Found:
    recorded = session.part("clock")
    if recorded is None:
        return [], []
    for section, _times, samples in recorded.sections(
        "clock", recorded.loudest(recorded.part.named("clock")[0])
    ):
        error, spread = clock_error_ppm(samples, recorded.rate, section.frequency_hz, recorded.placed.stretch)
        return [
            Figure(
                "clock_error", error + conditions.player_ppm, "ppm", "slope of a long tone's phase, plus the player's stated error",
                "IEEE 1057 (frequency of a sine, from memory)", combined(spread, conditions.player_ppm_uncertainty),
                note=f"Against the player: {error:+.4f} ± {spread:.4f} ppm.",
            )
        ], []  # fmt: skip
    return [], []


def _of_crosstalk(
    session: Session, _settings: ProgrammeSettings, _conditions: Conditions, limits: _Limits
) -> _Found:
    recorded = session.part("crosstalk")
    if recorded is None:
        return [], []
    return crosstalk(recorded, {channel: limit.gain_db for channel, limit in limits.items()})


def _of_gains(
    session: Session, settings: ProgrammeSettings, _conditions: Conditions, _limits: _Limits
) -> _Found:
    recorded = session.part("gains")
    figures: list[Figure] = []
    curves: list[Curve] = []
    for channel in range(recorded.channels if recorded is not None else 0):
        assert recorded is not None
        more_figures, more_curves = gain_figures(recorded, channel, settings.reference_gain_db)
        figures += more_figures
        curves += more_curves
    return figures, curves


def _of_noise(
    session: Session, settings: ProgrammeSettings, conditions: Conditions, limits: _Limits
) -> _Found:
    recorded = session.part("noise")
    if recorded is None:
        return [], []
    with_gains = session.part("gains")
    figures: list[Figure] = []
    for channel in range(recorded.channels):
        gains = {}
        if with_gains is not None and channel < with_gains.channels:
            gains = gain_levels(with_gains, channel)
        if channel in limits:
            gains.setdefault(settings.reference_gain_db, (limits[channel].gain_db, 0.01, 0.0))
        figures += noise_figures(
            recorded,
            channel,
            gains,
            conditions.dbu_offset,
            conditions.volts_uncertainty_db,
            conditions.source_ohm,
        )
    return figures, []


def _of_start(
    session: Session, _settings: ProgrammeSettings, _conditions: Conditions, _limits: _Limits
) -> _Found:
    recorded = session.part("start")
    if recorded is None:
        return [], []
    mark_s = recorded.part.head.start_s - MARK_BEFORE_SYNC_S
    value = recorded.placed.at(mark_s, recorded.rate) / recorded.rate
    return [
        Figure("pre_record", value, "s", "what the file holds before the mark at which record was pressed", "no clause: our method", HAND_S)
    ], []  # fmt: skip


def _of_cut(
    session: Session, _settings: ProgrammeSettings, _conditions: Conditions, _limits: _Limits
) -> _Found:
    recorded = session.part("cut")
    if recorded is None:
        return [], []
    mark = recorded.part.named("mark")[0]
    end_s = recorded.audio.info.length_samples / recorded.rate
    lost = recorded.placed.at(mark.start_s, recorded.rate) / recorded.rate - end_s
    said = " ".join(recorded.audio.info.recoveries) or "The file is whole as it stands."
    return [
        Figure(
            "lost_at_power_cut", lost, "s", f"the mark at {CUT_MARK_S:g} s, at which the power was cut, less the end of the file",
            "no clause: our method", HAND_S, note=said,
        )
    ], []  # fmt: skip


def _stated(conditions: Conditions) -> list[Figure]:
    if conditions.current_ma is None:
        return []
    supply = f" at {conditions.supply_v:g} V" if conditions.supply_v is not None else ""
    found = [Figure("current", conditions.current_ma, "mA", f"read by the person{supply}", "no clause", None)]
    if conditions.supply_v is not None:
        power = conditions.current_ma * conditions.supply_v / 1000
        found.append(
            Figure("power", power, "W", "volts times amperes, as read by the person", "no clause", None)
        )
    return found
