"""``takewell takes``: the takes and tracks of a roll."""

from pathlib import Path

import click

from takewell.cli.main import DONE, REFUSED
from takewell.cli.output import json_option, print_json, print_table, say


@click.command("takes", short_help="List the takes and tracks of a roll.")
@click.argument("roll", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--tracks", is_flag=True, help="One line per track instead of one per take.")
@json_option
def command(roll: tuple[Path, ...], tracks: bool, as_json: bool) -> int:
    """List what is on a ROLL: takes in the order of the day, or every track with --tracks.

    Takes single files and folders too, and writes nothing beside those. With --json one line per take.
    """
    from takewell.cli.steps import opened

    found = opened(roll)
    if as_json:
        for take in found.takes:
            print_json(
                {
                    **vars(take),
                    "start": take.start and str(take.start),
                    "timecode_rate": take.timecode_rate and str(take.timecode_rate),
                }
            )
    elif tracks:
        lines = [
            (
                take.id,
                str(t.number),
                t.name,
                t.role,
                t.encoding,
                f"{t.file}  channel {t.channel}",
                t.group or "",
            )
            for take in found.takes
            for t in take.tracks
        ]
        print_table(("take", "track", "name", "role", "samples", "in", "group"), lines, numbers=(1,))
    elif found.takes:
        rows = [
            (
                take.id,
                str(take.start) if take.start else "–",
                _length(float(take.duration_s)),
                take.kind.replace("_", " "),
                f"{len(take.tracks)} at {take.rate / 1000:g} kHz",
                str(len(take.files)),
                ("circled  " if take.circled else "") + take.note,
            )
            for take in found.takes
        ]
        print_table(("take", "start", "length", "kind", "tracks", "files", "note"), rows, numbers=(2, 5))
    for take in found.takes:
        for sentence in take.warnings:
            say(f"{take.id}: {sentence}")
    for sentence in (*found.warnings, *found.unreadable):
        say(sentence)
    return REFUSED if found.unreadable else DONE


def _length(seconds: float) -> str:
    whole = round(seconds)
    return (
        f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
        if whole >= 3600
        else f"{whole // 60}:{whole % 60:02d}"
    )
