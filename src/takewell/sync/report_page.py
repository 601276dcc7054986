"""How does a person read which recording lies beside which clip, and how sure that is?

One HTML page that needs nothing else: a row a pair, a small drawing of what of the clip the recording covers, and in words what
is odd. The figures are those of the terminal's table.
"""

from dataclasses import dataclass
from importlib.resources import files as resources
from pathlib import Path

from takewell import files
from takewell.sync.placed import clip_length_s, stretches
from takewell.sync.sentences import AS_HEARD
from takewell.sync.table import HEADINGS, row
from takewell.sync.values import Pairing, SyncReport


@dataclass(frozen=True)
class _Drawing:
    """Both bars on a scale of 100, and the same in words."""

    clip_x: float
    clip_width: float
    stretches: tuple[tuple[float, float], ...]
    words: str


@dataclass(frozen=True)
class _Row:
    clip: str
    recording: str
    reason: str
    cells: tuple[str, ...]
    notes: tuple[str, ...]
    drawing: _Drawing


def report_page(report: SyncReport, *, title: str) -> str:
    """Return the page as HTML."""
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    text = resources("takewell.sync").joinpath("sheets", "report.html.j2").read_text(encoding="utf-8")
    return environment.from_string(text).render(
        title=title,
        lede=_lede(report),
        headings=HEADINGS[2:],
        rows=[_row(pairing) for pairing in report.pairings],
        lonely=[recording.name for recording in report.lonely],
        unreadable=report.unreadable,
        footnote=AS_HEARD,
    )


def write_report_page(report: SyncReport, path: Path, *, title: str) -> None:
    """Write the page.

    Raises
    ------
    DestinationError
        If it cannot be written.
    """
    files.write_text(path, report_page(report, title=title))


def _lede(report: SyncReport) -> str:
    clips = {pairing.clip.path for pairing in report.pairings}
    paired = {pairing.clip.path for pairing in report.pairings if pairing.recording is not None}
    if not clips:
        return "There was no clip to line up with."
    told = (
        f"{len(paired)} of {len(clips)} clips have a recording."
        if len(clips) > 1
        else ("The clip has its recording." if paired else "The clip has no recording.")
    )
    lonely = len(report.lonely)
    if lonely:
        told += " One recording belongs to none." if lonely == 1 else f" {lonely} recordings belong to none."
    return told


def _row(pairing: Pairing) -> _Row:
    cells = row(pairing)
    return _Row(cells[0], cells[1], pairing.reason, cells[2:], pairing.notes, _drawing(pairing))


def _drawing(pairing: Pairing) -> _Drawing:
    """Return the clip and the recording on one scale: from where the earlier begins to where the later ends."""
    length_s = float(clip_length_s(pairing.clip))
    parts = stretches(pairing)
    if pairing.recording is None or not parts:
        return _Drawing(0.0, 100.0, (), "no recording lies beside it")
    start_s = parts[0].clip_start_s - parts[0].recording_start_s / parts[0].speed
    end_s = parts[-1].clip_end_s
    left = float(pairing.recording.duration_s) - parts[-1].recording_s(end_s)
    end_s += left / parts[-1].speed
    low, high = min(0.0, start_s), max(length_s, end_s)
    scale = 100 / (high - low)
    bars = []
    for place, part in enumerate(parts):
        first = start_s if place == 0 else part.clip_start_s
        last = end_s if place == len(parts) - 1 else part.clip_end_s
        bars.append((round((first - low) * scale, 2), round((last - first) * scale, 2)))
    covered = sum(part.clip_end_s - part.clip_start_s for part in parts) / length_s
    return _Drawing(
        round(-low * scale, 2),
        round(length_s * scale, 2),
        tuple(bars),
        f"the recording covers {min(covered, 1):.0%} of the clip",
    )
