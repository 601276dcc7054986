"""``takewell mix``: the microphones of each take share one gain."""

from pathlib import Path

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON
from takewell.cli.output import figure, json_option, print_json, print_table, say
from takewell.cli.steps import Layout, Samples, ceiling_option, given_options, target_option


@click.command("mix", short_help="Mix a roll's microphones automatically.")
@click.argument("roll", type=click.Path(path_type=Path))
@click.option(
    "--take", "takes", multiple=True, metavar="TAKE", help="Only this take; may be given more than once."
)
@click.option("--layout", default="mono", show_default=True, type=click.Choice(["mono", "stereo"]))
@target_option
@ceiling_option
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Where mixes go; takewell/mix in the roll unless given.",
)
@click.option(
    "--samples", default="int24", show_default=True, type=click.Choice(["int24", "int16", "float32"])
)
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    metavar="TOML",
    help="Weights, pans and the rest from the table [mix] of a file; options given here win.",
)
@json_option
def command(
    roll: Path,
    takes: tuple[str, ...],
    layout: Layout,
    target_lufs: float,
    ceiling_dbtp: float,
    to: Path | None,
    samples: Samples,
    settings_file: Path | None,
    as_json: bool,
) -> int:
    """Mix the ISOs of each take of a ROLL, levelled by its moves: each microphone's share of one gain is its share of the level.

    Exits with 1 when a mix could not reach its loudness below the ceiling.
    """
    from takewell.cli.steps import mixed, real_roll
    from takewell.mix import MixSettings

    base = None if settings_file is None else MixSettings.from_toml(settings_file)
    given = given_options({"layout": layout, "target_lufs": target_lufs, "ceiling_dbtp": ceiling_dbtp})
    settings = MixSettings.from_mapping(given, base)
    mixes = mixed(real_roll(roll), settings, takes or None, encoding=samples, out=to, quiet=as_json)
    if as_json:
        for mix in mixes:
            print_json(mix)
    else:
        rows = [
            (
                mix.take,
                figure(mix.loudness_lufs),
                figure(mix.true_peak_dbtp),
                ", ".join(
                    f"{c.name or c.track} {c.sound:.0%}"
                    for c in sorted(mix.contributions, key=lambda c: -c.sound)
                ),
                str(mix.target),
            )
            for mix in mixes
        ]
        print_table(("take", "LUFS", "dBTP", "whose sound it is", "file"), rows, numbers=(1, 2))
    for mix in mixes:
        if mix.limited_by_peaks:
            say(
                f"{mix.take}: the peaks leave no room for {settings.target_lufs:g} LUFS; it came to {figure(mix.loudness_lufs)} LUFS."
            )
    return NEEDS_A_PERSON if any(mix.limited_by_peaks for mix in mixes) else DONE
