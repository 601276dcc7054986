"""Profiles: what is accepted, what is refused and how, and what a measurement does to a data sheet."""

import pickle

import pytest

from takewell.errors import FileError, SettingError
from takewell.kit import (
    Card,
    Measurement,
    Microphone,
    Profile,
    RecorderInput,
    find_profile,
    profile_toml,
    read_profile,
    shipped_profiles,
    with_measured,
    write_profile,
)

CARD = 'kind = "card"\nname = "a card"\nsize_gb = 64\nfile_system = "exfat"\n'


def written(tmp_path, text):
    path = tmp_path / "piece.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("name", shipped_profiles())
def test_every_shipped_profile_comes_back_from_its_own_toml(name, tmp_path):
    profile = find_profile(name, Profile)
    write_profile(profile, tmp_path / "again.toml")
    assert read_profile(tmp_path / "again.toml") == profile
    assert pickle.loads(pickle.dumps(profile)) == profile


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (CARD + "sise_gb = 3\n", 5, "no field 'sise_gb'.*did you mean 'size_gb'"),
        (CARD + "zzz = 3\n", 5, "no field 'zzz'.*known are"),
        (CARD.replace("64", '"64"'), 3, "size_gb is '64'; it takes a number from"),
        (CARD.replace("64", "true"), 3, "size_gb is True; it takes a number"),
        (CARD.replace("64", "nan"), 3, "size_gb is nan; it takes a number"),
        (CARD.replace("64", "-1"), 3, "size_gb is -1; it takes a number from 0.1"),
        (CARD.replace("size_gb = 64\n", ""), 1, "'size_gb' is missing; it takes a number"),
        (CARD.replace("exfat", "ntfs"), 4, "file_system is 'ntfs'; it takes one of fat32, exfat"),
        (CARD.replace("card", "cart", 1), 1, "'kind' is 'cart'; it takes one of microphone"),
        (CARD.replace('kind = "card"\n', ""), 1, "'kind' is missing"),
        (CARD + 'speed_class = ["V31"]\n', 5, "speed_class is a list; it takes a list of words out of C2"),
        (CARD + "size_gb = 3\n", 5, "no TOML .*overwrite"),
        ("kind = \"card\"\nname = 'x\n", 2, "no TOML"),
        (CARD + "[measured.file_system]\nvalue = 1\n", 5, "no field 'file_system' that could be measured"),
        (CARD + "[measured.write_mb_s]\ndate = 2025-01-30\n", 5, "'value' is missing in \\[measured.write_mb_s\\]"),
        (CARD + "[measured.write_mb_s]\nvalue = 3\n", 5, "'date' is missing in \\[measured.write_mb_s\\]"),
        (CARD + '[measured.write_mb_s]\nvalue = 3\ndate = "soon"\nfile = "x"\n', 7, "date is 'soon'; it takes a date such as"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_sentence_with_file_and_line(tmp_path, text, line, words):
    path = written(tmp_path, text)
    with pytest.raises(SettingError, match=rf"^.*piece\.toml, line {line}: .*{words}") as caught:
        read_profile(path)
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)


INPUT = (
    'kind = "input"\nname = "i"\ngain_min_db = 0\ngain_max_db = 60\nein_dbu = -128\nmax_input = [[0, 20]]\n'
    'full_scale_dbu = 20\nconverter_range_db_a = 110\nencoding = "int24"\n'
)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        # The Johnson noise of 150 ohm from 20 Hz to 20 kHz at 20 degrees is -130.9 dBu: no input has less.
        (INPUT.replace("-128", "-132"), 5, "below the -130.9 dBu that 150 ohm make by themselves"),
        (INPUT.replace("= 60", "= -3"), 4, "gain_max_db is -3, below gain_min_db"),
        (INPUT.replace("[[0, 20]]", "[[0, 20], [0, 10]]"), 6, "pairs of numbers with the first ones rising"),
        (INPUT.replace("[[0, 20]]", "[[0, 20, 3]]"), 6, "pairs of numbers"),
        (INPUT + "converters = 2\n", 1, "'handover_dbfs' is missing"),
        (INPUT + "converters = 1.5\n", 10, "converters is 1.5; it takes 1 or 2"),
        (INPUT + "converters = 2\nsecond_offset_db = 30\nhandover_dbfs = -20\n", 12, "above the full scale of the finer"),
    ],
)  # fmt: skip
def test_values_that_cannot_be_true_together_are_refused(tmp_path, text, line, words):
    with pytest.raises(SettingError, match=f"line {line}: .*{words}"):
        read_profile(written(tmp_path, text))


def test_an_a_weighted_ein_is_held_against_the_a_weighted_resistor(tmp_path):
    text = INPUT.replace("-128", "-132").replace("max_input", 'ein_weighting = "A"\nmax_input')
    assert read_profile(written(tmp_path, text)).ein_dbu == -132.0
    with pytest.raises(SettingError, match=r"below the -133\.0 dBu"):
        read_profile(written(tmp_path, text.replace("-132", "-134")))


def test_a_file_that_is_not_there_or_no_text_is_one_sentence(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        read_profile(tmp_path / "gone.toml")
    binary = tmp_path / "b.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="no UTF-8 text"):
        read_profile(binary)
    large = tmp_path / "l.toml"
    large.write_bytes(b"#" * (1 << 20) + b"#")
    with pytest.raises(FileError, match="larger than"):
        read_profile(large)


def test_a_measured_value_is_in_force_and_remembers_what_it_replaced(tmp_path):
    sheet = find_profile("analogue-limiter-input", RecorderInput)
    found = Measurement(-126.4, "2025-01-30", "bench.json", "AES17, 6.4.2", 0.2, limited_by_generator=True)
    bench = with_measured(sheet, {"ein_dbu": found})
    assert bench.ein_dbu == -126.4
    assert bench.measured["ein_dbu"].data_sheet == sheet.ein_dbu
    assert bench.provenance("ein_dbu") == "measured 2025-01-30, bench.json"
    assert bench.provenance("full_scale_dbu") == "data sheet"
    write_profile(bench, tmp_path / "bench.toml")
    assert read_profile(tmp_path / "bench.toml") == bench


def test_measuring_again_keeps_the_data_sheets_value():
    sheet = find_profile("analogue-limiter-input", RecorderInput)
    once = with_measured(sheet, {"ein_dbu": Measurement(-126.4, "2025-01-30", "a.json")})
    twice = with_measured(once, {"ein_dbu": Measurement(-126.1, "2025-02-01", "b.json")})
    assert twice.ein_dbu == -126.1
    assert twice.measured["ein_dbu"].data_sheet == sheet.ein_dbu


def test_a_value_that_no_data_sheet_states_may_be_measured_alone(tmp_path):
    text = INPUT + '\n[measured.thd_n_db]\nvalue = -98.5\ndate = 2025-01-30\nfile = "b.json"\n'
    profile = read_profile(written(tmp_path, text))
    assert profile.thd_n_db == -98.5
    assert profile.measured["thd_n_db"].data_sheet is None
    assert "\nthd_n_db" not in profile_toml(profile).partition("[measured")[0]


def test_measured_pairs_come_back_too(tmp_path):
    sheet = find_profile("analogue-limiter-input", RecorderInput)
    steps = ((0.0, 0.02), (10.0, -0.01))
    bench = with_measured(sheet, {"gain_error": Measurement(steps, "2025-01-30", "b.json")})
    write_profile(bench, tmp_path / "bench.toml")
    assert read_profile(tmp_path / "bench.toml").gain_error == steps


def test_a_field_that_does_not_exist_cannot_be_measured():
    with pytest.raises(SettingError, match="no field 'ein'"):
        with_measured(find_profile("sd-32", Card), {"ein": Measurement(1.0, "2025-01-30", "x")})


def test_a_name_is_looked_for_beside_the_day_first(tmp_path):
    own = CARD.replace("64", "77")
    (tmp_path / "sd-32.toml").write_text(own, encoding="utf-8")
    assert find_profile("sd-32", Card, tmp_path).size_gb == 77
    assert find_profile("sd-32", Card).size_gb == 32
    assert find_profile("sd-32.toml", Card, tmp_path).size_gb == 77


def test_an_unknown_name_or_another_kind_is_said():
    with pytest.raises(SettingError, match="did you mean 'short-shotgun'"):
        find_profile("short-shotgum", Microphone)
    with pytest.raises(SettingError, match="is of the kind 'card', not 'microphone'"):
        find_profile("sd-32", Microphone)


def test_hostile_words_survive_writing(tmp_path):
    text = CARD.replace('"a card"', r'"quote \" back \\ line \n tab \t nul \u0000 del \u007f = [x]"')
    profile = read_profile(written(tmp_path, text))
    write_profile(profile, tmp_path / "again.toml")
    assert read_profile(tmp_path / "again.toml") == profile
