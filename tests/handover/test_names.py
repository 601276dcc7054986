"""Names of delivered files: safe everywhere, unique, and made from the pattern."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.errors import SettingError
from takewell.handover.names import MAX_NAME_BYTES, UniqueNames, check_pattern, delivered_stem, safe_name


@given(st.text())
def test_any_text_becomes_a_name_that_every_file_system_takes(text):
    name = safe_name(text)
    assert name
    assert len(name.encode()) <= MAX_NAME_BYTES
    assert not set(name) & set('<>:"/\\|?*\0')
    assert not any(ord(c) < 32 for c in name)
    assert name == name.strip(" .")
    assert safe_name(name) == name


@pytest.mark.parametrize("reserved", ["con", "NUL", "com1", "Lpt9", "aux.wav"])
def test_device_names_are_avoided(reserved):
    assert safe_name(reserved).lower() != reserved.lower()


def test_the_pattern_is_filled_from_the_take(take):
    assert (
        delivered_stem("{scene}T{take}_{track}_{name}_{start}", take, "x", take.tracks[1])
        == "4T2_02_Lav_09150010"
    )


@pytest.mark.parametrize(
    ("pattern", "complaint"),
    [("{sceen}", "sceen"), ("fixed", "same name"), ("{scene", "not well formed"), ("{0}", "names {0}")],
)
def test_a_wrong_pattern_is_refused_in_a_sentence(pattern, complaint):
    with pytest.raises(SettingError, match=complaint):
        check_pattern(pattern)


@given(st.lists(st.text(alphabet=string.ascii_letters, min_size=1, max_size=2), max_size=40))
def test_no_two_files_differ_only_by_case(stems):
    names = UniqueNames()
    claimed = [names.claim("audio", stem, ".wav").casefold() for stem in stems]
    assert len(set(claimed)) == len(claimed)
