"""``takewell plan``: levels, cards, power and clocks of a day, before it comes."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON
from takewell.cli.output import existing, figure, json_option, print_json, print_table, say

if TYPE_CHECKING:
    from takewell.plan import DayPlan, TrackLevels


@click.command("plan", short_help="Reckon levels, cards, power and clocks of a day to come.")
@click.argument("day", required=False, type=click.Path(path_type=Path), callback=existing)
@click.option("--stages", is_flag=True, help="Every source at every stage, every noise, what limiters cost.")
@click.option(
    "--pdf", type=click.Path(path_type=Path), metavar="FILE", help="Write the page to tape to the cart."
)
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    metavar="ROLL",
    help="Store what the files should read in a roll (takewell/plan.json), for the examination.",
)
@click.option("--example", is_flag=True, help="Print an invented day to start from, and nothing else.")
@json_option
def command(
    day: Path | None, stages: bool, pdf: Path | None, into: Path | None, example: bool, as_json: bool
) -> int:
    """Reckon a DAY (a TOML file, docs/planning.md): does it hold, and which stage gives way first?

    Exits with 1 when something does not hold.
    """
    from takewell.errors import SettingError
    from takewell.plan import example_day, plan_day, plan_document, read_day, write_predictions, write_sheet

    if example:
        print(example_day(), end="")
        return DONE
    if day is None:
        raise SettingError(
            "plan takes a DAY.toml; `takewell plan --example > day.toml` gives one to start from."
        )
    plan = plan_day(read_day(day))
    if pdf is not None:
        write_sheet(plan, pdf)
        say(f"{pdf} written.")
    if into is not None:
        say(f"{write_predictions(plan, into)} written.")
    if as_json:
        print_json(plan_document(plan))
    else:
        _show(plan, stages=stages)
    return DONE if plan.holds else NEEDS_A_PERSON


def _show(plan: "DayPlan", *, stages: bool) -> None:
    from takewell.plan import lede, measured_fields, window_words

    print(f"{plan.day.name}, {plan.day.date}. {lede(plan)}")
    for problem in plan.problems:
        print(f"- {problem.where}: {problem.sentence}")
    for s in plan.set_ups:
        rows = []
        for planned in s.tracks:
            levels = planned.levels
            speech, loudest = levels.quietest_speech, levels.loudest
            rows.append(
                (
                    levels.track.name,
                    figure(levels.track.gain_db, 0),
                    window_words(levels),
                    "–" if speech is None else figure(speech.passed[-1].rms_db),
                    figure(levels.floor_dbfs_a),
                    "–" if speech is None else figure(speech.over_floor_db, 0),
                    loudest.source.name,
                    figure(loudest.passed[-1].peak_db),
                    loudest.first.stage.part,
                    figure(loudest.first.margin_db),
                    figure(loudest.risk_percent),
                )
            )
        headings = ("track", "gain dB", "serves both ends", "speech dBFS", "floor dBFS A", "speech over it", "loudest", "its peak dBFS", "gives way first", "dB left", "risk %")  # fmt: skip
        print_table(headings, rows, numbers=(1, 3, 4, 5, 7, 9, 10), title=s.set_up.name)
        if stages:
            for planned in s.tracks:
                _show_stages(planned.levels)
                _show_limiters_and_remedies(plan, planned.levels)
    measured = {k: v for s in plan.set_ups for t in s.tracks for k, v in measured_fields(t.levels).items()}
    for field, origin in measured.items():
        print(f"{field}: {origin}.")
    _show_cards(plan)
    _show_power(plan)
    _show_clocks(plan)
    for sentence in (*plan.flight, *plan.cautions):
        print(sentence)


def _show_stages(levels: "TrackLevels") -> None:
    rows = [
        (
            heard.source.name,
            p.stage.name,
            p.stage.unit,
            figure(p.rms_db),
            figure(p.peak_db),
            figure(_finite(p.stage.limit_db)),
            figure(_finite(p.headroom_rms_db)),
            figure(_finite(p.headroom_peak_db)),
            figure(_finite(p.gives_way_at_db)),
        )
        for heard in levels.sources
        for p in heard.passed
    ]
    headings = ("source", "stage", "unit", "RMS", "peak", "limit", "headroom RMS", "headroom peak", "gives way at, dB SPL")  # fmt: skip
    print_table(
        headings, rows, numbers=tuple(range(3, 9)), title=f"{levels.track.name}: levels at each stage"
    )
    noise = [
        (
            share.origin,
            figure(_finite(share.level_db_spl_a)),
            "" if share.counted else "not added",
            share.note,
        )
        for share in levels.noise
    ]
    if levels.floor_while_loud_db_spl_a > levels.floor_db_spl_a + 0.05:
        noise.append(
            ("while it is loud", figure(levels.floor_while_loud_db_spl_a), "", "the coarser converter in use")
        )
    noise.append(("together", figure(levels.floor_db_spl_a), "", f"± {levels.floor_sd_db:.1f} dB"))
    print_table(
        ("noise", "dB SPL A", "", ""),
        noise,
        numbers=(1,),
        title=f"{levels.track.name}: noise at the microphone",
    )


def _show_limiters_and_remedies(plan: "DayPlan", levels: "TrackLevels") -> None:
    planned = next(t for s in plan.set_ups for t in s.tracks if t.levels is levels)
    if planned.limiters:
        rows = [
            (c.kind, figure(c.margin_db), figure(c.risk_percent), figure(c.floor_rise_db), c.cost)
            for c in planned.limiters
        ]
        print_table(
            ("limiter", "loudest has, dB", "risk %", "floor rises, dB", "cost"),
            rows,
            numbers=(1, 2, 3),
            title=f"{levels.track.name}: what a limiter does",
        )
    if planned.remedies:
        tried = [
            (
                r.words,
                f"{figure(r.low_db, 0)} to {figure(r.high_db, 0)}" if r.helps else "no gain",
                figure(r.floor_change_db),
            )
            for r in planned.remedies
        ]
        print_table(
            ("tried", "serves both ends", "floor changes, dB"),
            tried,
            numbers=(2,),
            title=f"{levels.track.name}: what would help",
        )


def _show_cards(plan: "DayPlan") -> None:
    cards = plan.cards
    rows = [
        (
            need.file.name,
            need.file.encoding,
            f"{need.file.tracks:g}",
            figure(need.bytes_per_s / 1e6, 3),
            figure(need.bytes_per_hour / 1e9, 2),
            figure(need.minutes_to_4_gib),
            str(need.pieces),
        )
        for need in cards.files
    ]
    headings = (
        "file",
        "samples",
        "tracks",
        "MB/s",
        "GB an hour",
        "4 GiB after, min",
        "files in the longest take",
    )
    print_table(headings, rows, numbers=(2, 3, 4, 5, 6), title="Cards")
    print(
        f"The day: {cards.day_bytes / 1e9:.1f} GB; {cards.hours_per_card:.1f} h on a card; {cards.cards_needed} cards needed, "
        f"{plan.day.media.count} planned; pre-record holds {cards.pre_record_bytes / 1e6:.0f} MB."
    )
    if cards.copy_min is not None and cards.verify_min is not None:
        print(
            f"{cards.copies} copies of {cards.copy_gb_each:.1f} GB each: {cards.copy_min:.1f} min at {cards.copy_mb_s:g} MB/s, "
            f"reading back {cards.verify_min:.1f} min more."
        )


def _show_power(plan: "DayPlan") -> None:
    from takewell.plan import clock_time

    rows = [
        (
            c.circuit.name,
            figure(c.needed_wh),
            figure(c.supply_wh),
            ", ".join(clock_time(s.at_h) for s in c.swaps) or "–",
            "–" if c.empty_at_h is None else clock_time(c.empty_at_h),
            figure(_finite(c.hours_left)),
            figure(_finite(c.hours_left_low)),
        )
        for c in plan.circuits
    ]
    if rows:
        headings = (
            "supply",
            "needed Wh",
            "there Wh",
            "swaps at",
            "empty at",
            "hours left",
            "with 95 % confidence",
        )
        print_table(headings, rows, numbers=(1, 2, 5, 6), title="Power")


def _show_clocks(plan: "DayPlan") -> None:
    rows = [
        (
            f"{p.first} – {p.second}",
            figure(p.ppm, 2) + (" measured" if p.measured else ""),
            figure(p.hours),
            figure(p.drift_ms),
            figure(p.drift_frames, 2),
            figure(_finite(p.jam_within_h)),
        )
        for p in plan.clock.pairs
    ]
    if rows:
        headings = ("clocks", "ppm apart", "hours", "ms", "frames", "jam within, h")
        print_table(headings, rows, numbers=(1, 2, 3, 4, 5), title="Clocks")
    for take in plan.clock.takes:
        print(
            f"{take.device}, not locked: {take.drift_ms:.1f} ms ({take.drift_samples:.0f} samples) in a take of {take.take_min:g} min."
        )
    for sentence in (*plan.clock.traps, *plan.clock.warnings):
        print(sentence)


def _finite(value: float) -> float | None:
    from takewell.units import finite_or_none

    return finite_or_none(value)
