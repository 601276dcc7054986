"""``takewell measure``: numbers only, for any readable sound file; needs no roll."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, REFUSED
from takewell.cli.output import (
    figure,
    json_option,
    print_json,
    print_table,
    progress,
    say,
)
from takewell.errors import TakewellError

if TYPE_CHECKING:
    from takewell.engine import FileMeasurement

_HEADINGS = (
    "track",
    "loudness LUFS",
    "range LU",
    "true peak dBTP",
    "RMS dBFS",
    "speech dBFS",
    "floor dBFS (A)",
    "over floor dB",
    "over full scale",
    "clipped",
)


@click.command("measure", short_help="Print the numbers of any readable sound file.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--methods", is_flag=True, help="Say of every figure how it was measured and what it is worth.")
@json_option
def command(files: tuple[Path, ...], methods: bool, as_json: bool) -> int:
    """Print loudness, true peak, speech level, noise floor and more of each FILE, every channel alone as mono.

    RMS levels follow AES17: a full-scale sine reads 0 dBFS. With --json one line per file.
    """
    from takewell import engine

    engine.ready(say)
    refused = 0
    with progress("measuring", wanted=len(files) > 1 and not as_json) as show:
        for number, file in enumerate(files):
            if show:
                show(number, len(files), file.name)
            try:
                measured = engine.measure_file(file, workers=2)
            except TakewellError as error:
                say(f"takewell: {error}")
                refused += 1
                continue
            if as_json:
                print_json(engine.to_json(measured))
            else:
                _print(measured, methods=methods)
    return REFUSED if refused else DONE


def _print(measured: "FileMeasurement", *, methods: bool) -> None:
    shape = measured.format
    rows = [
        (
            f"{track.channel}  {track.name}" if track.name else f"{track.channel}",
            figure(track.integrated_lufs),
            figure(track.loudness_range_lu),
            figure(track.true_peak_dbtp),
            figure(track.rms_dbfs),
            figure(track.speech_level_dbfs),
            figure(track.noise_floor_dbfs_a),
            figure(track.snr_db),
            str(track.samples_over_full_scale or "–"),
            str(len(track.clips) or "–"),
        )
        for track in measured.tracks
    ]
    title = f"{measured.file}: {shape.container}, {shape.encoding}, {shape.sample_rate_hz} Hz, {shape.duration_s:.2f} s"
    print_table(_HEADINGS, rows, numbers=range(1, len(_HEADINGS)), title=title)
    if measured.programme and len(measured.tracks) > 1:
        together = measured.programme
        print(
            f"  together: {figure(together.integrated_lufs)} LUFS, range {figure(together.loudness_range_lu)} LU, "
            f"true peak {figure(together.true_peak_dbtp)} dBTP"
        )
    for track in measured.tracks:
        for passage in track.passages if len(track.passages) > 1 else ():
            print(
                f"  track {track.channel}, {passage.start_s:.2f} s to {passage.end_s:.2f} s: {figure(passage.integrated_lufs)} LUFS, "
                f"floor {figure(passage.noise_floor_dbfs_a)} dBFS (A)"
            )
    said: dict[tuple[str, str], list[str]] = {}
    for track in measured.tracks:
        for name, words in (*track.quality.items(), *track.limits.items()):
            if methods or getattr(track, name, words) is None or words == track.limits.get(name):
                said.setdefault((name, words), []).append(str(track.channel))
    for (name, words), channels in said.items():
        print(f"  {name}, track {', '.join(channels)}: {words}")
    for note in measured.notes:
        print(f"  {note}")
    print()
