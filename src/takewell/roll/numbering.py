"""What is odd about a roll as a whole: missing numbers, takes that overlap, rates that differ, missing copies?

Conventions: sentences for a person, each about one thing, naming the takes it is about. Nothing here decides
anything; a gap in numbering may well be a take that was never recorded.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction

from takewell.roll.strands import LONGEST_FRAME_S
from takewell.roll.values import Take

USUAL_SHARE = 0.6
"""A copy that this share of the takes has is missed where a take has none."""

LEAST_TAKES = 3
"""With fewer takes nothing is usual."""

_Span = tuple[str, Fraction, Fraction, Take]
"""Date, start, end, take."""

MOST_NAMES = 8
"""Takes named in one sentence; of more, the first are named and the rest counted."""


def roll_warnings(takes: Sequence[Take]) -> list[str]:
    """Return sentences about what does not fit together in a roll."""
    return [
        *_missing_takes(takes),
        *_missing_file_numbers(takes),
        *_overlaps(takes),
        *_differing(takes, "sampling rate", {t.id: f"{t.rate} Hz" for t in takes}),
        *_differing(takes, "timecode rate", {t.id: str(t.timecode_rate) for t in takes if t.timecode_rate}),
        *_missing_copies(takes),
    ]


def _missing_takes(takes: Sequence[Take]) -> list[str]:
    numbers: dict[str, set[int]] = defaultdict(set)
    for take in takes:
        if take.take.isdecimal():
            numbers[take.scene].add(int(take.take))
    return [
        f"Scene {scene or '(without name)'}: take {_ranges(missing)} missing between {min(found)} and {max(found)}."
        for scene, found in numbers.items()
        if (missing := _holes(found))
    ]


def _missing_file_numbers(takes: Sequence[Take]) -> list[str]:
    """Return gaps in file names that count (``REC0041``), for takes that have no number of their own."""
    series: dict[tuple[str, str], set[int]] = defaultdict(set)
    for take in takes:
        stem = take.files[0].path.rpartition(".")[0]
        match = re.fullmatch(r"(.*?)(\d{3,6})(\D*)", stem)
        if match and not take.take.isdecimal():
            series[match[1], match[3]].add(int(match[2]))
    return [
        f"Files {before}…{after}: number {_ranges(missing)} missing between {min(found)} and {max(found)}."
        for (before, after), found in series.items()
        if (missing := _holes(found)) and len(missing) <= len(found)
    ]


def _holes(found: set[int]) -> list[int]:
    if len(found) < 2 or max(found) - min(found) > 10_000:
        return []
    return sorted(set(range(min(found), max(found))) - found)


def _ranges(numbers: Sequence[int]) -> str:
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    return ", ".join(str(p[0]) if len(p) == 1 else f"{p[0]}–{p[-1]}" for p in parts)


def _overlaps(takes: Sequence[Take]) -> list[str]:
    """Return sentences on takes of one date whose time stamps overlap: one recorder cannot record two at once."""
    spans: list[_Span] = []
    for take in takes:
        stamp = next((file.time_reference for file in take.files if file.time_reference is not None), None)
        if stamp is not None:
            start_s = Fraction(stamp, take.rate)
            spans.append((take.date or "", start_s, start_s + take.duration_s, take))
    spans.sort(key=lambda span: (span[0], span[1]))
    warnings = []
    for last, span in _with_latest_end(spans):
        common_s = last[2] - span[1]
        if span[0] == last[0] and common_s > Fraction(LONGEST_FRAME_S):
            common_s = min(common_s, span[2] - span[1])
            warnings.append(
                f"Takes {last[3].id} and {span[3].id} overlap by {float(common_s):.2f} s in their time stamps."
            )
    return warnings


def _with_latest_end(spans: Sequence[_Span]) -> Iterator[tuple[_Span, _Span]]:
    """Yield each span but the first together with the earlier one of its date that ends last."""
    last: _Span | None = None
    for span in spans:
        if last is not None:
            yield last, span
        if last is None or span[0] != last[0] or span[2] > last[2]:
            last = span


def _differing(takes: Sequence[Take], what: str, values: dict[str, str]) -> list[str]:
    counts = Counter(values.values())
    if len(counts) < 2:
        return []
    usual = counts.most_common(1)[0][0]
    order = [take.id for take in takes if take.id in values]
    return [
        f"The {what} is {value} in take {_some([i for i in order if values[i] == value])}, {usual} elsewhere."
        for value in counts
        if value != usual
    ]


def _missing_copies(takes: Sequence[Take]) -> list[str]:
    """Return takes without a safety copy or mix where most have one."""
    warnings = []
    spoken = [take for take in takes if take.kind == "take"]
    for role, what in (("safety", "safety copy"), ("mix", "mix")):
        lacking = [take.id for take in spoken if all(track.role != role for track in take.tracks)]
        having = len(spoken) - len(lacking)
        if lacking and len(spoken) >= LEAST_TAKES and having >= USUAL_SHARE * len(spoken):
            warnings.append(f"Take {_some(lacking)} has no {what}; the others have one.")
    return warnings


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:MOST_NAMES])
    return shown if len(names) <= MOST_NAMES else f"{shown} and {len(names) - MOST_NAMES} more"
