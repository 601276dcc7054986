"""The page of a day in line with picture says what the pairs say, in words and in a drawing to scale."""

import re
from fractions import Fraction
from pathlib import Path

from takewell.roll import MediaFile, Take
from takewell.sync.report_page import report_page, write_report_page
from takewell.sync.values import Clip, Pairing, Recording, SyncReport

RATE = 48_000


def clip(name: str) -> Clip:
    return Clip(Path(name), RATE, 2, 10 * RATE, picture_rate=Fraction(25), picture_length_s=Fraction(10))


def recording(name: str, seconds: int) -> Recording:
    media = MediaFile(f"{name}.WAV", 0, "WAVE", "int24", RATE, 1, seconds * RATE, None)
    take = Take(name, "14", "2", "take", RATE, seconds * RATE, None, None, None, (media,), ())
    return Recording(Path("roll"), take)


def test_pairs_lonely_clips_and_lonely_recordings_stand_on_it(tmp_path: Path) -> None:
    report = SyncReport(
        (
            Pairing(recording("14-2", 30), clip("A001.mov"), offset_s=-5.0, confidence=0.999, method="sound", notes=("One <frame> out after 23 minutes.",)),
            Pairing(None, clip("B001.mov"), reason="it is silent."),
        ),
        lonely=(recording("15-1", 5),),
        unreadable=("C001.mov is damaged.",),
    )  # fmt: skip
    path = tmp_path / "sync.html"
    write_report_page(report, path, title="R03")
    page = path.read_text(encoding="utf-8")
    assert "1 of 2 clips have a recording. One recording belongs to none." in page
    for words in (
        "A001.mov",
        "14-2",
        "it is silent.",
        "15-1",
        "C001.mov is damaged.",
        "One &lt;frame&gt; out",
    ):
        assert words in page
    assert "http" not in re.sub(
        r'http-equiv|"Content-Security-Policy"', "", page
    )  # it needs nothing from elsewhere


def test_the_drawing_is_to_scale() -> None:
    page = report_page(
        SyncReport((Pairing(recording("14-2", 30), clip("A001.mov"), offset_s=-5.0),)), title="R03"
    )
    boxes = [
        tuple(map(float, pair))
        for pair in re.findall(r'<rect x="([\d.]+)" y="[\d.]+" width="([\d.]+)"', page)
    ]
    # The recording runs from 5 s before the clip to 15 s after it: 30 s are 100, the clip lies from 5 to 15.
    assert boxes == [(16.67, 33.33), (0.0, 100.0)]
    assert "covers 100% of the clip" in page


def test_a_day_without_clips_says_so() -> None:
    assert "no clip to line up with" in report_page(SyncReport(()), title="R03")
