"""How is a day's report put into rows, for a terminal, a spreadsheet and a program?

Conventions: in a spreadsheet numbers are plain and carry their unit in the heading; on a terminal they are rounded to what
matters at a desk: milliseconds, tenths of a ppm.
"""

import csv
import io
from pathlib import Path

from takewell import files
from takewell.sync.speed import drift_sentence, duration, frame_out_after_s
from takewell.sync.values import Pairing, SyncReport

HEADINGS = ("clip", "recording", "lies at", "± ms", "drift ppm", "±", "a frame out after", "sure", "by")
NUMBERS = (2, 3, 4, 5, 7)
"""Columns of the table that are set flush right."""

_NOTHING = "–"
_SPEEDLESS_PPM = 500.0


def row(pairing: Pairing) -> tuple[str, ...]:
    """Return a pair as a row of the terminal's table."""
    if pairing.recording is None or pairing.offset_s is None:
        return (pairing.clip.name, _NOTHING, *(_NOTHING for _ in HEADINGS[2:]))
    place_s = pairing.picture_offset_s or 0.0
    unsure_ms = (pairing.offset_uncertainty_s or 0.0) * 1000
    return (
        pairing.clip.name,
        pairing.recording.name,
        _clock(place_s),
        f"{unsure_ms:.2f}" if unsure_ms < 10 else f"{unsure_ms:.0f}",
        *_drift(pairing),
        f"{_cut(pairing.confidence)} %",
        {"both": "sound, timecode"}.get(str(pairing.method), str(pairing.method)),
    )


def document(pairing: Pairing) -> dict[str, object]:
    """Return a pair as JSON has it."""
    recording, told = pairing.recording, pairing.drift_ppm is not None
    return {
        "recording": None if recording is None else recording.name,
        "clip": str(pairing.clip.path),
        "offset_s": pairing.offset_s,
        "offset_uncertainty_s": pairing.offset_uncertainty_s,
        "drift_ppm": pairing.drift_ppm,
        "drift_uncertainty_ppm": pairing.drift_uncertainty_ppm,
        "confidence": pairing.confidence,
        "method": pairing.method,
        "reason": pairing.reason or None,
        "picture_offset_s": pairing.picture_offset_s,
        "hidden_delay_s": pairing.hidden_delay_s,
        "hidden_delay_bound_s": pairing.hidden_delay_bound_s,
        "timecode_offset_s": pairing.timecode_offset_s,
        "speed": pairing.speed,
        "drift": drift_sentence(
            pairing.drift_ppm or 0.0, pairing.drift_uncertainty_ppm or 0.0, pairing.clip.picture_rate
        )
        if told
        else None,
        "jumps": [
            {
                "recording_s": jump.recording_s,
                "within_s": jump.within_s,
                "shift_s": jump.shift_s,
                "lost_by": jump.lost_by,
            }
            for jump in pairing.jumps
        ],
        "claps": [
            {"recording_s": clap.recording_s, "clip_s": clap.clip_s, "rise_db": clap.rise_db}
            for clap in pairing.claps
        ],
        "notes": list(pairing.notes),
    }


def write_table(report: SyncReport, path: Path) -> None:
    """Write a report as a CSV file.

    Raises
    ------
    DestinationError
        If it cannot be written.
    """
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\n")
    columns = [name for name in _columns(report) if name not in ("jumps", "claps", "notes")]
    sheet.writerow([*columns, "jumps", "claps", "notes"])
    for pairing in report.pairings:
        known = document(pairing)
        sheet.writerow(
            [
                *("" if known[name] is None else known[name] for name in columns),
                "; ".join(f"{jump.recording_s:.3f} s {jump.shift_s:+.6f} s" for jump in pairing.jumps),
                "; ".join(f"{clap.clip_s:.4f} s" for clap in pairing.claps),
                " ".join(pairing.notes),
            ]
        )
    files.write_text(path, text.getvalue())


def _columns(report: SyncReport) -> list[str]:
    return list(document(report.pairings[0])) if report.pairings else ["recording", "clip", "reason"]


def _drift(pairing: Pairing) -> tuple[str, str, str]:
    drift, unsure = pairing.drift_ppm, pairing.drift_uncertainty_ppm
    if drift is None or unsure is None or unsure > _SPEEDLESS_PPM:
        return (_NOTHING, _NOTHING, "too short to tell")
    if pairing.speed is not None:
        return (_signed(drift), f"{unsure:.1f}", pairing.speed)
    if abs(drift) <= unsure:
        after = frame_out_after_s(abs(drift) + unsure, pairing.clip.picture_rate or 25)
        return (_signed(drift), f"{unsure:.1f}", f"not before {duration(after)}")
    return (
        _signed(drift),
        f"{unsure:.1f}",
        duration(frame_out_after_s(drift, pairing.clip.picture_rate or 25)),
    )


def _signed(number: float) -> str:
    return f"{number:+.1f}".replace("-", "−")


def _clock(seconds: float) -> str:
    """Return a time as −1:02:03.4567."""
    sign = "−" if seconds < 0 else ""
    tenths = round(abs(seconds) * 10_000)
    whole, part = divmod(tenths, 10_000)
    minutes, second = divmod(whole, 60)
    hours, minute = divmod(minutes, 60)
    head = f"{hours}:{minute:02d}" if hours else f"{minute}"
    return f"{sign}{head}:{second:02d}.{part:04d}"


def _cut(confidence: float) -> str:
    """Return a confidence in per cent, never rounded up to certainty."""
    return f"{int(confidence * 1000) / 10:g}"
