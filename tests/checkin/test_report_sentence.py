"""What the sound report is told of a check-in."""

from pathlib import Path

from takewell.checkin import check_in
from takewell.roll import Logbook


def test_the_logbook_keeps_a_sentence_for_the_report(tmp_path: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    (card / "notes.txt").write_text("hello")
    check_in([card], [tmp_path / "roll"])
    with Logbook(tmp_path / "roll") as logbook:
        kept = logbook.kept("checkin")
    assert kept == {
        "sentence": "Copied and verified at 1 place: the card is not to be erased yet.",
        "safe_to_erase": False,
    }
