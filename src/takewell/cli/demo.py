"""``takewell demo``: an invented shoot day, carried from card to hand-over, and held against the truth."""

from pathlib import Path

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON
from takewell.cli.output import json_option, print_json, say


@click.command("demo", short_help="Write an invented shoot day and carry it from card to hand-over.")
@click.argument("folder", default="demo-day", type=click.Path(path_type=Path))
@json_option
def command(folder: Path, as_json: bool) -> int:
    """Write an invented card into FOLDER and run the whole job on it: check-in, examination, levels, mix, hand-over.

    Ends by saying what was found against what was planted; exits with 0 when everything was.
    """
    from takewell.checkin import check_in
    from takewell.cli.handover import handed_over, show_package
    from takewell.cli.steps import examine_roll, loops_ready, proposed, real_roll
    from takewell.demo import compare, write_day
    from takewell.errors import DestinationError
    from takewell.handover import Options
    from takewell.level import LevelSettings

    if folder.exists() and not (folder.is_dir() and (_is_empty(folder) or (folder / "truth.json").exists())):
        raise DestinationError(f"{folder} holds something that is no earlier demo; choose an empty folder.")
    loops_ready()
    say(f"Writing an invented shoot day into {folder} ...")
    truth = write_day(folder)
    say("Checking the card in: copying, verifying, measuring ...")
    report = check_in([folder / "card"], [folder / "roll"])
    say(report.sentence)
    roll = real_roll(folder / "roll")
    say("Examining every track ...")
    examination = examine_roll(roll, quiet=as_json)
    say("Levelling, mixing, handing over ...")
    proposed(roll, LevelSettings(), None, quiet=as_json)
    package = handed_over(roll, _free_name(folder), Options("editorial"), layout="mono", quiet=as_json)
    comparison = compare(truth, examination.findings, examination.verdicts)
    if as_json:
        print_json({"package": package, "comparison": comparison.lines, "complete": comparison.complete})
    else:
        show_package(package)
        print("\nWhat was found, against what was planted:\n")
        print("\n".join(comparison.lines))
        print(f"\nNow open {package.folder / 'report' / 'sound-report.pdf'}")
    return DONE if comparison.complete else NEEDS_A_PERSON


def _is_empty(folder: Path) -> bool:
    """Return whether a folder holds nothing, or nothing but a roll without sound: the page's record of this run."""
    roll = folder / "roll"
    return {entry.name for entry in folder.iterdir()} <= {"roll"} and (
        not roll.is_dir() or {entry.name for entry in roll.iterdir()} <= {"takewell"}
    )


def _free_name(folder: Path) -> Path:
    """Return where this run's package goes: an earlier one is not overwritten."""
    count = 1
    while (place := folder / ("package" if count == 1 else f"package-{count}")).exists():
        count += 1
    return place
