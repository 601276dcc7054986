"""Draws the pictures of README and the manual from the invented day: ``python tools/make_pictures.py DEMO_FOLDER``.

DEMO_FOLDER is where ``takewell demo`` ran. The same drawings stand in the report and on the page.
"""

import sys
import tempfile
from pathlib import Path

import typst

from takewell.draw import PAPER
from takewell.handover.gather import gather
from takewell.handover.report import report_pictures
from takewell.plan import example_day, ladder_of, picture_sheet, plan_day, read_day, tightest
from takewell.roll import read_roll

PICTURES = Path(__file__).parents[1] / "docs" / "pictures"

PAGE = """
#set page(width: 780pt, height: auto, margin: (x: 14pt, y: 10pt), fill: rgb("#f9f5ec"))
#image("picture.svg", width: 100%)
"""

SHOWN = {"gain-moved": ("10B-1", 2), "dropout": ("20A-1", 2)}
"""Name of the picture: take and track."""


def main() -> None:
    roll = read_roll(Path(sys.argv[1]) / "roll")
    gathered = gather(roll, -23.0)
    PICTURES.mkdir(exist_ok=True)
    pages = report_pictures(gathered.sheet(roll), 110)
    (PICTURES / "day-sheet.png").write_bytes(pages[0])
    for name, (take_id, number) in SHOWN.items():
        place = [take.id for take in roll.takes].index(take_id)
        picture = gathered.takes[place].tracks[number - 1].picture
        drawing = picture.draw_full(PAPER) if picture else None
        if drawing is None:
            raise SystemExit(f"track {number} of {take_id} has nothing to draw large")
        _write_picture(name, drawing)
    draw_plan()


def draw_plan() -> None:
    """Draw what `takewell plan` shows of its example day."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "day.toml").write_text(example_day(), encoding="utf-8")
        plan = plan_day(read_day(Path(folder, "day.toml")))
    _write_picture("ladder", ladder_of(tightest(plan), PAPER))
    (PICTURES / "plan.png").write_bytes(picture_sheet(plan, 110))


def _write_picture(name: str, drawing: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "picture.svg").write_text(drawing, encoding="utf-8")
        Path(folder, "page.typ").write_text(PAGE, encoding="utf-8")
        typst.compile(
            f"{folder}/page.typ", output=str(PICTURES / f"{name}.png"), root=folder, format="png", ppi=130
        )


if __name__ == "__main__":
    main()
