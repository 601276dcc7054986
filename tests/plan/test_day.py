"""Reading a day: what is refused says file, line and what is accepted."""

import pickle

import pytest

from takewell.errors import FileError, SettingError
from takewell.plan import example_day, read_day


def line_of(text, piece):
    return 1 + text[: text.index(piece)].count("\n")


@pytest.mark.parametrize(
    ("old", "new", "at", "words"),
    [
        ("risk_percent", "risc_percent", "risk_percent", "no field 'risc_percent' here; did you mean 'risk_percent'"),
        ("room_noise_db_a = 24\n", "", "[[setup]]", "'room_noise_db_a' is missing in \\[setup\\]; it takes a number"),
        ("gain_db = 46", 'gain_db = "46"', "gain_db = 46", "gain_db is '46'; it takes a number"),
        ("gain_db = 46", "gain_db = 99", "gain_db = 46", "gain_db is 99; Recorder input .* goes from -60 to 60 dB"),
        ('microphone = "supercardioid"', 'microphone = "supercardiod"', 'microphone = "supercardioid"', "did you mean 'supercardioid'"),
        ('microphone = "supercardioid"', 'microphone = "sd-32"', 'microphone = "supercardioid"', "of the kind 'card', not 'microphone'"),
        ('kind = "relaxed"', 'kind = "relaxd"', '{ kind = "relaxed"', "no source 'relaxd'; did you mean 'relaxed'"),
        ('kind = "shout", name = "Mira acts the storm", distance_m = 0.95', 'kind = "shout", name = "Mira"', '{ kind = "shout"',
         "'distance_m' is missing"),
        ('kind = "relaxed", name = "Tobin, low"', 'name = "Tobin"', '{ kind = "relaxed"', "a source takes 'kind'"),
        ('name = "Tobin, low"', 'name = "Mira"', "[[setup.track]]", "two sources of this track have one name"),
        ('distance_m = 0.9 }', 'distance_m = 0.9, level_db_spl = 3, peak_db_spl = 4 }', '{ kind = "relaxed"', "not both"),
        ("start = 09:00:00", 'start = "9"', "start = 09", "'start' is no time of day; it takes a time such as 09:30:00"),
        ("start = 10:45:00", "start = 09:30:00", "start = 10:45", "begins before the one above it has ended"),
        ("recording_min = 30", "recording_min = 90", "recording_min = 30", "more than the set-up lasts"),
        ('encoding = "float32"', 'encoding = "mp3"', 'encoding = "float32"', "encoding is 'mp3'; it takes one of int16"),
        ('rate = "25"', 'rate = "26"', 'rate = "25"', "timecode rate '26'"),
        ('card = "sd-128"', 'card = "sd-129"', 'card = "sd-128"', "no profile 'sd-129'"),
        ("[media]", "[[media]]", "[media]", "media is one table"),
        ('[timecode]\nrate = "25"\njam_every_h = 4\nwithin_frames = 0.5\n', "", "# An invented", "the table \\[timecode\\] is missing"),
        ("date = 2025-02-11", 'date = "2025-02-11"', "date =", "it takes a date such as"),
        ('battery = [{ profile = "lithium-aa-pair", count = 2 }]', "", "[[power]]\nname = \"each", "no \\[\\[battery\\]\\] here"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_line(day_file, old, new, at, words):
    path = day_file((old, new))
    line = line_of(example_day(), at)
    with pytest.raises(SettingError, match=rf"day\.toml, line {line}: .*{words}") as caught:
        read_day(path)
    assert "\n" not in str(caught.value)


def test_a_wrong_profile_beside_the_day_names_its_own_line(day_file):
    path = day_file()
    (path.parent / "sd-128.toml").write_text(
        'kind = "card"\nname = "x"\nsize_gb = "big"\nfile_system = "exfat"\n'
    )
    with pytest.raises(SettingError, match=r"sd-128\.toml, line 3: size_gb is 'big'"):
        read_day(path)


def test_a_day_that_is_not_there_is_one_sentence(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        read_day(tmp_path / "gone.toml")


def test_a_night_shoot_goes_over_midnight(day):
    night = day(
        ("start = 09:00:00\nend = 10:00:00", "start = 21:00:00\nend = 22:00:00"),
        ("start = 10:45:00\nend = 12:30:00", "start = 22:30:00\nend = 00:30:00"),
        ("start = 13:30:00\nend = 15:30:00", "start = 01:30:00\nend = 03:00:00"),
    )
    assert [(s.start_h, s.end_h) for s in night.set_ups] == [(21.0, 22.0), (22.5, 24.5), (25.5, 27.0)]


def test_a_source_may_have_figures_of_its_own(day):
    (source, *_) = day(
        ('kind = "relaxed", name = "Tobin, low", distance_m = 0.9', 'name = "mill", peak_db_spl = 103, crest_db = 13, sd_db = 2, distance_m = 2')
    ).set_ups[0].tracks[0].sources  # fmt: skip
    assert source.loudness.level_db_spl == 90.0
    assert source.loudness.sd_db == 2.0
    assert source.loudness.origin == "the day's own figure"


def test_the_example_is_the_invented_day_of_the_demo(day):
    from takewell.demo.day import DATE, TAPE, TITLE

    assert day().name == f"{TITLE}, roll {TAPE}"
    assert day().date == DATE


def test_a_day_can_be_sent_to_another_process(day):
    planned = day()
    assert pickle.loads(pickle.dumps(planned)) == planned
