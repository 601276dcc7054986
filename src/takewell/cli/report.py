"""``takewell report``: the sound report alone."""

from pathlib import Path

import click

from takewell.cli.main import DONE, REFUSED
from takewell.cli.output import json_option, print_json, progress, say


@click.command("report", short_help="Write the sound report alone: PDF, HTML, CSV.")
@click.argument("roll", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Where it goes; takewell/report in the roll unless given.",
)
@click.option(
    "--format", "formats", multiple=True, metavar="FORMAT", help="pdf, html or csv; all three unless given."
)
@click.option(
    "--target",
    default=-23.0,
    show_default=True,
    metavar="LUFS",
    help="Where dialogue should lie; drawn as a line.",
)
@json_option
def command(
    roll: tuple[Path, ...], to: Path | None, formats: tuple[str, ...], target: float, as_json: bool
) -> int:
    """Write the sound report of a ROLL: what was recorded, how good it is, what was found, and what to do."""
    from takewell.cli.steps import examined, opened
    from takewell.errors import SettingError
    from takewell.handover import FORMATS, write_report

    found = opened(roll)
    if to is None:
        if not found.keeps:
            raise SettingError(
                "these files are no roll and nothing is written beside them; say where the report goes with --to."
            )
        to = found.folder / "takewell" / "report"
    examined(found, quiet=as_json)
    with progress("writing the report", wanted=not as_json) as show:
        written = write_report(found, to, formats or FORMATS, target_lufs=target, progress=show)
    if as_json:
        print_json({"files": [str(path) for path in written]})
    else:
        for path in written:
            print(path)
    for sentence in found.unreadable:
        say(f"takewell: {sentence}")
    return REFUSED if found.unreadable else DONE
