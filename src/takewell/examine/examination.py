"""Is each track of a roll usable, and if not, where, why and what then?

Take by take: traces and measurements from the logbook (measured first where they are not there yet), twins, the
detectors in their one list, the stage of each overload, a verdict per track and the best track. One take's traces
are held at a time.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from takewell.errors import TakewellError
from takewell.examine.between import best_for_voices, find_between
from takewell.examine.clipped import KIND as CLIPPED
from takewell.examine.dead_track import KIND as DEAD
from takewell.examine.detectors import TAKE_DETECTORS, TRACK_DETECTORS
from takewell.examine.evidence import TARGET_LUFS, SampleReader, TakeEvidence, TrackEvidence
from takewell.examine.kinship import find_kinship
from takewell.examine.late_twins import find_late_twins
from takewell.examine.other_takes import candidate_takes, offset_between
from takewell.examine.pairs import HeardPair, find_pair_events, followed_pair, pairs_of
from takewell.examine.stages import with_stages
from takewell.examine.time_order import find_overlapping_takes
from takewell.examine.twins import Twin, find_twins
from takewell.examine.verdict import best_track, judge, worst_first
from takewell.plan.predictions import Prediction, prediction_for, stored_predictions
from takewell.roll.logbook import Logbook
from takewell.roll.reading import MeasuredTake, TrackReader, measured_take
from takewell.roll.values import BestTrack, Examination, Finding, Pair, Roll, Take, Verdict

MOST_KEPT_S = 20 * 3600.0
"""Seconds of tracks whose traces are kept where there is no logbook to find them again, so that takes can be held against
each other; they need some 90 MB."""

Progress = Callable[[str, int, int], None]
"""Told the take in work, the samples of all tracks examined so far and those to examine."""


@dataclass(frozen=True)
class ExaminedTake:
    """What one take came to."""

    take: Take
    findings: tuple[Finding, ...]
    """Worst first."""
    verdicts: tuple[Verdict, ...]
    """One per track, in their order."""
    best: BestTrack | None
    pairs: tuple[Pair, ...] = ()
    best_for_voices: tuple[BestTrack, ...] = ()


def examine(roll: Roll, progress: Progress | None = None) -> Examination:
    """Return findings and verdicts of a roll or of loose files, kept in the logbook where the roll has one.

    Parameters
    ----------
    roll : Roll
        As `takewell.roll.read_roll` or `loose` gives it.
    progress : callable, optional
        Called before each take and at the end.

    Returns
    -------
    Examination
        Findings worst first; verdicts in the order of takes and tracks; a sentence for each file or take that could
        not be read.
    """
    logbook = Logbook(roll.folder) if roll.keeps else None
    try:
        examination = _examined(roll, logbook, progress)
        if logbook is not None:
            logbook.save_examination(examination)
        return examination
    finally:
        if logbook is not None:
            logbook.close()


def examine_take(heard: TakeEvidence) -> ExaminedTake:
    """Return what one take comes to, by its own evidence alone.

    Parameters
    ----------
    heard : TakeEvidence
        The take with its traces, measurements and a reader for its samples.
    """
    twins = find_twins(tuple(t for t in heard.tracks if t.track.role not in ("unused", "timecode", "tone")))
    twins = _with_late_twins(heard, twins)
    by_track = {
        track.track.number: [f for d in TRACK_DETECTORS if track.track.role in d.roles for f in d.find(track)]
        for track in heard.tracks
    }
    whole_take = [finding for find in TAKE_DETECTORS for finding in find(heard)]
    whole_take += find_kinship(heard, twins)
    between, voices = find_between(heard, twins)
    whole_take += between
    for finding in whole_take:
        if finding.track:
            by_track[finding.track].append(finding)
    pairs = pairs_of(heard.tracks, twins, by_track)
    for event in (e for pair in pairs for e in find_pair_events(pair)):
        by_track[event.track].append(event)
    clipped = {n: [f for f in found if f.kind == CLIPPED] for n, found in by_track.items()}
    for track in heard.tracks:
        number = track.track.number
        by_track[number] = with_stages(track, by_track[number], twins.get(number, ()), clipped)
    files = [f for f in whole_take if not f.track]
    verdicts = _verdicts(heard, by_track, files, twins)
    findings = worst_first([f for found in by_track.values() for f in found] + files)
    best = best_track(list(zip(heard.tracks, verdicts, strict=True)))
    for_voices = (
        best_for_voices(voices, {v.track: v for v in verdicts}, twins) if len(heard.tracks) > 1 else []
    )
    return ExaminedTake(
        heard.take, tuple(findings), tuple(verdicts), best, tuple(p.pair for p in pairs), tuple(for_voices)
    )


def evidence_of(
    measured: MeasuredTake,
    reader: SampleReader,
    target_lufs: float = TARGET_LUFS,
    predictions: Sequence[Prediction] = (),
) -> TakeEvidence:
    """Return what the detectors get of a measured take, with what the day's plan said of its tracks."""
    take = measured.take
    tracks = tuple(
        TrackEvidence(
            take,
            track,
            measured.trace(track.number),
            measured.measured(track.number),
            reader,
            target_lufs,
            prediction_for(predictions, take.scene, track.name),
        )
        for track in take.tracks
    )
    return TakeEvidence(take, tracks, reader)


def _with_late_twins(heard: TakeEvidence, twins: dict[int, tuple[Twin, ...]]) -> dict[int, tuple[Twin, ...]]:
    """Return the twins with those behind a link's latency besides."""
    known = {frozenset((n, t.other.track.number)) for n, found in twins.items() for t in found}
    joined = dict(twins)
    for track, late in find_late_twins(heard.tracks, known):
        back = Twin(track, -late.gain_db, late.correlation, -late.lag_samples)
        joined[track.track.number] = (*joined.get(track.track.number, ()), late)
        joined[late.other.track.number] = (*joined.get(late.other.track.number, ()), back)
    return joined


def _pairs_between_takes(
    roll: Roll, logbook: Logbook | None, takes: Sequence[ExaminedTake], kept: Mapping[str, MeasuredTake]
) -> list[HeardPair]:
    """Return pairs whose tracks lie in two takes, such as those of two recorders."""
    examined = {take.take.id: take for take in takes}
    found = []
    # Of two recorders the one with more tracks is the bag's; the other's are its copies.
    for one, two in (
        sorted(pair, key=lambda take: -len(take.tracks))
        for pair in candidate_takes([take.take for take in takes])
    ):
        if logbook is None and not {one.id, two.id} <= kept.keys():
            continue
        with TrackReader(roll.folder, one) as reader, TrackReader(roll.folder, two) as other:
            heard = [
                evidence_of(kept.get(take.id) or measured_take(roll, take, logbook=logbook), r)
                for take, r in ((one, reader), (two, other))
            ]
            isos = [[t for t in h.tracks if t.track.role == "iso" and t.trace.k_rms.any()] for h in heard]
            for first in isos[0]:
                for copy in isos[1]:
                    lies = offset_between(first, copy)
                    if lies is not None:
                        own, theirs = (
                            [f for f in examined[t.take.id].findings if f.track == t.track.number]
                            for t in (first, copy)
                        )
                        found.append(followed_pair(first, copy, lies, own, theirs))
    return found


def _examined(roll: Roll, logbook: Logbook | None, progress: Progress | None) -> Examination:
    whole = sum(take.length_samples * len(take.tracks) for take in roll.takes)
    done = 0
    takes: list[ExaminedTake] = []
    kept: dict[str, MeasuredTake] = {}
    held_s = 0.0
    unreadable = list(roll.unreadable)
    predictions = stored_predictions(roll.folder) if roll.keeps else ()
    for take in roll.takes:
        if progress is not None:
            progress(take.id, done, whole)
        try:
            measured = measured_take(roll, take, logbook=logbook)
            held_s += float(take.duration_s) * len(take.tracks)
            if logbook is None and held_s <= MOST_KEPT_S:
                kept[take.id] = measured
            with TrackReader(roll.folder, take) as reader:
                takes.append(examine_take(evidence_of(measured, reader, predictions=predictions)))
        except TakewellError as error:
            unreadable.append(f"Take {take.id} was not examined: {error}")
        done += take.length_samples * len(take.tracks)
    if progress is not None:
        progress("", done, whole)
    takes = _with_empty_tracks_judged(takes)
    between = _pairs_between_takes(roll, logbook, takes, kept)
    findings = [f for take in takes for f in take.findings]
    findings += [event for pair in between for event in find_pair_events(pair)]
    # A second recorder's take of the same moment overlaps the first's by right.
    second = {pair.pair.other_take for pair in between}
    findings += find_overlapping_takes([take for take in roll.takes if take.id not in second])
    return Examination(
        findings=tuple(worst_first(findings)),
        verdicts=tuple(v for take in takes for v in take.verdicts),
        unreadable=tuple(unreadable),
        best=tuple(b for take in takes for b in (take.best, *take.best_for_voices) if b is not None),
        pairs=(*(pair for take in takes for pair in take.pairs), *(pair.pair for pair in between)),
    )


def _verdicts(
    heard: TakeEvidence,
    by_track: dict[int, list[Finding]],
    files: Sequence[Finding],
    twins: dict[int, tuple[Twin, ...]],
) -> list[Verdict]:
    concerned = {}
    for heard_track in heard.tracks:
        lying_in = {piece.file for piece in heard_track.track.pieces}
        number = heard_track.track.number
        concerned[number] = by_track[number] + [f for f in files if f.file in lying_in]
    alone = {t.track.number: judge(t, concerned[t.track.number]) for t in heard.tracks}
    whole = frozenset(n for n, verdict in alone.items() if verdict.verdict in ("good", "level"))
    return [judge(t, concerned[t.track.number], twins.get(t.track.number, ()), whole) for t in heard.tracks]


def _with_empty_tracks_judged(takes: list[ExaminedTake]) -> list[ExaminedTake]:
    """Return the takes with an unnamed empty track called lost where it carries sound in another take.

    An input that works in one take and is empty in the next was pulled, muted or not armed.
    """
    empty = {(f.take, f.track) for take in takes for f in take.findings if f.kind == DEAD}
    live = {
        track.number
        for take in takes
        for track in take.take.tracks
        if track.role == "iso" and (take.take.id, track.number) not in empty
    }

    def raised(finding: Finding) -> Finding:
        if finding.kind != DEAD or finding.severity != "note" or finding.track not in live:
            return finding
        return replace(
            finding,
            severity="major",
            sentence=f"{finding.sentence}; this track carries sound in other takes",
            remedy="Find its sound on another microphone; check cable, mute and arming before the next take.",
        )

    judged = []
    for take in takes:
        findings = [raised(f) for f in take.findings]
        lost = {
            f.track: f
            for f, before in zip(findings, take.findings, strict=True)
            if f.severity != before.severity
        }
        verdicts = tuple(
            replace(v, verdict="lost", reason=f"{lost[v.track].sentence.capitalize()}.")
            if v.track in lost
            else v
            for v in take.verdicts
        )
        judged.append(replace(take, findings=tuple(worst_first(findings)), verdicts=verdicts))
    return judged
