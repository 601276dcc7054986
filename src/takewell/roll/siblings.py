"""Which strands of files were recorded by the same press of record?

A take may lie in one file, in one file per track, in a float file with its 24-bit copy (a file has one word
length), and have a mix beside it. Such files share a family in iXML, or begin at the same time stamp, or
(where nothing better is known) have the same name but for a track or a word, and the same length.

Conventions: no two of a recorder's takes overlap in time. Names decide only where stamps are missing; what
they may decide is common practice, no source.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterator, Sequence
from itertools import combinations

from takewell.roll.names import is_explicit_track, is_track_word, natural_order
from takewell.roll.said import days_samples
from takewell.roll.strands import CLOCK_SLACK_S, LONGEST_FRAME_S, Strand

NEAR_START_S = 0.5
"""Files that name the same take begin within this of each other."""

NEAR_LENGTH_S = 0.1
"""Files of one press of record that end together have lengths within this."""


def find_siblings(strands: Sequence[Strand]) -> tuple[tuple[Strand, ...], ...]:
    """Return the strands sorted into takes, each take's strands in natural order of their paths."""
    parent = list(range(len(strands)))

    def root(index: int) -> int:
        while parent[index] != index:
            parent[index] = parent[parent[index]]
            index = parent[index]
        return index

    for one, two in _pairs_worth_a_look(strands):
        if root(one) != root(two) and _are_siblings(strands[one], strands[two]):
            parent[root(two)] = root(one)
    found: dict[int, list[Strand]] = defaultdict(list)
    for index, strand in enumerate(strands):
        found[root(index)].append(strand)
    return tuple(
        tuple(sorted(group, key=lambda strand: natural_order(strand.first.header.path)))
        for group in found.values()
    )


def _pairs_worth_a_look(strands: Sequence[Strand]) -> Iterator[tuple[int, int]]:
    """Yield pairs of strands that share a family, a name or a moment."""
    buckets: dict[Hashable, list[int]] = defaultdict(list)
    for index, strand in enumerate(strands):
        for key in set(_keys(strand)):
            buckets[key].append(index)
    for bucket in buckets.values():
        yield from combinations(bucket, 2)


def _keys(strand: Strand) -> Iterator[Hashable]:
    first, rate = strand.first, strand.first.header.info.rate
    if first.family:
        yield "family", first.family
    if first.identity:
        yield "take", first.identity, first.tape
    for name in {first.hints.whole, first.hints.base}:
        yield "name", name
    if is_track_word(first.hints.tail):
        yield "name", first.hints.head
    if strand.stamped and first.position is not None:
        # Two neighbouring cells of time, so that a pair on both sides of an edge meets in one of them.
        cell = first.position // rate
        yield from (("time", rate, cell), ("time", rate, cell + 1))
    else:
        yield "length", first.hints.head, strand.length_samples


def _are_siblings(one: Strand, two: Strand) -> bool:
    a, b = one.first, two.first
    if a.header.info.rate != b.header.info.rate:
        return False
    if a.identity and b.identity and a.identity != b.identity:
        return False
    rate = a.header.info.rate
    same_family = bool(a.family) and a.family == b.family
    near_length = abs(one.length_samples - two.length_samples) <= rate * NEAR_LENGTH_S
    if one.stamped and two.stamped and a.position is not None and b.position is not None:
        if a.date and b.date and a.date != b.date:
            return False
        apart = abs(a.position - b.position)
        apart = min(apart, *(abs(day - apart) for day in days_samples(a)))
        if same_family:
            shorter = min(one.length_samples, two.length_samples)
            return apart <= max(shorter, rate * NEAR_START_S)
        same_take = a.identity is not None and a.identity == b.identity
        if same_take or _named_as_copies(one, two) or _named_as_tracks(one, two):
            return apart <= rate * NEAR_START_S
        return near_length and apart <= rate * LONGEST_FRAME_S
    if same_family:
        return near_length or (a.identity is not None and a.identity == b.identity)
    if _named_as_copies(one, two):
        explicit = any(s.first.hints.copy and s.first.hints.explicit for s in (one, two))
        return near_length or explicit
    if not _named_as_tracks(one, two) or _closed_apart(one, two):
        return False
    if all(is_explicit_track(s.first.hints.tail) or s.first.hints.copy for s in (one, two)):
        return near_length
    return one.length_samples == two.length_samples


def _named_as_copies(one: Strand, two: Strand) -> bool:
    """Return whether names differ by nothing but the words for a copy (``14-2`` and ``14-2_safety``)."""
    a, b = one.first.hints, two.first.hints
    if a.whole == b.whole:
        return False
    unlike = a.copy != b.copy or one.first.layout != two.first.layout
    return a.whole == b.base or a.base == b.whole or (a.base == b.base and unlike)


def _named_as_tracks(one: Strand, two: Strand) -> bool:
    """Return whether names differ by nothing but a track's (``14-2_1`` and ``14-2_2``, ``Tr1`` and ``Tr2``)."""
    a, b = one.first.hints, two.first.hints
    for mono, other in ((one, b), (two, a)):
        hints = mono.first.hints
        if is_track_word(hints.tail) and hints.head == other.base and other.copy == "mix":
            return True
    if any(strand.first.header.info.channels != 1 for strand in (one, two)):
        return False
    if a.head != b.head or a.tail == b.tail or one.first.layout != two.first.layout:
        return False
    if all(is_track_word(hints.tail) for hints in (a, b)):
        return True
    # Plain numbers count takes as often as tracks: what stands before them must name a take already.
    plain = all(hints.tail.isdecimal() and len(hints.tail) <= 2 for hints in (a, b))
    return plain and any(sign.isdecimal() for sign in a.head)


def _closed_apart(one: Strand, two: Strand) -> bool:
    """Return whether the files' times of change say that one was recorded after the other."""
    length_s = min(s.length_samples / s.first.header.info.rate for s in (one, two))
    apart_s = abs(one.files[-1].header.mtime_ns - two.files[-1].header.mtime_ns) / 1e9
    return length_s > 2 * CLOCK_SLACK_S and apart_s >= length_s - CLOCK_SLACK_S
