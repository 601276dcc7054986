"""The sound report as PDF, HTML and CSV: one sheet, laid out three times.

Text that comes from files (names, notes) is hostile until shown: the PDF gets it as strings of a JSON file,
never as markup; the HTML page through escaping; a CSV cell never starts with a character that a spreadsheet
would run as a formula.
"""

import csv
import io
import json
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path
from typing import Literal, cast

from takewell.draw import PAGE, PAPER
from takewell.errors import SettingError
from takewell.files import make_folder, write_bytes
from takewell.handover.sheet import Sheet, SheetTrack
from takewell.roll.sheet import shield_text

FORMATS = ("pdf", "html", "csv")

REPORT_STEM = "sound-report"

_FIGURE = re.compile(r"-?\d+(\.\d+)?")
"""A number as a spreadsheet reads it; no formula."""

_TAKE_COLUMNS = ("start", "length", "scene", "take", "circled", "verdict", "why", "note", "date", "files")
_TRACK_COLUMNS = (
    "scene",
    "take",
    "track",
    "name",
    "role",
    "verdict",
    "reason",
    "loudness_lufs",
    "speech_level_dbfs",
    "true_peak_dbtp",
    "noise_floor_dbfs_a",
    "snr_db",
    "moves",
    "gain_db",
)
_FINDING_COLUMNS = ("scene", "take", "where", "track", "kind", "severity", "stage", "what", "remedy")


def html_report(sheet: Sheet) -> str:
    """Return the report as one self-contained HTML page: no script, nothing fetched."""
    from jinja2 import Environment
    from markupsafe import Markup

    def strip(track: SheetTrack) -> Markup:
        return Markup(track.picture.draw_strip(PAGE) if track.picture else "")

    def drawing(track: SheetTrack) -> Markup | None:
        svg = track.picture.draw_full(PAGE) if track.picture else None
        return None if svg is None else Markup(svg)

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(_template("report.html.j2").decode())
    return template.render(sheet=sheet, strip=strip, drawing=drawing)


def _template(name: str) -> bytes:
    return files("takewell.handover").joinpath("sheets", name).read_bytes()


def pdf_report(sheet: Sheet) -> bytes:
    """Return the report as PDF, the same bytes for the same sheet."""
    return _typeset(sheet, "pdf")[0]


def report_pictures(sheet: Sheet, pixels_per_inch: float) -> list[bytes]:
    """Return the report's pages as PNG pictures."""
    return _typeset(sheet, "png", pixels_per_inch)


def _typeset(sheet: Sheet, form: Literal["pdf", "png"], pixels_per_inch: float | None = None) -> list[bytes]:
    import typst

    with tempfile.TemporaryDirectory(prefix="takewell-report-") as name:
        folder = Path(name)
        values = asdict(sheet)
        for t, take in enumerate(sheet.takes):
            for k, track in enumerate(take.tracks):
                entry = values["takes"][t]["tracks"][k]
                del entry["picture"]
                strip = (
                    track.picture.draw_strip(PAPER, width=680, height=30) if track.picture else _EMPTY_STRIP
                )
                full = track.picture.draw_full(PAPER) if track.picture else None
                entry["alt"] = track.picture.title if track.picture else "not measured"
                entry["strip_file"] = f"strip-{t}-{k}.svg"
                entry["drawing_file"] = None if full is None else f"track-{t}-{k}.svg"
                (folder / entry["strip_file"]).write_text(strip, encoding="utf-8")
                if full is not None:
                    (folder / entry["drawing_file"]).write_text(full, encoding="utf-8")
        (folder / "sheet.json").write_text(json.dumps(values, ensure_ascii=False), encoding="utf-8")
        (folder / "report.typ").write_bytes(_template("report.typ"))
        # The stub knows no pictures of several pages, which come as a list.
        made = cast(
            "bytes | list[bytes]",
            typst.compile(
                str(folder / "report.typ"),
                root=str(folder),
                format=form,
                ppi=pixels_per_inch,
                ignore_system_fonts=False,
            ),
        )
    return made if isinstance(made, list) else [made]


_EMPTY_STRIP = '<svg xmlns="http://www.w3.org/2000/svg" width="420" height="34"/>'


def _csv(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows(
        [[cell if _FIGURE.fullmatch(cell) else shield_text(cell) for cell in row] for row in rows]
    )
    # The byte-order mark makes spreadsheets read UTF-8 as UTF-8.
    return b"\xef\xbb\xbf" + out.getvalue().encode()


def _number(figure: str) -> str:
    return "" if figure == "–" else figure.replace("−", "-")


def csv_tables(sheet: Sheet) -> dict[str, bytes]:
    """Return the report's three tables by file name: takes, tracks, findings (RFC 4180, UTF-8)."""
    takes, tracks, findings = [], [], []
    for take in sheet.takes:
        scene, name = take.scene, take.name.removeprefix("take ")
        takes.append(
            (
                take.start,
                take.length,
                scene,
                name,
                "yes" if take.circled else "",
                take.verdict,
                take.why,
                take.note,
                take.date,
                "; ".join(take.files),
            )
        )
        for t in take.tracks:
            figures = [_number(f) for f in (t.loudness, t.speech, t.peak, t.floor, t.snr)]
            tracks.append(
                (
                    scene,
                    name,
                    str(t.number),
                    t.name,
                    t.role,
                    t.verdict,
                    t.reason,
                    *figures,
                    str(t.move_count or ""),
                    _number(t.one_gain),
                )
            )
        for f in take.findings:
            findings.append(
                (scene, name, f.where, f.track, f.kind, f.severity, f.stage or "", f.sentence, f.remedy)
            )
    return {
        f"{REPORT_STEM}-takes.csv": _csv(_TAKE_COLUMNS, takes),
        f"{REPORT_STEM}-tracks.csv": _csv(_TRACK_COLUMNS, tracks),
        f"{REPORT_STEM}-findings.csv": _csv(_FINDING_COLUMNS, findings),
    }


def check_formats(formats: Sequence[str]) -> None:
    """Refuse formats the report does not come in.

    Raises
    ------
    SettingError
        If a format is unknown or none is given.
    """
    unknown = [f for f in formats if f not in FORMATS]
    if unknown or not formats:
        raise SettingError(
            f"the report comes as {', '.join(FORMATS)}, not as {unknown[0] if unknown else 'nothing'!r}."
        )


def report_files(sheet: Sheet, formats: Sequence[str]) -> Mapping[str, bytes]:
    """Return the report's files by name, in the formats asked for.

    Raises
    ------
    SettingError
        As `check_formats`.
    """
    check_formats(formats)
    written: dict[str, bytes] = {}
    if "pdf" in formats:
        written[f"{REPORT_STEM}.pdf"] = pdf_report(sheet)
    if "html" in formats:
        written[f"{REPORT_STEM}.html"] = html_report(sheet).encode()
    if "csv" in formats:
        written |= csv_tables(sheet)
    return written


def write_files(folder: Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write files into a folder, each whole or not at all, and return their paths."""
    make_folder(folder)
    for name, content in contents.items():
        write_bytes(folder / name, content)
    return tuple(folder / name for name in contents)
