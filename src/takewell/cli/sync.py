"""``takewell sync``: the recordings of a roll in line with camera files, by timecode and by sound."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON, REFUSED
from takewell.cli.output import json_option, print_json, print_table, progress, say

if TYPE_CHECKING:
    from takewell.roll import Roll
    from takewell.sync import SyncReport


@click.command("sync", short_help="Line up by timecode and by sound: offset, drift, timeline.")
@click.argument("roll", type=click.Path(path_type=Path))
@click.argument("more", nargs=-1, type=click.Path(path_type=Path))
@click.option("--with", "beside", multiple=True, required=True, type=click.Path(path_type=Path), metavar="FILE...", help="Camera files, another recorder's files, or folders of them.")  # fmt: skip
@click.option("--to", type=click.Path(path_type=Path), metavar="DIR", help="Write synced files, a timeline, an edit list and the report there.")  # fmt: skip
@click.option("--correct", is_flag=True, help="Resample the synced files by the drift found.")
@click.option("--distance", "distance_m", type=float, metavar="M", help="From the sound to the camera's microphone: taken out of the offset.")  # fmt: skip
@click.option("--camera-link", "camera_link_ms", type=float, default=0.0, metavar="MS", help="Fixed delay of a radio link that feeds the camera: taken out.")  # fmt: skip
@click.option("--recorder-link", "recorder_link_ms", type=float, default=0.0, metavar="MS", help="Fixed delay of the radio links into the recorder; counts where timecode alone decides.")  # fmt: skip
@click.option("--exact-timecode", is_flag=True, help="Both timecodes are exact to well below a frame: what the sound is later is distance, and taken out.")  # fmt: skip
@click.option("--walked", "walked_m", type=float, default=1.0, show_default=True, metavar="M", help="How far people may have moved over a take; widens the drift's interval.")  # fmt: skip
@click.option("--clock", "clock", metavar="PROFILE", help="The recorder's clock, a profile of the kit: drift is held against it.")  # fmt: skip
@click.option("--camera-clock", metavar="PROFILE", help="The camera's clock, likewise.")
@click.option("--take", "takes", multiple=True, metavar="TAKE", help="Only this take; may be given more than once.")  # fmt: skip
@json_option
def command(
    roll: Path,
    more: tuple[Path, ...],
    beside: tuple[Path, ...],
    to: Path | None,
    correct: bool,
    distance_m: float | None,
    camera_link_ms: float,
    recorder_link_ms: float,
    exact_timecode: bool,
    walked_m: float,
    clock: str | None,
    camera_clock: str | None,
    takes: tuple[str, ...],
    as_json: bool,
) -> int:
    """Find which recording of ROLL belongs to which clip, where it lies on it, and how the clocks drift.

    Timecode is used where the sound bears it out; where there is none, or it lies, the sound decides.
    With --to DIR each pair is written as a poly file that begins and ends with its clip, with a timeline and an edit
    list. With --json one line per pair; a clip without a partner has "recording": null and the reason.
    """
    from takewell.cli.steps import opened
    from takewell.errors import SettingError
    from takewell.sync import Recording, SyncSettings, apart_ppm, line_up, read_clips, stamped_by_track

    if correct and to is None:
        raise SettingError("--correct writes corrected files: say where with --to DIR.")
    settings = SyncSettings(
        distance_m=distance_m,
        camera_link_ms=camera_link_ms,
        recorder_link_ms=recorder_link_ms,
        exact_timecode=exact_timecode,
        walked_m=walked_m,
        clock_ppm=apart_ppm(clock, camera_clock),
    )
    found = opened([roll])
    chosen = [found.take(name) for name in takes] if takes else found.takes
    clips, refused = read_clips([*beside, *more])
    for sentence in (*found.unreadable, *refused):
        say(sentence)
    if not clips:
        return REFUSED
    recordings = []
    for take in chosen:
        if take.kind != "tone":
            recording, told = stamped_by_track(Recording(found.folder, take))
            recordings.append(recording)
            for sentence in told:
                say(sentence)
    with progress("lining up", wanted=not as_json) as show:
        report = line_up(
            recordings,
            clips,
            settings,
            progress=(lambda word, done, whole: show(done, whole, word)) if show else None,
        )
    _show(report, as_json=as_json)
    for sentence in report.unreadable:
        say(sentence)
    if to is not None:
        _write(report, found, to, correct=correct, quiet=as_json)
    if found.unreadable or refused or report.unreadable:
        return REFUSED
    return DONE if report.settled else NEEDS_A_PERSON


def _show(report: "SyncReport", *, as_json: bool) -> None:
    from takewell.sync import AS_HEARD, HEADINGS, NUMBERS, document, row

    if as_json:
        for pairing in report.pairings:
            print_json(document(pairing))
        return
    print_table(HEADINGS, [row(pairing) for pairing in report.pairings], numbers=NUMBERS)
    for pairing in report.pairings:
        if pairing.reason:
            print(f"{pairing.clip.name}: {pairing.reason}")
        for note in pairing.notes:
            print(f"{pairing.clip.name}: {note}")
        for clap in pairing.claps[:1]:
            print(
                f"{pairing.clip.name}: a clap at {clap.clip_s:.3f} s, {clap.recording_s:.3f} s of the recording."
            )
    if report.lonely:
        print(f"Beside none of these clips: {', '.join(recording.name for recording in report.lonely)}.")
    if any(pairing.recording is not None and not pairing.hidden_delay_s for pairing in report.pairings):
        print(AS_HEARD)


def _write(report: "SyncReport", roll: "Roll", to: Path, *, correct: bool, quiet: bool) -> None:
    """Write everything that an editor is handed, and say what lies where."""
    from takewell.sync import write_all

    with progress("writing", wanted=not quiet) as show:
        written = write_all(
            report,
            roll,
            to,
            correct=correct,
            progress=(lambda name, done, whole: show(done, whole, name)) if show else None,
        )
    for sentence in written.notes:
        say(sentence)
    say(f"{len(written.synced)} synced files, a timeline, an edit list and the report lie in {to}.")
