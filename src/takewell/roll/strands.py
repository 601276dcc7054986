"""Which files continue one another, because the recorder began a new one without stopping?

Conventions: a *strand* is one file of a take with all that continue it. The next file begins where the last
one ended, to the sample by their time stamps; a gap is kept in samples, so that what follows stays in line.
What counts as evidence when stamps are missing is common practice, no source.
"""

import bisect
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from takewell.roll.names import earlier_stems, natural_order
from takewell.roll.said import Said, days_samples, gap_samples
from takewell.timecode import Timecode

LONGEST_GAP_S = 10
"""What a recorder may lose while it changes files, at most; longer pauses are somebody's finger."""

LONGEST_FRAME_S = 1 / 20
"""Stamps that are rounded to timecode frames are off by less than a frame, the longest being 1/23.976 s."""

SIZE_LIMITS = (2**30, 2**31, 2**32, 10**9, 2 * 10**9, 4 * 10**9)
"""Sizes in bytes at which recorders change files: what cards' file systems and WAVE headers can hold."""

LIMIT_SHARE = 0.98
"""A file from this share of a limit on may have been ended by it."""

LEAST_PART_S = 60
"""Without stamps, shorter files are not taken for parts of a longer one."""

CLOCK_SLACK_S = 3.0
"""Times of change on cards come in steps of 2 s, and closing a file takes a moment."""


@dataclass(frozen=True)
class Strand:
    """One file and what continues it, with the gap in samples before each continuation."""

    files: tuple[Said, ...]
    gaps: tuple[int, ...] = ()
    sentences: tuple[str, ...] = ()

    @property
    def first(self) -> Said:
        """The file the strand begins with."""
        return self.files[0]

    @property
    def starts(self) -> tuple[int, ...]:
        """First sample of each file, counted from the strand's first sample."""
        starts = [0]
        for file, gap in zip(self.files, self.gaps, strict=False):
            starts.append(starts[-1] + file.header.info.length_samples + gap)
        return tuple(starts)

    @property
    def length_samples(self) -> int:
        """Samples from the first to past the last, gaps included."""
        return self.starts[-1] + self.files[-1].header.info.length_samples

    @property
    def stamped(self) -> bool:
        """Whether the strand's place in the day is known."""
        return self.first.stamped


def find_strands(files: Sequence[Said]) -> tuple[Strand, ...]:
    """Return the files sorted into strands; a file that nothing continues is a strand of its own."""
    links = sorted(
        _candidates(files),
        key=lambda link: (
            link.rank,
            natural_order(link.earlier.header.path),
            natural_order(link.later.header.path),
        ),
    )
    after: dict[str, _Link] = {}
    before: dict[str, _Link] = {}
    for link in links:
        if link.earlier.header.path not in after and link.later.header.path not in before:
            after[link.earlier.header.path] = link
            before[link.later.header.path] = link
    strands = []
    used: set[str] = set()
    # Files that nothing precedes begin the strands; a ring (a clock that stands still) is opened at its first file.
    for file in sorted(files, key=lambda file: file.header.path in before):
        chain: list[_Link] = []
        path = file.header.path
        if path in used:
            continue
        used.add(path)
        while path in after and after[path].later.header.path not in used:
            chain.append(after[path])
            path = chain[-1].later.header.path
            used.add(path)
        strands.append(
            Strand(
                files=(file, *(link.later for link in chain)),
                gaps=tuple(link.gap for link in chain),
                sentences=tuple(link.sentence for link in chain if link.sentence),
            )
        )
    return tuple(strands)


@dataclass(frozen=True)
class _Link:
    """A possible continuation; the lowest rank is the likeliest."""

    rank: int
    earlier: Said
    later: Said
    gap: int
    sentence: str


def _candidates(files: Sequence[Said]) -> Iterator[_Link]:
    """Yield the possible links, looking only where stamps or names are near."""
    by_layout: dict[tuple[int, str, int], list[Said]] = defaultdict(list)
    for file in files:
        by_layout[file.layout].append(file)
    for alike in by_layout.values():
        rate = alike[0].header.info.rate
        placed = sorted((f for f in alike if f.end is not None), key=lambda f: f.end or 0)
        ends = [f.end or 0 for f in placed]
        named: dict[str, list[Said]] = defaultdict(list)
        for file in alike:
            named[file.header.stem.lower()].append(file)
        for later in alike:
            series = earlier_stems(later.header.stem)
            near = [file for stem in series for file in named.get(stem, ())]
            if later.position is not None:
                for position in (later.position, *(later.position + day for day in days_samples(later))):
                    low = bisect.bisect_left(ends, position - LONGEST_GAP_S * rate)
                    high = bisect.bisect_right(ends, position + rate * LONGEST_FRAME_S)
                    near += placed[low:high]
            for earlier in {id(file): file for file in near if file is not later}.values():
                link = _link(earlier, later, earlier.header.stem.lower() in series)
                if link is not None:
                    yield link


def _link(earlier: Said, later: Said, in_series: bool) -> _Link | None:
    """Return how `later` continues `earlier`, or None when it does not."""
    if _contradict(earlier, later):
        return None
    same_family = bool(earlier.family) and earlier.family == later.family
    same_take = earlier.identity is not None and earlier.identity == later.identity
    tied = in_series or same_family or same_take
    rank = 4 - 2 * in_series - same_family - same_take
    gap = gap_samples(earlier, later)
    if gap is None or not (earlier.stamped or later.stamped):
        continues = in_series and (_ended_by_size(earlier) or _clocks_touch(earlier, later))
        return _Link(rank + 8, earlier, later, 0, "") if continues else None
    if gap == 0:
        # Ends and begins on one sample in some hundred million: no two presses of record do that.
        return _Link(rank, earlier, later, 0, "")
    if not tied:
        return None
    rate = earlier.header.info.rate
    names = f"{earlier.header.path} and {later.header.path}"
    shorter = min(file.header.info.length_samples for file in (earlier, later))
    rounded = abs(gap) < min(rate * LONGEST_FRAME_S, shorter / 2)
    if rounded and (gap < 0 or (_on_a_frame(earlier) and _on_a_frame(later))):
        sentence = f"The time stamps of {names} miss each other by {abs(gap)} samples, less than a frame; joined without a gap."
        return _Link(rank + 1, earlier, later, 0, sentence)
    at_limit = _ended_by_size(earlier) and (in_series or same_take)
    if 0 < gap <= LONGEST_GAP_S * rate and (same_family or at_limit):
        sentence = f"{gap} samples ({gap / rate:.3f} s) are missing between {names}."
        return _Link(rank + 2, earlier, later, gap, sentence)
    return None


def _contradict(earlier: Said, later: Said) -> bool:
    """Return whether anything says that two files of one layout are not the same tracks of one take."""
    if earlier.identity and later.identity and earlier.identity != later.identity:
        return True
    if earlier.hints.copy != later.hints.copy:
        return True
    pairs = (
        (earlier.channel_indices, later.channel_indices),
        (earlier.track_names, later.track_names),
    )
    return any(any(one) and any(two) and one != two for one, two in pairs)


def _ended_by_size(file: Said) -> bool:
    size = file.header.size_bytes
    return any(limit * LIMIT_SHARE <= size <= limit * (2 - LIMIT_SHARE) for limit in SIZE_LIMITS)


def _clocks_touch(earlier: Said, later: Said) -> bool:
    """Return whether the times of change say that the later file was begun when the earlier one was closed."""
    rate = earlier.header.info.rate
    lengths_s = [file.header.info.length_samples / rate for file in (earlier, later)]
    between_s = (later.header.mtime_ns - earlier.header.mtime_ns) / 1e9
    return lengths_s[0] >= LEAST_PART_S and abs(between_s - lengths_s[1]) <= CLOCK_SLACK_S < lengths_s[1]


def _on_a_frame(file: Said) -> bool:
    """Return whether the stamp is the start of a timecode frame to the nearest sample."""
    if file.position is None or file.timecode_rate is None:
        return False
    rate = file.header.info.rate
    return (
        Timecode.from_samples(file.position, rate, file.timecode_rate).time_reference(rate) == file.position
    )
