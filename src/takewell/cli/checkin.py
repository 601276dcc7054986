"""``takewell checkin``: cards are copied, verified, sorted into takes and measured in one read."""

from pathlib import Path

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON, REFUSED
from takewell.cli.output import json_option, print_json, print_table, progress, say


@click.command(
    "checkin", short_help="Copy cards, verify the copies, sort into takes, measure in the same read."
)
@click.argument("cards", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to",
    "destinations",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Where the roll goes; give it once per copy, on different disks.",
)
@click.option(
    "--hash",
    "hashes",
    multiple=True,
    metavar="NAME",
    help="Hash for the manifest: xxh128 (default), xxh3, xxh64, md5, sha1, c4. May be given more than once.",
)
@click.option("--no-measure", is_flag=True, help="Copy and verify only; measuring can be done later.")
@click.option("--dry-run", is_flag=True, help="Say what would be done and do nothing.")
@json_option
def command(
    cards: tuple[Path, ...],
    destinations: tuple[Path, ...],
    hashes: tuple[str, ...],
    no_measure: bool,
    dry_run: bool,
    as_json: bool,
) -> int:
    """Copy CARDS to one or more folders, read every copy back, and say whether the cards may be erased.

    One read of the card copies, hashes and measures. Nothing that is there already is overwritten; a check-in
    that was interrupted goes on where it stopped.
    """
    from takewell.checkin import CheckinProgress, check_in

    if not (no_measure or dry_run):
        from takewell import engine

        engine.ready(say)
    with progress("checking in", wanted=not as_json) as show:

        def told(state: CheckinProgress) -> None:
            if show:
                show(
                    state.done_bytes,
                    state.total_bytes,
                    f"{state.rate_bytes_per_s / 1e6:.0f} MB/s  {state.file}",
                )

        report = check_in(
            cards,
            destinations,
            measure=not no_measure,
            dry_run=dry_run,
            progress=told,
            **({"hashes": hashes} if hashes else {}),
        )
    if as_json:
        print_json(report)
    elif dry_run:
        print_table(
            ("card", "file", "to", "what"),
            [(s.card, s.path, s.destination, s.sentence or s.action) for s in report.plan],
        )
    else:
        rows = [
            (
                d.folder,
                str(d.copied_files),
                str(d.identical_files),
                f"{d.copied_bytes / 1e9:.2f} GB",
                d.manifest or "–",
            )
            for d in report.destinations
        ]
        print_table(("roll", "copied", "there already", "amount", "manifest"), rows, numbers=(1, 2, 3))
    for left in report.left_out:
        if left.matters:
            say(f"not copied: {left.path}: {left.reason}")
    for sound in report.unreadable_sound:
        say(f"copied but not measured: {sound.sentence}")
    for sentence in (*report.notes, *report.problems):
        say(sentence)
    if not as_json:
        print(report.sentence)
    return REFUSED if report.problems else DONE if report.complete or dry_run else NEEDS_A_PERSON
