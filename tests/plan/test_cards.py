"""Bytes, cards and copies against published tables and paper."""

import re
from dataclasses import replace

import pytest

from takewell.plan.cards import FAT32_LARGEST_BYTES, card_plan, card_problems, file_need, write_speed_mb_s
from takewell.plan.day import FileKind

ENCODINGS = {"16": "int16", "24": "int24", "32": "float32"}


def test_bytes_and_minutes_are_those_of_the_table(table):
    rows = table("plan/wav_data_rates.csv")
    assert rows
    for row in rows:
        kind = FileKind(name="f", encoding=ENCODINGS[row["bits"]], tracks=float(row["channels"]))
        need = file_need(kind, int(row["fs"]), 60.0, split="rf64")
        assert need.bytes_per_s == int(row["bytes_per_s"])
        assert need.bytes_per_hour / 1e9 == pytest.approx(float(row["GB_per_hour_decimal"]), abs=6e-5)
        assert need.minutes_to_4_gib == pytest.approx(float(row["minutes_until_2^32-1_bytes"]), abs=6e-4)


def test_a_fat32_file_ends_one_byte_before_4_gib():
    # Microsoft, FAT32 File System Specification: 2^32 - 1 bytes.
    assert FAT32_LARGEST_BYTES == 4_294_967_295


def test_eight_float_tracks_four_24_bit_copies_and_a_mix_lie_in_two_files(day):
    planned = day(("tracks = 7", "tracks = 8"))
    cards = card_plan(planned)
    # 48 000 * (8 * 4 + 6 * 3) bytes a second.
    assert cards.bytes_per_s == 48_000 * (32 + 18)
    assert [f.bytes_per_s for f in cards.files] == [1_536_000, 864_000]
    assert cards.bytes_per_hour == 8_640_000_000
    assert cards.hours_per_card == pytest.approx(128e9 * 0.9 / 8.64e9)
    assert cards.day_bytes == 8_640_000_000 * 150 / 60
    # A 10 s buffer of everything.
    assert cards.pre_record_bytes == 24_000_000
    # Read at 90 MB/s, written to both disks at once; read back at the disks' 500.
    assert cards.copy_min == pytest.approx(21_600 / 90 / 60)
    assert cards.verify_min == pytest.approx(21_600 / 500 / 60)


@pytest.mark.parametrize(("minutes", "pieces"), [(46.6, 1), (46.61, 2), (93.2, 2), (93.21, 3)])
def test_a_recorder_that_cuts_does_so_before_4_gib(minutes, pieces):
    # Eight float tracks reach 2^32 - 1 bytes after 46.603 minutes; the header takes a little of it.
    kind = FileKind(name="f", encoding="float32", tracks=8.0)
    assert file_need(kind, 48_000, 60 * minutes, split="4gib").pieces == pieces
    assert file_need(kind, 48_000, 60 * minutes, split="rf64").pieces == 1


# SD Association: minimum sequential write speeds of the classes, in MB/s.
@pytest.mark.parametrize(
    ("classes", "speed"),
    [(("C2",), 2), (("C4",), 4), (("C6",), 6), (("C10",), 10), (("U1",), 10), (("U3",), 30), (("V6",), 6), (("V10",), 10),
     (("V30",), 30), (("V60",), 60), (("V90",), 90), (("C10", "U3", "V30"), 30), ((), None)],
)  # fmt: skip
def test_a_class_is_its_minimum_speed(day, classes, speed):
    card = replace(day().media.card, speed_class=classes, write_mb_s=None)
    assert write_speed_mb_s(card) == speed


@pytest.mark.parametrize(
    ("replacements", "words"),
    [
        ([("count = 2\nmirrored", "count = 1\nmirrored")], "needs 2 cards"),
        ([('card = "sd-128"', 'card = "sd-32"'), ("sample_rate_hz = 48000", "sample_rate_hz = 192000")], "MB/s, more than half of the 10"),
        ([('card = "sd-128"', 'card = "sd-32"')], "FAT32 ends a file at 4 GiB"),
        ([("copies = 2", "copies = 1")], "only one copy"),
        ([("tracks = 7", "tracks = 17")], "at most 16"),
        ([('recorder = "field-recorder"', 'recorder = "bag-recorder"')], "the recorder has one"),
        ([('copy_to = "copy-ssd-1tb"', 'copy_to = "sd-32"'), ("sample_rate_hz = 48000", "sample_rate_hz = 96000")], "more than a disk of 32 GB holds"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said(day, replacements, words):
    planned = day(*replacements)
    assert any(re.search(words, s) for s in card_problems(planned, card_plan(planned)))


def test_a_day_that_fits_has_no_card_problems(day):
    planned = day()
    assert card_problems(planned, card_plan(planned)) == ()
