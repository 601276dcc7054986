"""``takewell mix``: the microphones of each take share one gain."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON
from takewell.cli.output import figure, json_option, print_json, print_table, say
from takewell.cli.steps import Layout, Samples, ceiling_option, given_options, target_option

if TYPE_CHECKING:
    from takewell.mix import Mix


def _voices(
    _context: click.Context, _parameter: click.Parameter, values: tuple[str, ...]
) -> tuple[tuple[int | str, ...], ...]:
    """Return each voice's tracks, by number or by name."""
    split = [[word.strip() for word in value.split(",")] for value in values]
    return tuple(tuple(int(word) if word.isdecimal() else word for word in words) for words in split)


def _by_track(
    _context: click.Context, parameter: click.Parameter, values: tuple[str, ...]
) -> dict[int, float]:
    """Return numbers by track."""
    found = {}
    for value in values:
        track, _, number = value.partition("=")
        try:
            found[int(track)] = float(number)
        except ValueError:
            raise click.BadParameter(f"{value!r} is no track and number such as 3=-0.5.", param=parameter) from None  # fmt: skip
    return found


@click.command("mix", short_help="Mix a roll's microphones automatically.")
@click.argument("roll", type=click.Path(path_type=Path))
@click.option(
    "--take", "takes", multiple=True, metavar="TAKE", help="Only this take; may be given more than once."
)
@click.option("--layout", default="mono", show_default=True, type=click.Choice(["mono", "stereo", "5.1"]))
@click.option(
    "--by",
    default="level",
    show_default=True,
    type=click.Choice(["level", "talker"]),
    help="Share by all that a microphone hears, or only by its own talker (less spill).",
)
@click.option(
    "--follow",
    multiple=True,
    callback=_voices,
    metavar="TRACK,TRACK",
    help="These tracks (names or numbers) hear one voice: the first unless another is better, cross-faded in pauses.",
)
@click.option(
    "--weight",
    "weights_db",
    multiple=True,
    callback=_by_track,
    metavar="TRACK=DB",
    help="Let a track count for more or less.",
)
@click.option(
    "--pan",
    "pans",
    multiple=True,
    callback=_by_track,
    metavar="TRACK=PLACE",
    help="Place of a track: -1 left, 0 middle, 1 right.",
)
@click.option(
    "--high-pass", "high_pass_hz", default=0.0, metavar="HZ", help="High-pass every track, 24 dB an octave."
)
@click.option(
    "--notch-hum", is_flag=True, help="Notch mains hum out of tracks that have it, as the mains wanders."
)
@click.option(
    "--line-up/--as-recorded", default=True, help="Delay microphones that would comb, or leave their times."
)
@click.option(
    "--field",
    type=click.Choice(["ambix", "fuma"]),
    default=None,
    help="Write sound fields as B-format files too, in this convention.",
)
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
    help="These and the rest from the table [mix] of a file; options given here win.",
)
@click.option("--explain", is_flag=True, help="Say below the table what was decided, and why.")
@json_option
def command(
    roll: Path,
    takes: tuple[str, ...],
    layout: Layout,
    by: str,
    follow: tuple[tuple[int | str, ...], ...],
    weights_db: dict[int, float],
    pans: dict[int, float],
    high_pass_hz: float,
    notch_hum: bool,
    line_up: bool,
    field: str | None,
    target_lufs: float,
    ceiling_dbtp: float,
    to: Path | None,
    samples: Samples,
    settings_file: Path | None,
    explain: bool,
    as_json: bool,
) -> int:
    """Mix the ISOs of each take of a ROLL, levelled by its moves: each microphone's share of one gain is its share of the level.

    Exits with 1 when a mix could not reach its loudness below the ceiling.
    """
    from takewell.cli.steps import mixed, real_roll
    from takewell.mix import MixSettings, sentences

    base = MixSettings() if settings_file is None else MixSettings.from_toml(settings_file)
    given = given_options(
        {
            "layout": layout,
            "by": by,
            "follow": follow,
            "high_pass_hz": high_pass_hz,
            "notch_hum": notch_hum,
            "line_up": line_up,
            "field": field,
            "target_lufs": target_lufs,
            "ceiling_dbtp": ceiling_dbtp,
        }
    )
    tables = {"weights_db": weights_db, "pans": pans}
    merged = {name: {**getattr(base, name), **table} for name, table in tables.items()}
    settings = MixSettings.from_mapping({**given, **merged}, base)
    mixes = mixed(real_roll(roll), settings, takes or None, encoding=samples, out=to, quiet=as_json)
    if as_json:
        for mix in mixes:
            print_json(mix)
    else:
        _print_table(mixes)
        for mix in mixes if explain else ():
            print(f"{mix.take}")
            for sentence in sentences(mix):
                print(f"  {sentence}")
    for mix in mixes:
        if mix.limited_by_peaks:
            say(
                f"{mix.take}: the peaks leave no room for {settings.target_lufs:g} LUFS; it came to {figure(mix.loudness_lufs)} LUFS."
            )
    return NEEDS_A_PERSON if any(mix.limited_by_peaks for mix in mixes) else DONE


def _print_table(mixes: "Sequence[Mix]") -> None:
    rows = [
        (
            mix.take,
            figure(mix.loudness_lufs),
            figure(mix.true_peak_dbtp),
            ", ".join(f"{c.name} {c.sound:.0%}" for c in sorted(mix.contributions, key=lambda c: -c.sound)),
            str(mix.target),
        )
        for mix in mixes
    ]
    print_table(("take", "LUFS", "dBTP", "whose sound it is", "file"), rows, numbers=(1, 2))
