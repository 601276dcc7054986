"""The line of a key, against a slow search of texts whose lines are known."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.kit.lines import key_lines, line_of

TEXT = '''name = "a [b] = c"   # [not.a.table]
"odd key" = 1
points = [
  [0, 1],  # comment = 1
  { x = 1, y = "}" },
  { x = 2 }, { x = 3 },
]
[one.two]
long = """
[inside]
inside = 1
"""
after = \'\'\'a\'\'\'
[[set]]
[[set.track]]
gain = 1
[[set]]
[[set.track]]
gain = 2
[[set.track]]
gain = 3
'''


@pytest.mark.parametrize(
    ("place", "line"),
    [
        (("name",), 1),
        (("odd key",), 2),
        (("points",), 3),
        (("points", 0), 5),
        (("points", 1), 6),
        (("points", 2), 6),
        (("one", "two"), 8),
        (("one", "two", "long"), 9),
        (("one", "two", "after"), 13),
        (("set", 0, "track", 0, "gain"), 16),
        (("set", 1, "track", 0, "gain"), 19),
        (("set", 1, "track", 1, "gain"), 21),
    ],
)
def test_each_key_and_table_has_the_line_it_stands_on(place, line):
    assert key_lines(TEXT)[place] == line


def test_nothing_inside_strings_and_comments_is_taken_for_a_key():
    found = key_lines(TEXT)
    assert ("inside",) not in found
    assert ("one", "two", "inside") not in found
    assert ("not", "a", "table") not in found


def test_what_has_no_line_gets_that_of_the_table_around_it():
    assert line_of(key_lines(TEXT), ("set", 1, "track", 1, "missing")) == 20
    assert line_of(key_lines(TEXT), ("nowhere",)) == 1


@given(
    st.dictionaries(st.text("abcxyz_-9", min_size=1, max_size=6), st.integers(0, 9), max_size=8),
    st.integers(0, 3),
)
def test_keys_written_one_a_line_are_found_on_their_lines(values, blank):
    text = "\n" * blank + "".join(f"{key} = {value}\n" for key, value in values.items())
    assert tomllib.loads(text) == values
    assert key_lines(text) == {(key,): blank + 1 + k for k, key in enumerate(values)}
