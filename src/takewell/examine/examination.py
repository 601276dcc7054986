"""Is each track of a roll usable, and if not, where, why and what then?

Take by take: traces and measurements from the logbook (measured first where they are not there yet), twins, the
detectors in their one list, the stage of each overload, a verdict per track and the best track.
"""

from collections.abc import Callable, Sequence

from takewell.examine.clipped import KIND as CLIPPED
from takewell.examine.detectors import TAKE_DETECTORS, TRACK_DETECTORS
from takewell.examine.evidence import TakeEvidence
from takewell.examine.stages import with_stages
from takewell.examine.twins import Twin, find_twins
from takewell.examine.verdict import best_track, judge, worst_first
from takewell.roll.values import BestTrack, Finding, Verdict

Progress = Callable[[str, float], None]
"""Told the take that was just examined and the share of the roll's sound that is done."""


def examine_take(
    heard: TakeEvidence, *, live_elsewhere: frozenset[int] = frozenset()
) -> tuple[list[Finding], list[Verdict], BestTrack | None]:
    """Return findings (worst first), verdicts (one per track) and the best track of one take.

    Parameters
    ----------
    heard : TakeEvidence
        The take with its traces, measurements and a reader for its samples.
    live_elsewhere : set of int
        Numbers of the tracks that carry sound in other takes of the roll.
    """
    twins = find_twins(tuple(t for t in heard.tracks if t.track.role not in ("unused", "timecode", "tone")))
    by_track = {
        track.track.number: [f for d in TRACK_DETECTORS if track.track.role in d.roles for f in d.find(track)]
        for track in heard.tracks
    }
    whole_take = [finding for find in TAKE_DETECTORS for finding in find(heard)]
    for finding in whole_take:
        if finding.track:
            by_track[finding.track].append(finding)
    clipped = {n: [f for f in found if f.kind == CLIPPED] for n, found in by_track.items()}
    for track in heard.tracks:
        number = track.track.number
        by_track[number] = with_stages(track, by_track[number], twins.get(number, ()), clipped)
    files = [f for f in whole_take if not f.track]
    verdicts = _verdicts(heard, by_track, files, twins, live_elsewhere)
    findings = worst_first([f for found in by_track.values() for f in found] + files)
    return findings, verdicts, best_track(list(zip(heard.tracks, verdicts, strict=True)))


def _verdicts(
    heard: TakeEvidence,
    by_track: dict[int, list[Finding]],
    files: Sequence[Finding],
    twins: dict[int, tuple[Twin, ...]],
    live_elsewhere: frozenset[int],
) -> list[Verdict]:
    def concerned(number: int) -> list[Finding]:
        track = next(t.track for t in heard.tracks if t.track.number == number)
        lying_in = {piece.file for piece in track.pieces}
        return by_track[number] + [f for f in files if f.file in lying_in]

    alone = {
        t.track.number: judge(t, concerned(t.track.number), live_elsewhere=t.track.number in live_elsewhere)
        for t in heard.tracks
    }
    whole = frozenset(n for n, verdict in alone.items() if verdict.verdict in ("good", "level"))
    return [
        judge(
            t,
            concerned(t.track.number),
            twins.get(t.track.number, ()),
            whole,
            live_elsewhere=t.track.number in live_elsewhere,
        )
        for t in heard.tracks
    ]
