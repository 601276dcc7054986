"""A person's changes to moves: each touches what it names, fixes it, and nothing else."""

import pytest

from takewell.errors import SettingError
from takewell.level.edit import (
    accepted,
    added,
    as_proposed,
    joined,
    linked_tracks,
    rejected,
    split,
    with_gain,
)
from takewell.level.lines import persons_lines
from takewell.roll import MediaFile, Move, Piece, Take, Track

RATE = 48_000


def a_take(names=("Boom", "Lav", "Mix L", "Mix R"), roles=("iso", "iso", "mix", "mix"), seconds=60):
    tracks = tuple(
        Track(k, name, role, "int24", (Piece("a.wav", k, 0, seconds * RATE),))
        for k, (name, role) in enumerate(zip(names, roles, strict=True), 1)
    )
    file = MediaFile("a.wav", 1, "WAVE", "int24", RATE, len(names), seconds * RATE, None)
    return Take("1-1", "1", "1", "take", RATE, seconds * RATE, None, None, None, (file,), tracks)


def a_move(track, start, end, gain, *, fixed=False):
    return Move("1-1", track, start, end, gain, 0.0, 0.0, fixed, "why")


TAKE = a_take()
MOVES = (
    a_move(1, 0, 20, 3.0),
    a_move(1, 20, 60, 7.0),
    a_move(2, 0, 60, 1.0),
    a_move(3, 0, 60, 2.0),
    a_move(4, 0, 60, 2.0),
)


def test_a_typed_gain_is_fixed_and_touches_nothing_else():
    after = with_gain(MOVES, TAKE, 1, 20.0, -4.5)
    assert (after[1].gain_db, after[1].fixed) == (-4.5, True)
    assert after[:1] + after[2:] == MOVES[:1] + MOVES[2:]
    assert (
        with_gain(after, TAKE, 1, 20.0, 1.0)[1].reason == after[1].reason
    )  # what was proposed stays said once


def test_linked_tracks_keep_their_balance():
    assert linked_tracks(TAKE, 3) == {3, 4}
    after = with_gain(MOVES, TAKE, 4, 0.0, 5.0)
    assert [move.gain_db for move in after] == [3.0, 7.0, 1.0, 5.0, 5.0]


def test_split_then_join_leaves_one_passage_over_the_same_stretch():
    parts = split(MOVES, TAKE, 2, 12.5)
    mine = [move for move in parts if move.track == 2]
    assert [(m.start_s, m.end_s, m.gain_db, m.fixed) for m in mine] == [
        (0, 12.5, 1.0, True),
        (12.5, 60, 1.0, True),
    ]
    whole = [move for move in joined(parts, TAKE, 2, 0.0) if move.track == 2]
    assert [(m.start_s, m.end_s, m.gain_db) for m in whole] == [(0, 60, 1.0)]


def test_the_earlier_gain_holds_after_a_join():
    assert joined(MOVES, TAKE, 1, 0.0)[0] == a_move(1, 0, 60, 3.0, fixed=True).__class__(
        "1-1", 1, 0, 60, 3.0, 0.0, 0.0, True, "set by hand (proposed: +3.0 dB, why)"
    )


def test_a_rejected_move_is_not_proposed_again():
    after = rejected(MOVES, TAKE, 2, 0.0)
    assert MOVES[2] not in after
    walls = persons_lines(after, MOVES)
    assert [(m.track, m.gain_db, m.fixed) for m in walls] == [(2, 0.0, True)]


def test_accepting_fixes_without_changing_the_figures():
    after = accepted(MOVES, TAKE, 2, 0.0)
    assert after[2] == a_move(2, 0, 60, 1.0, fixed=True)


def test_what_was_proposed_comes_back_unfixed():
    changed = split(with_gain(MOVES, TAKE, 1, 0.0, 9.0), TAKE, 1, 5.0)
    back = as_proposed(changed, MOVES, TAKE, 1)
    assert sorted(back, key=lambda m: (m.track, m.start_s)) == list(MOVES)


def test_a_new_move_spans_the_take_and_is_refused_where_one_is():
    after = added((), TAKE, 1, -6.0)
    assert (after[0].start_s, after[0].end_s, after[0].fixed) == (0.0, 60.0, True)
    with pytest.raises(SettingError, match="has a move there already"):
        added(after, TAKE, 1, 1.0, 10.0, 20.0)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda: with_gain(MOVES, TAKE, 1, 0.0, float("nan")), "not a number"),
        (lambda: with_gain(MOVES, TAKE, 1, 0.0, 121), "not a number"),
        (lambda: with_gain(MOVES, TAKE, 1, 3.0, 1), "changed meanwhile"),
        (lambda: with_gain(MOVES, TAKE, 9, 0.0, 1), "no track 9"),
        (lambda: split(MOVES, TAKE, 1, 20.0), "can be split at 0:20.0"),
        (lambda: split(MOVES, TAKE, 1, 0.05), "can be split"),
        (lambda: joined(MOVES, TAKE, 1, 20.0), "is the last"),
        (lambda: added((), TAKE, 1, 1.0, 59.99), "does not lie inside"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_a_sentence(change, match):
    with pytest.raises(SettingError, match=match):
        change()
