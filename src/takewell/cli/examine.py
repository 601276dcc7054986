"""``takewell examine``: findings and verdicts."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON, REFUSED
from takewell.cli.output import json_option, print_json, print_table, say

if TYPE_CHECKING:
    from takewell.roll import Examination, Roll

_WORST_FIRST = ("lost", "mend", "level", "good")


@click.command("examine", short_help="Say what is good, what only looks ruined, what is lost, and where.")
@click.argument("roll", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--all", "show_all", is_flag=True, help="List the tracks that are good too, and remarks.")
@json_option
def command(roll: tuple[Path, ...], show_all: bool, as_json: bool) -> int:
    """Examine every track of a ROLL (or of loose files and folders): what was found, worst first, and what to do.

    Exits with 1 when a track is damaged or lost. With --json one finding per line, then one line per track with
    its verdict.
    """
    from takewell.cli.steps import examine_roll, opened

    found = opened(roll)
    examination = examine_roll(found, quiet=as_json)
    if as_json:
        _print_lines(examination)
    else:
        _print(found, examination, show_all=show_all)
    for sentence in examination.unreadable:
        say(f"takewell: {sentence}")
    if examination.unreadable:
        return REFUSED
    hurt = any(v.verdict in ("mend", "lost") for v in examination.verdicts)
    return NEEDS_A_PERSON if hurt or any(f.severity == "major" for f in examination.findings) else DONE


def _print_lines(examination: "Examination") -> None:
    from takewell.examine import finding_json, verdict_json

    for finding in examination.findings:
        print_json(finding_json(finding))
    best = {(b.take, b.track): b.reason for b in examination.best}
    for verdict in examination.verdicts:
        print_json(verdict_json(verdict) | {"best": (verdict.take, verdict.track) in best})


def _print(roll: "Roll", examination: "Examination", *, show_all: bool) -> None:
    names = {
        (take.id, track.number): track.name or f"track {track.number}"
        for take in roll.takes
        for track in take.tracks
    }
    findings = [f for f in examination.findings if show_all or f.severity != "note"]
    if findings:
        rows = [
            (f.take, names.get((f.take, f.track), "take"), f.severity, f.sentence, f.remedy) for f in findings
        ]
        print_table(("take", "track", "how bad", "what was found", "what to do"), rows)
    remarks = len(examination.findings) - len(findings)
    verdicts = sorted(examination.verdicts, key=lambda v: _WORST_FIRST.index(v.verdict))
    shown = [v for v in verdicts if show_all or v.verdict != "good"]
    if shown:
        judged = [(v.take, names.get((v.take, v.track), "take"), v.verdict, v.reason) for v in shown]
        print_table(("take", "track", "verdict", "why"), judged)
    several = {take.id for take in roll.takes if len(take.tracks) > 1}
    for best in examination.best:
        if best.take in several:
            print(
                f"{best.take}: reach for {names.get((best.take, best.track), best.track)} first: {best.reason}"
            )
    if not verdicts:
        return
    counts = {word: sum(v.verdict == word for v in verdicts) for word in _WORST_FIRST}
    print(
        f"{len(verdicts)} tracks: {counts['good']} good, {counts['level']} need only their level, "
        f"{counts['mend']} want mending, {counts['lost']} lost."
        + (f" {remarks} remarks more with --all." if remarks else "")
    )
