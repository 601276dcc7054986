"""What files say of themselves: recovered, damaged, gaps between continuation files, stamps, rates."""

import wave
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.examine.evidence import TakeEvidence
from takewell.examine.file_state import find_file_states
from takewell.examine.nonfinite import find_nonfinite
from takewell.examine.time_order import _is_pull, _pulled, find_overlapping_takes, find_time_order
from takewell.roll.values import MediaFile, Piece
from takewell.wave import read_info

RATE = 48_000
Hear = Callable[..., TakeEvidence]
Babble = Callable[..., NDArray[np.float64]]


def written(path: Path, seconds: float = 1.0) -> bytearray:
    """Write a 16-bit file with Python's own writer and return its bytes."""
    noise = np.random.default_rng(1).integers(-3000, 3000, round(seconds * RATE), dtype=np.int16)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.writeframes(noise.astype("<i2").tobytes())
    return bytearray(path.read_bytes())


def told_of(hear: Hear, path: Path) -> list[tuple[str, str]]:
    heard = hear([np.zeros(RATE)], recoveries=read_info(path).recoveries)
    return [(f.kind, f.severity) for f in find_file_states(heard)]


def test_a_whole_file_is_nothing_to_tell(hear: Hear, tmp_path: Path) -> None:
    written(tmp_path / "whole.wav")
    assert told_of(hear, tmp_path / "whole.wav") == []


def test_a_header_never_finished_is_recovered(hear: Hear, tmp_path: Path) -> None:
    path = tmp_path / "unfinished.wav"
    raw = written(path)
    raw[4:8] = raw[40:44] = bytes(4)
    path.write_bytes(raw)
    assert told_of(hear, path) == [("recovered_file", "minor")]


def test_a_file_cut_short_is_damaged(hear: Hear, tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    path.write_bytes(written(path)[:-20_001])
    assert told_of(hear, path) == [("damaged_file", "major")]


def test_garbage_behind_the_audio_is_a_note(hear: Hear, tmp_path: Path) -> None:
    path = tmp_path / "trailing.wav"
    path.write_bytes(written(path) + b"\x07\x01" * 50)
    assert [kind for kind, _ in told_of(hear, path)] in ([], ["recovered_file"])
    assert "major" not in [severity for _, severity in told_of(hear, path)]


def continued(heard: TakeEvidence, *, hole: int, stamped_off: int = 0) -> TakeEvidence:
    """Return the take cut in two files at one second, `hole` samples lost between them."""
    base = heard.take.files[0]
    length = heard.take.length_samples
    one = replace(base, path="a.wav", length_samples=RATE, time_reference=36_000 * RATE)
    two = replace(
        base,
        path="a_0002.wav",
        length_samples=length - RATE - hole,
        time_reference=36_001 * RATE + hole + stamped_off,
    )
    pieces = (Piece("a.wav", 1, 0, RATE), Piece("a_0002.wav", 1, RATE + hole, two.length_samples))
    track = replace(heard.take.tracks[0], pieces=pieces)
    take = replace(heard.take, files=(one, two), tracks=(track,))
    return TakeEvidence(take, (replace(heard.tracks[0], take=take, track=track),), heard.reader)


def test_files_that_follow_to_the_sample_are_nothing_to_tell(hear: Hear, babble: Babble) -> None:
    assert find_time_order(continued(hear([babble(3)]), hole=0)) == []


def test_a_hole_between_files_is_told_in_samples(hear: Hear, babble: Babble) -> None:
    found = find_time_order(continued(hear([babble(3)]), hole=4321))
    assert [(f.kind, f.severity, f.evidence["missing_samples"]) for f in found] == [("gap", "major", 4321)]
    assert found[0].start_s == 1.0
    assert found[0].end_s == pytest.approx(1 + 4321 / RATE)
    assert found[0].sentence.startswith(
        "4,321 samples (90 ms) are missing at 0:01 between a.wav and a_0002.wav"
    )


def test_a_stamp_rounded_to_a_frame_is_a_note(hear: Hear, babble: Babble) -> None:
    found = find_time_order(continued(hear([babble(3)]), hole=0, stamped_off=-700))
    assert [(f.kind, f.severity) for f in found] == [("timecode_jump", "note")]
    assert "700 samples before the end" in found[0].sentence


@pytest.mark.parametrize("sign", [1, -1])
def test_stamps_a_thousandth_off_tell_of_a_rate_pulled_up_or_down(sign: int) -> None:
    half_hour = 1800 * RATE
    assert _is_pull(sign * round(half_hour / 1000), half_hour, RATE)
    assert not _is_pull(sign * round(half_hour / 500), half_hour, RATE)
    assert not _is_pull(sign * 4, half_hour, RATE)
    assert not _is_pull(sign * 60, 60 * RATE, RATE)


def test_a_pulled_file_is_told_with_the_likely_rate(hear: Hear) -> None:
    # 48,000 · 1000 / 1001 = 47,952; 48,000 · 1001 / 1000 = 48,048 (the rates that go with 29.97 frames).
    heard = hear([np.zeros(RATE)])
    piece = Piece("a.wav", 1, 0, 1800 * RATE)
    for off, likely in ((86_400, 47_952), (-86_400, 48_048)):
        found = _pulled(heard, piece, off)
        assert found.kind == "rate_mismatch"
        assert found.evidence["likely_rate_hz"] == pytest.approx(likely, abs=0.1)


def test_stamps_wrap_at_midnight(hear: Hear, babble: Babble) -> None:
    heard = continued(hear([babble(3)]), hole=0)
    day = 86_400 * RATE
    files = (
        replace(heard.take.files[0], time_reference=day - RATE),
        replace(heard.take.files[1], time_reference=0),
    )
    assert find_time_order(replace(heard, take=replace(heard.take, files=files))) == []


def test_a_file_of_another_rate_and_what_headers_say_twice_are_told(hear: Hear, babble: Babble) -> None:
    heard = hear([babble(1)])
    odd = replace(heard.take.files[0], rate=44_100)
    warnings = (
        "a.wav: iXML puts the file at 47952 Hz, the file's format says 48000 Hz; the format counts.",
        "a.wav: bext's TimeReference 1 and iXML's time stamp 2 differ by 1 samples; bext's counts.",
        "3 files belong to this take by its own count, 1 are here (a.wav).",
    )
    found = find_time_order(replace(heard, take=replace(heard.take, files=(odd,), warnings=warnings)))
    assert [(f.kind, f.severity) for f in found] == [
        ("rate_mismatch", "major"),
        ("rate_mismatch", "minor"),
        ("metadata_conflict", "note"),
        ("incomplete_take", "major"),
    ]


def test_takes_whose_stamps_overlap_are_told(hear: Hear, babble: Babble) -> None:
    base = hear([babble(10)]).take

    def take(name: str, start_s: float) -> object:
        file: MediaFile = replace(base.files[0], time_reference=round(start_s * RATE))
        return replace(base, id=name, files=(file,), date="2031-05-04")

    apart = [take("1", 100), take("2", 110), take("3", 125)]
    assert find_overlapping_takes(apart) == []  # type: ignore[arg-type]
    found = find_overlapping_takes([take("1", 100), take("2", 107.5)])  # type: ignore[list-item]
    assert [(f.take, f.kind, f.evidence["overlap_s"]) for f in found] == [("2", "timecode_jump", 2.5)]


def test_samples_that_are_no_numbers_are_counted_and_placed(hear: Hear, babble: Babble) -> None:
    sound = babble(60)
    sound[100_000:100_037] = np.nan
    sound[101_000] = np.inf
    found = find_nonfinite(hear([sound]).tracks[0])
    assert [(f.kind, f.severity, f.evidence["samples"], f.evidence["events"]) for f in found] == [
        ("nonfinite", "minor", 38, 2)
    ]
    assert found[0].start_s == 100_000 / RATE
    assert found[0].end_s == 101_001 / RATE


def test_too_many_of_them_are_major(hear: Hear, babble: Babble) -> None:
    sound = babble(5)
    sound[RATE : 2 * RATE] = np.nan
    assert [f.severity for f in find_nonfinite(hear([sound]).tracks[0])] == ["major"]
    assert find_nonfinite(hear([babble(2)]).tracks[0]) == []
