"""``takewell examine``: findings and verdicts."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON, REFUSED
from takewell.cli.output import figure, json_option, print_json, print_table, say

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
    from takewell.examine import finding_json, pair_json, verdict_json

    for finding in examination.findings:
        print_json(finding_json(finding))
    best = {(b.take, b.track) for b in examination.best if not b.voice}
    for verdict in examination.verdicts:
        key = verdict.take, verdict.track
        voices = [b.voice for b in examination.best if b.voice and (b.take, b.track) == key]
        pairs = [pair for pair in examination.pairs if key == (pair.take, pair.track)]
        print_json(
            verdict_json(verdict)
            | {"best": key in best, "best_for_voices": voices, "copies": [pair_json(p) for p in pairs]}
        )


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
        name = names.get((best.take, best.track), f"track {best.track}")
        # That the microphone nearest to a voice is its best is no news.
        if best.take in several and (show_all or best.voice != name):
            voice = f" for the voice at {best.voice}" if best.voice else ""
            print(f"{best.take}: reach for {name} first{voice}: {best.reason}")
    _print_pairs(examination, names, show_all=show_all)
    if not verdicts:
        return
    counts = {word: sum(v.verdict == word for v in verdicts) for word in _WORST_FIRST}
    print(
        f"{len(verdicts)} tracks: {counts['good']} good, {counts['level']} need only their level, "
        f"{counts['mend']} want mending, {counts['lost']} lost."
        + (f" {remarks} remarks more with --all." if remarks else "")
    )


def _print_pairs(examination: "Examination", names: dict[tuple[str, int], str], *, show_all: bool) -> None:
    """Print copies of one source whose gain was moved or one of which serves better somewhere; all on request."""
    from takewell.examine.wording import clock

    rows = []
    for pair in examination.pairs:
        for passage in pair.passages:
            if not show_all and not passage.serves and not passage.changed_by_db:
                continue
            first, copy = names[pair.take, pair.track], names[pair.other_take, pair.other_track]
            rows.append(
                (
                    pair.take,
                    first,
                    copy if pair.other_take == pair.take else f"{copy} of {pair.other_take}",
                    f"{clock(passage.start_s)} to {clock(passage.end_s)}",
                    figure(passage.gain_db),
                    {0: "both alike", 1: first, 2: copy}[passage.serves],
                    passage.because if passage.serves else "",
                )
            )
    if rows:
        print_table(
            ("take", "track", "its copy", "when", "copy’s gain, dB", "serves better", "because"),
            rows,
            numbers=(4,),
        )
