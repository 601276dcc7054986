"""Timecode against published tables, and the laws it must keep."""

import csv
import pickle
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.errors import SettingError
from takewell.timecode import Timecode, TimecodeRate

DATA = Path(__file__).parent / "data"


def table(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


RATES = table("timecode_rates.csv")
EXAMPLES = table("timecode_sample_examples.csv")
EVERY_RATE = [TimecodeRate.parse(row["label"]) for row in RATES]
rates = st.sampled_from(EVERY_RATE)
sample_rates = st.sampled_from([44_100, 47_952, 48_000, 48_048, 88_200, 96_000, 192_000])


def exact(text: str) -> Fraction:
    return Fraction(text.split(" ")[0])


@pytest.mark.outside
@pytest.mark.parametrize("row", RATES, ids=lambda row: row["label"])
def test_rates_count_what_the_table_says(row: dict[str, str]) -> None:
    rate = TimecodeRate.parse(row["label"])
    assert rate.count == int(row["count_base"])
    assert rate.real == Fraction(row["fps_exact"])
    assert rate.drop == (row["drop"] == "yes")
    assert rate.frames_per_day == int(row["frames_per_24h_of_TC"])
    assert 6 * rate.frames_per_ten_minutes == int(row["frames_per_1h_of_TC"])
    assert rate.frames_per_ten_minutes == int(row["frames_per_10min_of_TC"])
    assert rate.frames_per_day / rate.real == Fraction(row["real_seconds_per_24h_TC"])
    assert rate.samples_per_frame(48_000) == Fraction(row["samples_per_frame_48k"])
    assert rate.samples_per_frame(96_000) == Fraction(row["samples_per_frame_96k"])
    assert rate.frames_per_day * rate.samples_per_frame(48_000) == Fraction(row["samples_per_24h_TC_at_48k"])


@pytest.mark.outside
@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: f"{row['rate']} {row['timecode']}")
@pytest.mark.parametrize("sample_rate", [48_000, 48_048, 47_952, 96_000])
def test_codes_lie_where_the_table_says(row: dict[str, str], sample_rate: int) -> None:
    rate = TimecodeRate.parse(row["rate"])
    code = Timecode.parse(row["timecode"], rate)
    column = row[f"samples_{sample_rate}"]
    assert code.frames == int(row["frame_number"])
    # The table prints six decimals of what is exact only in fractions of 5 and of powers of ten.
    assert abs(code.to_samples(sample_rate) - exact(column)) <= Fraction(1, 2_000_000)
    assert abs(code.seconds - exact(row["real_seconds_since_00:00:00:00"])) <= Fraction(1, 2 * 10**9)
    if "~" in column:
        assert code.time_reference(sample_rate) == int(column.split("~")[1].rstrip(")"))
    assert str(code) == row["timecode"]


@pytest.mark.outside
def test_the_ixml_specification_s_second_example() -> None:
    # iXML specification, example 2: TIMECODE_RATE 24000/1001, NDF, 48 048 000 samples at 48 000 Hz.
    rate = TimecodeRate.parse("24000/1001", "NDF")
    assert str(Timecode.from_samples(48_048_000, 48_000, rate)) == "00:16:40:00"


WRITTEN = {
    "23.976": ["23.976", "23.98", "23,976", "23.97", "2398", "23976", "24000/1001", "23.976ND", "23.976000", "23976/1000"],
    "24": ["24", "24/1", "24.00", "24.0", "24 fps", "24000/1000", "24p", " 24 "],
    "25": ["25", "25/1", "25.000000", "25 fps", "25ND"],
    "29.97 NDF": ["29.97", "2997ND", "2997NDF", "29.97 non-drop", "30000/1001", "29.970", "29.97N", "29.97 non drop frame"],
    "29.97 DF": ["29.97DF", "2997D", "29.97 drop", "29.97-DF", "30000/1001DF", "29.97fps drop frame", "29.97_df"],
    "30": ["30", "30ND", "30/1", "30.00"],
    "30 DF": ["30DF", "30 drop"],
    "47.952": ["47.952", "47.95", "48000/1001"],
    "48": ["48"],
    "50": ["50", "50/1"],
    "59.94 NDF": ["59.94", "5994ND", "60000/1001"],
    "59.94 DF": ["59.94DF", "5994 DF"],
    "60": ["60"],
}  # fmt: skip


@pytest.mark.parametrize(("strict", "text"), [(s, t) for s, texts in WRITTEN.items() for t in texts])
def test_many_spellings_name_one_rate(strict: str, text: str) -> None:
    assert str(TimecodeRate.parse(text)) == strict


def test_the_flag_may_stand_apart() -> None:
    assert str(TimecodeRate.parse("30000/1001", flag="DF")) == "29.97 DF"
    assert str(TimecodeRate.parse("30000/1001", flag="NDF")) == "29.97 NDF"
    assert str(TimecodeRate.parse("2997ND", flag="DF")) == "29.97 NDF", "the nearer word counts"


@pytest.mark.parametrize("text", ["", "fast", "23", "29", "29.9", "0", "31/1", "25/0", "24.5", "23.99", "29.97XY", "1/25", "-25", "30000/1002", "999999", "9" * 5000])  # fmt: skip
def test_what_is_no_rate_is_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(SettingError, match=r"^timecode rate .*\.$"):
        TimecodeRate.parse(text)


@pytest.mark.parametrize("text", ["23.976DF", "24 drop", "25DF", "50DF", "47.952DF"])
def test_only_thirties_and_sixties_drop(text: str) -> None:
    with pytest.raises(SettingError, match="no drop-frame counting"):
        TimecodeRate.parse(text)


def test_count_and_real_rate_must_belong_together() -> None:
    with pytest.raises(SettingError, match="25 frames at 30 a second"):
        TimecodeRate(25, Fraction(30))


@pytest.mark.parametrize(
    ("text", "rate", "reason"),
    [
        ("00:01:00;00", "29.97DF", r"does not exist at 29\.97 DF.* first is 02"),
        ("00:01:00:01", "29.97DF", "does not exist"),
        ("10:59:00;01", "30DF", "does not exist"),
        ("00:01:00;03", "59.94DF", r"00 to 03 are left out.* first is 04"),
        ("24:00:00:00", "25", "24 hours; at most 23"),
        ("00:60:00:00", "25", "60 minutes"),
        ("00:00:60:00", "25", "60 seconds"),
        ("00:00:00:25", "25", "frame 25; at 25 frames run from 0 to 24"),
        ("00:00:00:30", "29.97", "frames run from 0 to 29"),
        ("00:00:00;00", "25", "drops no numbers"),
        ("1000", "25", "cannot be read"),
        ("00:00:00", "25", "cannot be read"),
        ("-1:00:00:00", "25", "cannot be read"),
        ("", "25", "cannot be read"),
    ],
)
def test_codes_that_do_not_exist_are_refused(text: str, rate: str, reason: str) -> None:
    with pytest.raises(SettingError, match=reason):
        Timecode.parse(text, TimecodeRate.parse(rate))


@pytest.mark.parametrize("text", ["00:10:00;00", "00:00:00;00", "00:01:00;02", "00:01:01;00", "23:50:00;01"])
def test_codes_that_drop_frame_keeps_are_read(text: str) -> None:
    rate = TimecodeRate.parse("29.97DF")
    assert str(Timecode.parse(text, rate)) == text
    assert Timecode.parse(text.replace(";", ":"), rate) == Timecode.parse(text, rate)
    assert Timecode.parse(text.replace(";", "."), rate) == Timecode.parse(text, rate)


@pytest.mark.parametrize("rate", EVERY_RATE, ids=str)
def test_the_day_rolls_over(rate: TimecodeRate) -> None:
    last = Timecode.from_frames(-1, rate)
    mark = ";" if rate.drop else ":"
    assert str(last) == f"23:59:59{mark}{rate.count - 1:02d}"
    assert str(Timecode.from_frames(last.frames + 1, rate)) == f"00:00:00{mark}00"
    past = Timecode.from_frames(rate.frames_per_day + 5, rate)
    assert past == Timecode.from_frames(5, rate)
    with pytest.raises(SettingError, match="outside the day"):
        Timecode(rate.frames_per_day, rate)


def test_samples_past_midnight_begin_again() -> None:
    rate = TimecodeRate.parse("25")
    assert str(Timecode.from_samples(86_400 * 48_000 + 1920, 48_000, rate)) == "00:00:00:01"


@pytest.mark.parametrize("rate", [rate for rate in EVERY_RATE if rate.drop], ids=str)
def test_drop_frame_numbers_of_an_hour_as_counted_one_by_one(rate: TimecodeRate) -> None:
    """A slow obvious count: show every number except the dropped ones."""
    frames = 0
    for minute in range(60):
        for number in range(60 * rate.count):
            if minute % 10 and number < rate.dropped:
                continue
            if number < 2 * rate.count or number >= 60 * rate.count - 2:
                second, frame = divmod(number, rate.count)
                assert str(Timecode(frames, rate)) == f"00:{minute:02d}:{second:02d};{frame:02d}"
            frames += 1
    assert frames == 6 * rate.frames_per_ten_minutes


@given(rate=rates)
def test_a_rate_written_strictly_reads_back(rate: TimecodeRate) -> None:
    assert TimecodeRate.parse(str(rate)) == rate
    assert TimecodeRate.parse(rate.fraction, rate.flag) == rate
    assert pickle.loads(pickle.dumps(rate)) == rate


@given(rate=rates, frames=st.integers(-(10**8), 10**8))
def test_a_code_written_reads_back(rate: TimecodeRate, frames: int) -> None:
    code = Timecode.from_frames(frames, rate)
    assert Timecode.parse(str(code), rate) == code


@given(rate=rates, sample_rate=sample_rates, position=st.floats(0, 1, exclude_max=True))
def test_a_stamp_gives_its_code_back(rate: TimecodeRate, sample_rate: int, position: float) -> None:
    code = Timecode(int(position * rate.frames_per_day), rate)
    stamp = code.time_reference(sample_rate)
    assert abs(stamp - code.to_samples(sample_rate)) <= Fraction(1, 2)
    assert Timecode.from_samples(stamp, sample_rate, rate) == code
    earlier = Timecode.from_frames(code.frames - 1, rate)
    assert Timecode.from_samples(stamp - 1, sample_rate, rate) == earlier


@given(rate=rates, sample_rate=sample_rates, samples=st.integers(0, 16_588_800_000))
def test_a_sample_lies_in_its_frame(rate: TimecodeRate, sample_rate: int, samples: int) -> None:
    samples %= int(rate.frames_per_day * rate.samples_per_frame(sample_rate))
    code = Timecode.from_samples(samples, sample_rate, rate)
    offset = samples - code.to_samples(sample_rate)
    assert -Fraction(1, 2) <= offset < rate.samples_per_frame(sample_rate)
