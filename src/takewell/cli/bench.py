"""``takewell bench``: test signals for a recorder, its data sheet, recorders side by side, a place in dB SPL."""

import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE
from takewell.cli.output import existing, figure, json_option, print_json, print_table, progress, say
from takewell.errors import SettingError

if TYPE_CHECKING:
    from takewell.bench import DataSheet


def _gains(_context: click.Context, _parameter: click.Parameter, value: str) -> tuple[float, ...]:
    try:
        return tuple(float(word) for word in value.split(","))
    except ValueError:
        raise SettingError(
            f"--gains {value}: gain settings are numbers with commas, such as 0,20,40."
        ) from None


@click.group("bench", short_help="Test signals for a recorder, and a data sheet from its recordings.")
def command() -> None:
    """Measure a recorder: write a test programme, record it, get a data sheet and a kit profile.

    Each takes --json. docs/bench.md says step by step how.
    """


@command.command("signals", short_help="Write the test programme and its cue sheet.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--rate", default=48_000, show_default=True, metavar="HZ", help="Sampling rate of the player.")
@click.option("--channels", default=2, show_default=True, metavar="N", help="Channels of the player.")
@click.option("--top", "top_dbfs", default=12.0, show_default=True, metavar="DB", help="Highest level over full scale.")  # fmt: skip
@click.option("--gains", default="0,20,40", show_default=True, metavar="DB,DB,...", callback=_gains, help="Settings of the recorder's gain to go through.")  # fmt: skip
@click.option("--reference-gain", "reference_gain_db", default=0.0, show_default=True, metavar="DB", help="Its setting during everything else.")  # fmt: skip
@click.option("--float-recorder", is_flag=True, help="Gain steps keep one level: a float file holds them all.")  # fmt: skip
@click.option("--pause", "pause_s", default=15.0, show_default=True, metavar="S", help="Time to turn a knob or change a plug.")  # fmt: skip
@json_option
def signals(
    folder: Path,
    rate: int,
    channels: int,
    top_dbfs: float,
    gains: tuple[float, ...],
    reference_gain_db: float,
    float_recorder: bool,
    pause_s: float,
    as_json: bool,
) -> int:
    """Write test signals as Broadcast Wave files into FOLDER, with a cue sheet of what to plug and turn, and when.

    No headphones or loudspeakers while they play; phantom power off.
    """
    from takewell.bench import ProgrammeSettings, write_signals

    settings = ProgrammeSettings(
        rate=rate, channels=channels, top_dbfs=top_dbfs, gain_settings_db=gains,
        reference_gain_db=reference_gain_db, float_recorder=float_recorder, pause_s=pause_s,
    )  # fmt: skip
    with progress("writing", wanted=not as_json) as show:
        written = write_signals(folder, settings, progress=show)
    if as_json:
        print_json(written)
        return DONE
    rows = [
        (path.name, f"{length:.0f} s") for path, length in zip(written.files, written.lengths_s, strict=True)
    ]
    print_table(("file", "length"), rows, numbers=(1,), title=f"{folder}: the test programme")
    say(f"Read {written.cue_sheet} first. No headphones, no loudspeakers; phantom power off.")
    return DONE


@command.command("measure", short_help="Make a data sheet from a recorder's files of the programme.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), callback=existing)
@click.option("--programme", required=True, type=click.Path(path_type=Path), callback=existing, metavar="FILE", help="programme.toml of the signals.")  # fmt: skip
@click.option("--name", default="recorder", show_default=True, help="What to call the recorder.")
@click.option("--volts", type=float, metavar="V", help="Player's RMS volts during the 0 dBFS tone.")
@click.option("--pad", "pad_db", default=0.0, metavar="DB", help="Pad between there and the input.")
@click.option("--volts-uncertainty", default=0.1, show_default=True, metavar="DB", help="Of the volts.")
@click.option("--source-ohm", default=150.0, show_default=True, metavar="OHM", help="The terminator.")
@click.option("--loopback", multiple=True, type=click.Path(path_type=Path), callback=existing, metavar="FILE", help="A recording of the player looped back; may be given again.")  # fmt: skip
@click.option("--player-ppm", default=0.0, metavar="PPM", help="Error of the player's clock, positive if fast.")  # fmt: skip
@click.option("--player-ppm-uncertainty", default=1.0, show_default=True, metavar="PPM", help="Of that.")
@click.option("--current-ma", type=float, metavar="MA", help="Current drawn while recording.")
@click.option("--supply-v", type=float, metavar="V", help="Voltage it was drawn at.")
@click.option("--into", type=click.Path(path_type=Path), metavar="DIR", help="Write data sheet, drawings and kit profiles there.")  # fmt: skip
@click.option("--base", metavar="PROFILE", help="Data-sheet profile of the input whose values are replaced.")
@click.option("--channel", default=1, show_default=True, metavar="N", help="Channel that speaks for the input in the profile.")  # fmt: skip
@json_option
def measure(
    files: tuple[Path, ...],
    programme: Path,
    name: str,
    volts: float | None,
    pad_db: float,
    volts_uncertainty: float,
    source_ohm: float,
    loopback: tuple[Path, ...],
    player_ppm: float,
    player_ppm_uncertainty: float,
    current_ma: float | None,
    supply_v: float | None,
    into: Path | None,
    base: str | None,
    channel: int,
    as_json: bool,
) -> int:
    """Measure FILES, a recorder's recordings of the test programme, in any order and with nothing trimmed.

    Every number comes with method, clause and uncertainty; what the player limited is marked.
    """
    from takewell.bench import Conditions, measure_recorder, read_settings, sheet_document

    conditions = Conditions(
        name, volts, pad_db, volts_uncertainty, source_ohm, player_ppm, player_ppm_uncertainty, current_ma, supply_v
    )  # fmt: skip
    with progress("measuring", wanted=not as_json) as show:
        sheet = measure_recorder(
            files, read_settings(programme), conditions, loopback=loopback, progress=show
        )
    if into is not None:
        _write(sheet, into, base, channel)
    if as_json:
        print_json(sheet_document(sheet))
        return DONE
    _print(sheet)
    return DONE


def _write(sheet: "DataSheet", into: Path, base: str | None, channel: int) -> None:
    from takewell.bench import comparison_drawings, write_profiles, write_sheet
    from takewell.files import make_folder, write_text
    from takewell.kit import RecorderInput, find_profile

    stem = "".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in sheet.name)
    found = find_profile(base, RecorderInput) if base is not None else None
    make_folder(into)
    path = into / f"{stem}.json"
    write_sheet(sheet, path)
    written = [path]
    for key, drawing in comparison_drawings((sheet,)).items():
        written.append(into / f"{stem}-{key.replace('_', '-')}.svg")
        write_text(written[-1], drawing)
    profiles, sentences = write_profiles(
        sheet, into, stem, date=datetime.date.today().isoformat(), sheet_file=path.name, base=found, channel=channel  # noqa: DTZ011 - the day where the person is
    )  # fmt: skip
    for path in (*written, *profiles):
        say(f"{path} written.")
    for sentence in sentences:
        say(sentence)


def _print(sheet: "DataSheet") -> None:
    from takewell.bench import LABELS

    methods: dict[str, int] = {}
    rows = []
    for one in sheet.figures:
        number = methods.setdefault(f"{one.method} ({one.clause})", len(methods) + 1)
        said = (one.at, "LIMITED BY THE PLAYER." if one.limited_by_generator else "", one.note)
        at_least = "≥ " if one.note.startswith("Not reached") else ""
        rows.append(
            (
                LABELS.get(one.key, one.key),
                str(one.channel or ""),
                at_least + figure(one.value, 4 if one.unit == "ppm" else 2),
                one.unit,
                f"± {one.uncertainty:.2g}" if one.uncertainty is not None else "",
                str(number),
                "  ".join(words for words in said if words),
            )
        )
    headings = ("figure", "channel", "value", "unit", "95 %", "how", "condition")
    print_table(headings, rows, numbers=(1, 2, 5), title=sheet.name)
    for words, number in methods.items():
        print(f"  {number:2d}  {words}")
    for note in sheet.notes:
        say(note)


@command.command("compare", short_help="Put recorders' data sheets side by side.")
@click.argument("sheets", nargs=-1, required=True, type=click.Path(path_type=Path), callback=existing)
@click.option("--into", type=click.Path(path_type=Path), metavar="DIR", help="Write the drawings there.")
@json_option
def compare(sheets: tuple[Path, ...], into: Path | None, as_json: bool) -> int:
    """Compare SHEETS, the JSON files of ``bench measure --into``: one row a figure, one column a recorder."""
    from takewell.bench import compare as compare_sheets
    from takewell.bench import comparison_drawings, read_sheet
    from takewell.files import make_folder, write_text

    read = tuple(read_sheet(path) for path in sheets)
    rows = compare_sheets(read)
    if into is not None:
        make_folder(into)
        for key, drawing in comparison_drawings(read).items():
            path = into / f"{key.replace('_', '-')}.svg"
            write_text(path, drawing)
            say(f"{path} written.")
    if as_json:
        print_json({"recorders": [sheet.name for sheet in read], "figures": rows})
        return DONE
    lines = [
        (row.label, row.unit, row.at, *(_cell(one.value, limited=one.limited_by_generator) if one else "–" for one in row.figures))
        for row in rows
    ]  # fmt: skip
    names = [sheet.name for sheet in read]
    print_table(("figure", "unit", "condition", *names), lines, numbers=range(3, 3 + len(names)))
    if any(one and one.limited_by_generator for row in rows for one in row.figures):
        say("* the player limited this number: the recorder is at least as good.")
    return DONE


def _cell(value: float | None, *, limited: bool) -> str:
    return figure(value, 2) + (" *" if limited else "")


@command.command("location", short_help="Read a place's noise and levels in dB SPL.")
@click.argument("file", type=click.Path(path_type=Path), callback=existing)
@click.option("--calibrator", type=click.Path(path_type=Path), callback=existing, metavar="FILE", help="The calibrator's tone, recorded at the same gain.")  # fmt: skip
@click.option("--calibrator-level", default=94.0, show_default=True, metavar="DB", help="What it gives, in dB SPL.")  # fmt: skip
@click.option("--full-scale", "full_scale_db_spl", type=float, metavar="DB", help="Instead: the dB SPL that reads 0 dBFS, as stated.")  # fmt: skip
@json_option
def location(
    file: Path,
    calibrator: Path | None,
    calibrator_level: float,
    full_scale_db_spl: float | None,
    as_json: bool,
) -> int:
    """Read FILE, a recording made at a place, in dB SPL: its noise and levels, for the plan."""
    from takewell.bench import CALIBRATOR_UNCERTAINTY_DB, measure_location, spl_at_full_scale

    if (calibrator is None) == (full_scale_db_spl is None):
        raise SettingError("bench location needs --calibrator FILE or --full-scale DB, one of the two.")
    uncertainty = None
    if calibrator is not None:
        full_scale_db_spl = spl_at_full_scale(calibrator, calibrator_level)
        uncertainty = CALIBRATOR_UNCERTAINTY_DB
    assert full_scale_db_spl is not None
    found = measure_location(file, full_scale_db_spl, uncertainty_db=uncertainty)
    if as_json:
        print_json(found)
        return DONE
    rows = [
        (str(one.channel), *(figure(v) for v in (one.leq_db_a, one.leq_db_c, one.l90_db_a, one.l50_db_a, one.l10_db_a, one.peak_db)))
        for one in found
    ]  # fmt: skip
    headings = ("channel", "Leq dB(A)", "Leq dB(C)", "L90 dB(A)", "L50 dB(A)", "L10 dB(A)", "peak dB")
    print_table(
        headings,
        rows,
        numbers=range(len(headings)),
        title=f"{file}: 0 dBFS is {figure(full_scale_db_spl)} dB SPL",
    )
    if found[0].l90_db_a is not None:
        print(f"For the plan (L90, what is always there): room_noise_db_a = {found[0].l90_db_a:.1f}")
    return DONE
