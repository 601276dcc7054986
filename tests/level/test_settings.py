"""Settings: from options and TOML, with sentences for what makes no sense."""

from pathlib import Path

import pytest

from takewell.errors import SettingError
from takewell.level import LevelSettings


def test_defaults_are_the_published_figures_of_r_128() -> None:
    settings = LevelSettings()
    assert settings.target_lufs == -23.0  # EBU R 128
    assert settings.ceiling_dbtp == -1.0  # EBU R 128


def test_a_toml_table_changes_what_it_names(tmp_path: Path) -> None:
    path = tmp_path / "day.toml"
    path.write_text('[level]\ntarget_lufs = -24\njoins = "db_linear"\n[mix]\nlayout = "stereo"\n')
    settings = LevelSettings.from_toml(path)
    assert (settings.target_lufs, settings.joins) == (-24, "db_linear")
    assert settings.floor_jump_db == LevelSettings().floor_jump_db


def test_options_go_over_a_base() -> None:
    base = LevelSettings(target_lufs=-20.0, limit_db=1.0)
    assert LevelSettings.from_mapping({"limit_db": 2.0}, base) == LevelSettings(
        target_lufs=-20.0, limit_db=2.0
    )


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("[level]\ntarget = -24", "'target' is not known"),
        ("[level]\ntarget_lufs = 5", "target_lufs = 5 is not a number from -60 to 0"),
        ("[level]\ntarget_lufs = 'x'", "target_lufs = 'x' is not a number"),
        ("[level]\nlimit_db = true", "limit_db = True is not a number"),
        ("[level]\njoins = 'straight'", "neither 'raised_cosine' nor 'db_linear'"),
        ("[level]\nsafety = 1", "neither true nor false"),
        ("level = 3", "has no table \\[level\\]"),
        ("[level", "cannot be read as TOML"),
    ],
)
def test_what_makes_no_sense_is_one_sentence_that_names_the_file(
    tmp_path: Path, text: str, what: str
) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(text)
    with pytest.raises(SettingError, match=what) as error:
        LevelSettings.from_toml(path)
    assert str(path) in str(error.value)


def test_a_missing_file_says_so(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="No such file"):
        LevelSettings.from_toml(tmp_path / "none.toml")
