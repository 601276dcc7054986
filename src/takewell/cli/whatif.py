"""``takewell whatif``: the same recording through another gain, word length or limiter."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE
from takewell.cli.output import existing, figure, json_option, print_json, print_table, progress, say
from takewell.cli.steps import ceiling_option, loops_ready, target_option

if TYPE_CHECKING:
    from takewell.whatif import WhatIf

SHOWN = 12
"""Places where a chain gave way that are listed one by one; --json has them all."""


@click.command("whatif", short_help="Put a recording through another gain, word length or limiter.")
@click.argument("file", type=click.Path(path_type=Path), callback=existing)
@click.option("--chain", "chains", multiple=True, required=True, metavar="WORDS", help="key=value with commas; may be given again.")  # fmt: skip
@click.option("--recorded", metavar="WORDS", help="How FILE was recorded: input=PROFILE,gain=DB or full_scale=DBU.")  # fmt: skip
@click.option("--render", type=click.Path(path_type=Path), metavar="DIR", help="Write each to listen to, at level under the ceiling.")  # fmt: skip
@target_option
@ceiling_option
@json_option
def command(
    file: Path,
    chains: tuple[str, ...],
    recorded: str | None,
    render: Path | None,
    target_lufs: float,
    ceiling_dbtp: float,
    as_json: bool,
) -> int:
    """Say what would have become of FILE, a float recording, through other chains: clips, floor, what float saved.

    --chain gain=12,encoding=int24 is relative to the file; --chain input=PROFILE,gain=30 is an input of the kit. docs/whatif.md
    lists the words.
    """
    from takewell.wave import read_info
    from takewell.whatif import parse_chain, recorded_full_scale_dbu, what_if

    rate = read_info(file).rate
    full_scale = recorded_full_scale_dbu(recorded, rate) if recorded is not None else None
    named = [parse_chain(words, rate, full_scale_dbu=full_scale) for words in chains]
    loops_ready()
    with progress("what if", wanted=not as_json) as show:
        found = what_if(
            file, named, target_lufs=target_lufs, ceiling_dbtp=ceiling_dbtp, render=render, progress=show
        )
    if as_json:
        print_json(found)
        return DONE
    _print(found)
    return DONE


def _print(found: "WhatIf") -> None:
    headings = (
        "",
        "channel",
        "peak dBFS",
        "clips",
        "clipped s",
        "limiter dB",
        "LUFS",
        "floor at level",
        "against own",
    )
    rows = [
        ("as recorded", str(k + 1), figure(peak), "–", "–", "–", figure(one.integrated_lufs), figure(one.floor_at_level_dbfs_a), "–")
        for k, (one, peak) in enumerate(zip(found.recorded, found.peaks_dbfs, strict=True))
    ]  # fmt: skip
    for number, chain in enumerate(found.chains, start=1):
        rows += [
            (
                f"chain {number}",
                str(one.channel),
                figure(one.stages[-1].peak_db),
                str(len(one.gave_way) or "–"),
                figure(one.lost_s, 3) if one.gave_way else "–",
                figure(min(stage.limiter_db for stage in one.stages)),
                figure(one.levels.integrated_lufs),
                figure(one.levels.floor_at_level_dbfs_a),
                figure(one.floor_rise_db),
            )
            for one in chain.channels
        ]
    print_table(headings, rows, numbers=range(1, len(headings)), title=found.file)
    print(
        "  Floor at level: dBFS (A), once the dialogue is at its target; against own: dB above that of the recording."
    )
    for number, chain in enumerate(found.chains, start=1):
        print(f"  chain {number}, {chain.name}: {chain.sentence}")
        places = [one for channel in chain.channels for one in channel.gave_way]
        for one in sorted(places, key=lambda place: -place.over_db)[:SHOWN]:
            print(
                f"    {one.start_s:9.3f} s to {one.end_s:.3f} s  channel {one.channel}, {one.stage}, {one.over_db:.1f} dB over"
            )
        if len(places) > SHOWN:
            print(f"    and {len(places) - SHOWN} more, none of them further over")
        for name in sorted({one.rendered for one in chain.channels if one.rendered}):
            say(f"{name} written: at level, under the ceiling.")
    print(f"  {found.saved}")
    for note in found.notes:
        print(f"  {note}")
