"""The comparison counts what was found, missed, false and misjudged; worked by hand on a day of three tracks."""

from dataclasses import replace

import pytest

from takewell.demo import Planted, Truth, TruthTake, TruthTrack, compare
from takewell.roll.values import Finding, Verdict


def planted(track: int, kind: str, start_s: float, end_s: float, **more: object) -> Planted:
    base = Planted(
        take="1-1", file="R/A.WAV", track=track, name=f"T{track}", kind=kind, accept=[kind], also=[], must=True, start_s=start_s,
        end_s=end_s, numbers={}, verdicts=["mend"], what=f"a planted {kind}",
    )  # fmt: skip
    return {**base, **more}  # type: ignore[typeddict-item, return-value]


def truth_track(track: int, verdicts: list[str]) -> TruthTrack:
    return TruthTrack(
        take="1-1", track=track, name=f"T{track}", role="iso", encoding="float32", files=["R/A.WAV"], channel=track,
        clean=verdicts == ["good", "level"], verdicts=verdicts, talker=None, floor_dbfs=-70, talk_dbfs=-26,
        sample_peak_dbfs=-10, samples_over_full_scale=0, samples_at_rail=0, arrival_ms={},
    )  # fmt: skip


TRUTH = Truth(
    title="T", seed=0, card="card", other_files=[],
    takes=[TruthTake(
        take="1-1", scene="1", take_name="1", kind="take", set_up="", note="", rate=48_000, length_samples=4_800_000,
        time_reference=0, timecode_rate="25/1", files=[], lines=[], natural=["spill"],
    )],
    tracks=[truth_track(1, ["mend", "lost"]), truth_track(2, ["lost"]), truth_track(3, ["good", "level"])],
    planted=[
        planted(1, "clipped", 10, 20, also=["limited"]),
        planted(2, "dead_track", 0, 100),
        planted(0, "recovered_file", 0, 100, accept=["recovered_file", "damaged_file"]),
    ],
)  # fmt: skip


def finding(track: int, kind: str, start_s: float, end_s: float, file: str = "roll/R/A.WAV") -> Finding:
    return Finding("1-1", file, track, kind, start_s, end_s, 1.0, "minor", None, {}, "do", "a sentence")


def verdict(track: int, word: str) -> Verdict:
    return Verdict("1-1", "roll/R/A.WAV", track, word, "because.")  # type: ignore[arg-type]


ALL_FOUND = [
    finding(1, "clipped", 11, 12),
    finding(2, "dead_track", 0, 100),
    finding(0, "damaged_file", 0, 100),
]
ALL_JUDGED = [verdict(1, "mend"), verdict(2, "lost"), verdict(3, "level")]


def test_all_found_and_judged_is_complete() -> None:
    result = compare(TRUTH, ALL_FOUND, ALL_JUDGED)
    assert result.complete
    assert [p["kind"] for p, _ in result.found] == ["clipped", "dead_track", "recovered_file"]
    assert result.lines[-1] == "3 of 3 planted things found, 0 missed, 0 false, 0 of 3 verdicts wrong."
    assert "10.0 to 20.0 s" in result.lines[0]
    assert "clipped 11.0 to 12.0 s" in result.lines[0]


def test_order_of_findings_does_not_matter() -> None:
    assert (
        compare(TRUTH, ALL_FOUND[::-1], ALL_JUDGED[::-1]).lines == compare(TRUTH, ALL_FOUND, ALL_JUDGED).lines
    )


@pytest.mark.parametrize("left_out", range(3))
def test_what_nobody_found_is_missed(left_out: int) -> None:
    findings = [f for i, f in enumerate(ALL_FOUND) if i != left_out]
    result = compare(TRUTH, findings, ALL_JUDGED)
    assert result.missed == (TRUTH["planted"][left_out],)
    assert not result.complete
    assert any(line.startswith("MISSED") for line in result.lines)


@pytest.mark.parametrize(
    "elsewhere",
    [
        finding(1, "clipped", 20.5, 21),
        finding(1, "clipped", 9, 9.5),
        finding(3, "clipped", 11, 12),
        finding(1, "hum", 11, 12),
        replace(finding(1, "clipped", 11, 12), take="1-2"),
    ],
    ids=["later", "earlier", "other track", "other kind", "other take"],
)
def test_a_finding_elsewhere_is_false_and_finds_nothing(elsewhere: Finding) -> None:
    result = compare(TRUTH, [elsewhere, *ALL_FOUND[1:]], ALL_JUDGED)
    assert result.missed == (TRUTH["planted"][0],)
    assert result.false == (elsewhere,)


def test_a_finding_beside_by_less_than_a_momentary_window_counts() -> None:
    assert compare(TRUTH, [finding(1, "clipped", 20.3, 21), *ALL_FOUND[1:]], ALL_JUDGED).complete


def test_a_finding_on_another_file_does_not_find_a_files_damage() -> None:
    result = compare(
        TRUTH, [*ALL_FOUND[:2], finding(0, "recovered_file", 0, 100, "roll/R/B.WAV")], ALL_JUDGED
    )
    assert len(result.missed) == len(result.false) == 1


def test_consequences_and_what_the_room_brings_are_no_false_findings() -> None:
    beside = [finding(1, "limited", 12, 13), finding(3, "spill", 0, 100)]
    assert compare(TRUTH, ALL_FOUND + beside, ALL_JUDGED).complete
    alone = compare(TRUTH, [finding(3, "limited", 12, 13)], [])
    assert len(alone.false) == 1


def test_wrong_and_missing_verdicts_count() -> None:
    result = compare(TRUTH, ALL_FOUND, [verdict(1, "good"), verdict(3, "good")])
    assert [(track["track"], given and given.verdict) for track, given in result.wrong_verdicts] == [
        (1, "good"),
        (2, None),
    ]
    assert not result.complete


def test_what_need_not_be_said_is_neither_missed_nor_false() -> None:
    low = planted(3, "low_level", 0, 100, must=False)
    truth: Truth = {**TRUTH, "planted": [*TRUTH["planted"], low]}
    assert compare(truth, ALL_FOUND, ALL_JUDGED).complete
    said = compare(truth, [*ALL_FOUND, finding(3, "low_level", 0, 100)], ALL_JUDGED)
    assert said.complete
    assert said.lines[-1].startswith("4 of 4 ")
