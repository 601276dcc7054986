"""``takewell verify``: a folder is held against its manifest."""

from pathlib import Path

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON
from takewell.cli.output import json_option, print_json, progress


@click.command("verify", short_help="Hold a folder against its manifest.")
@click.argument("folder", type=click.Path(path_type=Path))
@json_option
def command(folder: Path, as_json: bool) -> int:
    """Read every file of FOLDER and name each one that changed, is missing, or was never recorded."""
    from takewell.checkin import verify_folder

    with progress("verifying", wanted=not as_json) as show:
        report = verify_folder(folder, progress=lambda done, whole: show(done, whole, "") if show else None)
    if as_json:
        print_json(report)
    else:
        for file in report.files:
            if file.verdict != "verified":
                print(file.sentence)
        print(report.sentence)
    return DONE if report.whole else NEEDS_A_PERSON
