"""The plan on one page of paper, to tape to the cart.

What a person wrote (names of set-ups, tracks and sources) reaches the page as strings of a JSON file, never as
markup. The page is one page whatever the day: what is too long is set smaller.
"""

import json
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from takewell.draw.ladder import Post, Rung, ladder_drawing
from takewell.draw.palette import PAPER, Palette
from takewell.draw.risk import risk_drawing
from takewell.draw.track import signed
from takewell.files import write_bytes
from takewell.plan.chain import gain_through
from takewell.plan.levels import DISTRIBUTION, HeardSource, TrackLevels
from takewell.plan.noise import power_sum_db, stage_noise_at_microphone
from takewell.plan.outcome import DayPlan
from takewell.plan.power import clock_time

_PART_NAMES = {
    "sound": "at the microphone",
    "microphone": "microphone",
    "transmitter": "radio link",
    "preamplifier": "preamplifier",
    "converter": "converter",
    "file": "file",
}


def ladder_of(levels: TrackLevels, palette: Palette, *, width: float = 760, height: float = 300) -> str:
    """Return a track's level chain as a ladder drawing (SVG)."""
    noise = [level for _, level in stage_noise_at_microphone(levels.chain)]
    loudest = levels.loudest
    posts = []
    for index, stage in enumerate(levels.chain):
        limit = loudest.passed[index].gives_way_at_db
        posts.append(
            Post(
                _PART_NAMES[stage.part],
                stage.unit,
                gain_through(levels.chain, index),
                None if limit == float("inf") else limit,
                power_sum_db(noise[: index + 1]),
            )
        )
    return ladder_drawing(
        posts,
        [_rung(heard, levels) for heard in levels.sources],
        title=f"Level chain of {levels.track.name}, {levels.set_up}",
        palette=palette,
        width=width,
        height=height,
    )


def _rung(heard: HeardSource, levels: TrackLevels) -> Rung:
    margin = heard.first.margin_db
    broken = levels.chain.index(heard.first.stage) if margin < 0 else None
    return Rung(heard.source.name, heard.rms_db_spl, heard.peak_db_spl, broken, max(0.0, -margin))


def risk_of(levels: TrackLevels, palette: Palette, *, width: float = 330, height: float = 120) -> str:
    """Return a track's risk of overload and floor against gain (SVG)."""
    window = levels.window
    is_open = window.low_db is not None and window.high_db is not None
    return risk_drawing(
        [p.gain_db for p in window.points],
        [p.risk_percent for p in window.points],
        [p.floor_db_spl_a for p in window.points],
        gain_db=levels.track.gain_db,
        window_db=(window.low_db or 0.0, window.high_db or 0.0) if is_open else None,
        title=f"Risk of overload and floor against gain, {levels.track.name}, {levels.set_up}",
        palette=palette,
        width=width,
        height=height,
    )


def tightest(plan: DayPlan) -> TrackLevels:
    """Return the track whose loudest source has the least room: the one worth drawing."""
    tracks = [planned.levels for s in plan.set_ups for planned in s.tracks]
    return max(tracks, key=lambda levels: (levels.loudest.risk_percent, -levels.loudest.first.margin_db))


def window_words(levels: TrackLevels) -> str:
    """Return the gains that serve both ends, in words."""
    window = levels.window
    if window.low_db is None:
        return "none"
    if (window.low_db, window.high_db) == (window.points[0].gain_db, window.points[-1].gain_db):
        return "any"
    return f"{signed(window.low_db)} to {signed(window.high_db or 0.0)}"


def lede(plan: DayPlan) -> str:
    """Return the answer in a sentence."""
    if plan.holds:
        return "The plan holds: levels, cards, power and clocks."
    count = len(plan.problems)
    return "One thing does not hold." if count == 1 else f"{count} things do not hold."


def sheet_values(plan: DayPlan) -> dict[str, Any]:
    """Return the words and figures of the page."""
    day, cards = plan.day, plan.cards
    drawn = tightest(plan)
    set_ups = [
        {
            "name": s.set_up.name,
            "when": f"{clock_time(s.set_up.start_h)}–{clock_time(s.set_up.end_h)}",
            "where": f"{s.set_up.room_noise_db_a:g} dB A, {s.set_up.temperature_c:g} °C".replace("-", "−"),
            "tracks": [_row(planned.levels, plan) for planned in s.tracks],
        }
        for s in plan.set_ups
    ]
    files_words = [
        f"{need.file.name}: {int(need.file.tracks)} × {need.file.encoding}, {need.bytes_per_hour / 1e9:.2f} GB an hour, "
        + (f"cut at 4 GiB every {need.minutes_to_4_gib:.0f} min" if need.pieces > 1 else "one file a take")
        for need in cards.files
    ]
    copying = (
        []
        if cards.copy_min is None or cards.verify_min is None
        else [
            f"{cards.copies} copies of {cards.copy_gb_each:.1f} GB: {cards.copy_min:.0f} min at {cards.copy_mb_s:g} MB/s, reading back {cards.verify_min:.0f} min more"
        ]
    )
    return {
        "title": day.name,
        "date": day.date,
        "lede": lede(plan),
        "holds": plan.holds,
        "problems": [{"where": p.where, "sentence": p.sentence} for p in plan.problems],
        "set_ups": set_ups,
        "ladder_title": f"{drawn.track.name}, {drawn.set_up}",
        "ladder_sub": " · ".join(
            [drawn.track.microphone.name]
            + ([drawn.track.transmitter.name] if drawn.track.transmitter else [])
            + [drawn.track.recorder_input.name, f"gain {signed(drawn.track.gain_db)} dB"]
        ),
        "cards": [
            *files_words,
            f"{cards.hours_per_card:.1f} h on a card of {day.media.card.size_gb:g} GB, {cards.cards_needed} needed, {day.media.count} planned"
            + (" (two slots alike)" if day.media.mirrored else ""),
            *copying,
        ],
        "power": [_power_words(plan, k) for k in range(len(plan.circuits))],
        "clocks": [
            f"{p.first} – {p.second}: {p.drift_frames:.2f} frames ({p.drift_ms:.1f} ms) in {p.hours:g} h; jam within {p.jam_within_h:.0f} h"
            for p in plan.clock.pairs
        ]
        + [
            f"{t.device}: {t.drift_ms:.1f} ms in a take of {t.take_min:g} min if not locked"
            for t in plan.clock.takes
        ]
        + [*plan.clock.traps, *plan.clock.warnings],
        "flight": list(plan.flight),
        "cautions": list(plan.cautions),
        "note": f"Risk: {DISTRIBUTION}. dBFS as in AES17: a full-scale sine reads 0. Floors are A-weighted.",
    }


def _row(levels: TrackLevels, plan: DayPlan) -> dict[str, Any]:
    speech, loudest = levels.quietest_speech, levels.loudest
    margin = loudest.first.margin_db
    return {
        "name": levels.track.name,
        "way": f"{levels.track.encoding}"
        + (f", radio {signed(levels.track.transmitter_gain_db)} dB" if levels.track.transmitter else "")
        + (f", pad {levels.track.pad_db:g} dB" if levels.track.pad_db else ""),
        "gain": signed(levels.track.gain_db),
        "window": window_words(levels),
        "speech": "–" if speech is None else signed(speech.passed[-1].rms_db),
        "floor": signed(levels.floor_dbfs_a),
        "over": "–" if speech is None else f"{speech.over_floor_db:.0f}",
        "loudest": loudest.source.name,
        "peak": signed(loudest.passed[-1].peak_db),
        "first": loudest.first.stage.part,
        "margin": "∞" if margin == float("inf") else signed(margin),
        "risk": f"{loudest.risk_percent:.0f}" if loudest.risk_percent >= 0.5 else "<1",
        "bad": loudest.risk_percent > plan.conditions.risk_percent,
    }


def _power_words(plan: DayPlan, index: int) -> str:
    circuit = plan.circuits[index]
    end = plan.day.set_ups[-1].end_h
    words = f"{circuit.circuit.name}: {circuit.needed_wh:.1f} Wh of {circuit.supply_wh:.1f}; "
    if circuit.empty_at_h is not None:
        words += f"empty at {clock_time(circuit.empty_at_h)}, {-circuit.hours_left:.1f} h too early"
    else:
        low = max(0.0, circuit.hours_left_low)
        words += (
            f"{circuit.hours_left:.1f} h left at {clock_time(end)} (at least {low:.1f} with 95 % confidence)"
        )
    if circuit.swaps:
        words += "; swap at " + ", ".join(clock_time(s.at_h) for s in circuit.swaps)
    return words


def _typeset(plan: DayPlan, form: Literal["pdf", "png"], pixels_per_inch: float | None = None) -> bytes:
    import typst

    drawn = tightest(plan)
    with tempfile.TemporaryDirectory(prefix="takewell-plan-") as name:
        folder = Path(name)
        (folder / "sheet.json").write_text(
            json.dumps(sheet_values(plan), ensure_ascii=False), encoding="utf-8"
        )
        (folder / "ladder.svg").write_text(ladder_of(drawn, PAPER, width=760, height=250), encoding="utf-8")
        (folder / "risk.svg").write_text(risk_of(drawn, PAPER), encoding="utf-8")
        (folder / "plan.typ").write_bytes(files("takewell.plan").joinpath("sheets", "plan.typ").read_bytes())
        page: bytes = typst.compile(
            str(folder / "plan.typ"),
            root=str(folder),
            format=form,
            ppi=pixels_per_inch,
            ignore_system_fonts=False,
        )
    return page


def pdf_sheet(plan: DayPlan) -> bytes:
    """Return the plan as a PDF of one page, the same bytes for the same plan."""
    return _typeset(plan, "pdf")


def picture_sheet(plan: DayPlan, pixels_per_inch: float = 144) -> bytes:
    """Return the plan's page as a PNG picture."""
    return _typeset(plan, "png", pixels_per_inch)


def write_sheet(plan: DayPlan, path: Path) -> None:
    """Write the PDF, whole or not at all.

    Raises
    ------
    DestinationError
        If the place cannot be written to.
    """
    write_bytes(path, pdf_sheet(plan))
