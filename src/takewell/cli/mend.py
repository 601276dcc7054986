"""``takewell mend``: joins a damaged track from its whole twin, as a new track."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON
from takewell.cli.output import figure, json_option, print_json, print_table, progress, say

if TYPE_CHECKING:
    from takewell.mend import MendedFile, MendedTrack, MendPlan


@click.command("mend", short_help="Join damaged tracks from whole twins, as new tracks.")
@click.argument("roll", type=click.Path(path_type=Path))
@click.option(
    "--take", "takes", multiple=True, metavar="TAKE", help="Only this take; may be given more than once."
)
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Where mended tracks go; takewell/mended in the roll unless given.",
)
@click.option("--dry-run", is_flag=True, help="Say what would be joined and from where; write nothing.")
@json_option
def command(roll: Path, takes: tuple[str, ...], to: Path | None, dry_run: bool, as_json: bool) -> int:
    """Join what is damaged on a track of a ROLL from another track with the same sound that is whole there.

    Each mended track is a new Broadcast Wave file; the originals are only read. Exits with 1 when damage is left that
    no twin could mend.
    """
    from takewell.cli.steps import examined, real_roll
    from takewell.mend import plan_mends, write_mended
    from takewell.roll import derived_folder

    found = real_roll(roll)
    derived_folder(found, to, "mended")  # a folder among the media is refused before any work is done
    for take in takes:
        found.take(take)
    examination = examined(found, quiet=as_json)
    with progress("lining up", wanted=not as_json) as show:
        plan = plan_mends(
            found,
            examination,
            takes or None,
            lambda take, done, whole: show(done, whole, take) if show else None,
        )
    if not as_json:
        _print_plan(plan, dry_run=dry_run)
    written: tuple[MendedFile, ...] = ()
    if not dry_run:
        with progress("mending", wanted=not as_json) as show:
            written = write_mended(
                found, plan.tracks, to, lambda done, whole: show(done, whole, "") if show else None
            )
    if as_json:
        _print_lines(plan, {(file.take, file.track): str(file.target) for file in written})
    else:
        for file in written:
            print(f"{file.take} track {file.track} ({file.name}): {file.target}")
    return NEEDS_A_PERSON if any(left.needed for left in plan.not_mended) else DONE


def _print_plan(plan: "MendPlan", *, dry_run: bool) -> None:
    if plan.tracks:
        rows = [row for track in plan.tracks for row in _rows(track)]
        print_table(
            ("take", "track", "from", "until", "taken from", "gain, dB", "left, dB", "mends"),
            rows,
            numbers=(2, 3, 5, 6),
            title="What would be joined" if dry_run else "What is joined",
        )
    elif not plan.not_mended:
        print("Nothing is damaged that a twin could mend.")
    for left in plan.not_mended:
        say(f"{left.take} track {left.track} ({left.name}): {left.sentence}")


def _rows(mended: "MendedTrack") -> list[tuple[str, ...]]:
    twin = f"{mended.twin.number} {mended.twin.name}" + (
        "" if mended.twin_take == mended.take else f" of {mended.twin_take}"
    )
    return [
        (
            mended.take,
            f"{mended.track.number} {mended.track.name}",
            f"{join.start_samples / mended.rate:.3f} s",
            f"{join.end_samples / mended.rate:.3f} s",
            twin,
            figure(join.gains_db[0][1], 2),
            figure(max(join.left_db, -144.0), 0),
            ", ".join(kind.replace("_", " ") for kind in join.damage),
        )
        for join in mended.joins
    ]


def _print_lines(plan: "MendPlan", targets: dict[tuple[str, int], str]) -> None:
    for mended in plan.tracks:
        print_json(
            {
                "take": mended.take,
                "track": mended.track.number,
                "name": mended.track.name,
                "from_take": mended.twin_take,
                "from_track": mended.twin.number,
                "encoding": mended.encoding,
                "file": targets.get((mended.take, mended.track.number)),
                "joins": [
                    {
                        "start_s": join.start_samples / mended.rate,
                        "end_s": join.end_samples / mended.rate,
                        "fade_in_s": join.fade_in_samples / mended.rate,
                        "fade_out_s": join.fade_out_samples / mended.rate,
                        "damage": join.damage,
                        "damaged_s": join.damaged_samples / mended.rate,
                        "delay_samples": [delay for _, delay in join.delays],
                        "gain_db": [gain_db for _, gain_db in join.gains_db],
                        "left_db": join.left_db,
                    }
                    for join in mended.joins
                ],
            }
        )
    for left in plan.not_mended:
        print_json(
            {
                "take": left.take,
                "track": left.track,
                "name": left.name,
                "not_mended": left.sentence,
                "needed": left.needed,
            }
        )
