"""``takewell handover``: the package for the editor."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON
from takewell.cli.output import json_option, print_json, print_table, progress, say
from takewell.cli.steps import Layout

if TYPE_CHECKING:
    from takewell.handover import HandoverReport, Options
    from takewell.roll import Roll


@click.command("handover", short_help="Write the package for the editor: files, metadata, manifest, report.")
@click.argument("roll", type=click.Path(path_type=Path))
@click.option(
    "--to",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="The package's folder; it must not exist yet, or be empty.",
)
@click.option(
    "--spec",
    required=True,
    type=click.Choice(["editorial", "finished"]),
    help="editorial: originals, levelled mix, report. finished: levelled to a loudness document, checked.",
)
@click.option(
    "--loudness",
    default="r128",
    show_default=True,
    metavar="NAME",
    help="Loudness document of a finished package: r128, a85, td1008-speech.",
)
@click.option("--mono", "split", is_flag=True, help="One mono file per track instead of the poly files.")
@click.option("--conform", is_flag=True, help="Everything at 48 kHz, 24 bits.")
@click.option(
    "--names",
    default="{original}",
    show_default=True,
    metavar="PATTERN",
    help="Names of delivered files, such as {scene}T{take}_{name}.",
)
@click.option(
    "--layout",
    default="mono",
    show_default=True,
    type=click.Choice(["mono", "stereo"]),
    help="Layout of the mixes.",
)
@json_option
def command(
    roll: Path,
    to: Path,
    spec: str,
    loudness: str,
    split: bool,
    conform: bool,
    names: str,
    layout: Layout,
    as_json: bool,
) -> int:
    """Hand a ROLL over: delivered copies with corrected names, levelled mixes, manifest, and the sound report.

    Levels and mixes on the way, with your own moves respected. Exits with 1 when the spec is not met; the report
    says where.
    """
    from takewell.cli.steps import real_roll
    from takewell.handover import Options

    options = Options(spec=spec, loudness=loudness, split=split, conform=conform, names=names)  # type: ignore[arg-type]
    report = handed_over(real_roll(roll), to, options, layout=layout, quiet=as_json)
    if as_json:
        print_json(report)
    else:
        show_package(report)
    return DONE if report.met else NEEDS_A_PERSON


def handed_over(
    roll: "Roll", to: Path, options: "Options", *, layout: Layout, quiet: bool
) -> "HandoverReport":
    """Examine, level, mix and hand over a roll; nothing in the roll changes but its logbook.

    An editorial package is levelled as the roll was levelled last, a finished one to its loudness document; a
    person's own moves stand in both.
    """
    from dataclasses import replace

    from takewell.cli.steps import examined, mixed, planned, rendered
    from takewell.files import work_folder
    from takewell.handover import check_options, hand_over
    from takewell.level import roll_settings
    from takewell.mend import mended_files
    from takewell.mix import MixSettings

    spec = check_options(roll, to, options)
    settings = roll_settings(roll.folder)
    if options.spec == "finished":
        settings = replace(
            settings, target_lufs=spec.target_lufs, ceiling_dbtp=spec.max_true_peak_dbtp, line_up_dbfs=None
        )
    examined(roll, quiet=quiet)
    moves = planned(roll, settings, quiet=quiet)
    mix_settings = MixSettings(
        layout=layout, target_lufs=settings.target_lufs, ceiling_dbtp=settings.ceiling_dbtp
    )
    with work_folder(to.parent) as work:
        levelled: dict[str, list[Path]] = {}
        if options.spec == "finished":
            for copy in rendered(roll, settings, None, moves=moves, out=work / "levelled", quiet=quiet):
                levelled.setdefault(copy.take, []).append(copy.target)
        mixes = mixed(roll, mix_settings, None, moves=moves, out=work / "mix", quiet=quiet)
        mended: dict[str, dict[Path, str]] = {}
        for file in mended_files(roll):
            mended.setdefault(file.take, {})[file.target] = file.sentence
        with progress("handing over", wanted=not quiet) as show:
            return hand_over(
                roll,
                to,
                options,
                mixes={mix.take: [mix.target] for mix in mixes},
                levelled=levelled,
                moves=moves,
                target_lufs=settings.target_lufs,
                mended=mended,
                progress=show,
            )


def show_package(report: "HandoverReport") -> None:
    """Print what was handed over and what it was held against."""
    rows = [(folder, str(count), f"{size / 1e6:.1f} MB") for folder, (count, size) in report.folders.items()]
    print_table(("folder", "files", "size"), rows, numbers=(1, 2), title=str(report.folder))
    if report.checks:
        held = [(c.what, c.required, c.found, "met" if c.passed else "NOT MET") for c in report.checks]
        print_table(("what was checked", "required", "found", "result"), held)
    for note in report.notes:
        say(note)
    print(f"Sound report: {report.folder / 'report' / 'sound-report.pdf'}")
