"""How do the two tracks of a pair (an ISO and its copy) lie to each other, and which serves each passage better?

Every two ISOs or safety copies with one sound (`twins`) are a pair; the first is the ISO, the other its copy, labelled
or not. The gain between them is followed (`pair_gain`); where it was moved, and where a limiter held one of them
back, is told as a finding. A passage is served better by the track that is whole there, else by the one whose own
noise lies lower, level for level.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from takewell.examine.evidence import TrackEvidence
from takewell.examine.other_takes import Offset
from takewell.examine.pair_gain import Followed, Held, Setting, follow_gain, railed_steps
from takewell.examine.twins import Twin
from takewell.examine.wording import clock, count, level, signed, when
from takewell.roll.values import Finding, Pair, PairPassage, PairState

MOVED, LIMITED = "gain_moved", "limited"

HURTS = {
    "clipped": "is clipped",
    "nonfinite": "holds samples that are no numbers",
    "digital_silence": "is silent",
    "dropout": "drops out",
    "rf_burst": "buzzes",
    "clock_clicks": "clicks",
}
"""Kinds that hurt a stretch of a track so that its twin serves better there, in words."""

NOISE_DB = 1.0
"""From how much more noise of its own a track serves worse."""

MINOR_HELD_DB = 3.0
"""A limiter that takes more than this off is heard."""

MOST_PLACES = 20


@dataclass(frozen=True)
class HeardPair:
    """Two tracks with one source, with what is known of both."""

    first: TrackEvidence
    copy: TrackEvidence
    pair: Pair
    held: tuple[Held, ...] = ()


def pairs_of(
    tracks: Sequence[TrackEvidence],
    twins: Mapping[int, Sequence[Twin]],
    findings: Mapping[int, Sequence[Finding]],
) -> list[HeardPair]:
    """Return the pairs of a take, the gain between their tracks followed.

    Parameters
    ----------
    tracks : sequence of TrackEvidence
    twins : mapping of int to sequence of Twin
        As `find_twins` gives them.
    findings : mapping of int to sequence of Finding
        What was found on each track, by number.
    """
    found = []
    for track in tracks:
        for twin in twins.get(track.track.number, ()):
            first, copy = _in_order(track, twin.other)
            if first is track and {first.track.role, copy.track.role} <= {"iso", "safety"}:
                lies = Offset(twin.lag_samples / track.rate, 0.0, twin.correlation, twin.gain_db)
                own, other = (findings.get(t.track.number, ()) for t in (first, copy))
                found.append(followed_pair(first, copy, lies, own, other))
    return found


def followed_pair(
    first: TrackEvidence,
    copy: TrackEvidence,
    lies: Offset,
    findings: Sequence[Finding],
    copy_findings: Sequence[Finding],
) -> HeardPair:
    """Return a pair with its gain over time.

    Parameters
    ----------
    first, copy : TrackEvidence
    lies : Offset
        How the copy lies to the first.
    findings, copy_findings : sequence of Finding
        What was found on each, in seconds of its own take.
    """
    drift = 1 + lies.drift_ppm * 1e-6
    hurts = [f for f in findings if _hurts(first, f)]
    copy_hurts = [
        replace(f, start_s=(f.start_s - lies.delay_s) / drift, end_s=(f.end_s - lies.delay_s) / drift)
        for f in copy_findings
        if _hurts(copy, f)
    ]
    rails = [(f.start_s, f.end_s) for f in (*hurts, *copy_hurts) if f.kind == "clipped"]
    followed = follow_gain(
        first.trace,
        copy.trace,
        # Within a millisecond the steps themselves fit well enough, and need not be shifted.
        delay_s=lies.delay_s if abs(lies.delay_s) > 1e-3 else 0.0,
        drift_ppm=lies.drift_ppm,
        railed=railed_steps(first.trace, rails),
    )
    pair = Pair(
        first.take.id,
        first.track.number,
        copy.take.id,
        copy.track.number,
        lies.correlation,
        lies.gain_db if followed is None else followed.gain_db,
        lies.delay_s,
        lies.drift_ppm,
    )
    if followed is None:
        return HeardPair(first, copy, pair)
    held = _held(followed, hurts, copy_hurts)
    marks = [
        _Mark(
            h.start_s,
            h.end_s,
            "limited",
            2 if h.copy else 1,
            h.most_db,
            f"is held back by {level(h.most_db)} dB",
        )
        for h in held
    ]
    marks += [_mark(f, 1) for f in hurts] + [_mark(f, 2) for f in copy_hurts]
    return HeardPair(first, copy, replace(pair, passages=tuple(_passages(followed, marks))), tuple(held))


def find_pair_events(heard: HeardPair) -> list[Finding]:
    """Return findings on moves of the gain between the tracks of a pair, and on limiters that held one back."""
    moves = [p for p in heard.pair.passages if p.state == "steady" and p.changed_by_db]
    found = [_moved(heard, moves)] if moves else []
    for at_work in (True, False):
        held = [h for h in heard.held if h.copy is at_work]
        if held:
            found.append(_limited(heard, held, at_work))
    return found


@dataclass(frozen=True)
class _Mark:
    """A stretch in which one track (1 or 2) does not serve."""

    start_s: float
    end_s: float
    state: PairState
    which: int
    by_db: float
    why: str


def _in_order(one: TrackEvidence, two: TrackEvidence) -> tuple[TrackEvidence, TrackEvidence]:
    """Return the two with the ISO first, the earlier track where both are one kind."""
    ordered = sorted((one, two), key=lambda t: (t.track.role == "safety", t.track.number))
    return ordered[0], ordered[1]


def _hurts(heard: TrackEvidence, finding: Finding) -> bool:
    return finding.kind in HURTS and finding.end_s - finding.start_s < heard.length_s


def _mark(finding: Finding, which: int) -> _Mark:
    state: PairState = "clipped" if finding.kind == "clipped" else "damaged"
    return _Mark(finding.start_s, finding.end_s, state, which, 0.0, HURTS[finding.kind])


def _held(followed: Followed, hurts: Sequence[Finding], copy_hurts: Sequence[Finding]) -> list[Held]:
    """Return the stretches held back that no damage of that track explains."""
    return [
        h
        for h in followed.held
        if not any(f.start_s <= h.end_s and f.end_s >= h.start_s for f in (copy_hurts if h.copy else hurts))
    ]


def _passages(followed: Followed, marks: Sequence[_Mark]) -> list[PairPassage]:
    """Return the passages: each setting of the gain, cut where one of the two does not serve."""
    passages: list[PairPassage] = []
    before_db: float | None = None
    for setting in followed.settings:
        changed_db = 0.0 if before_db is None else setting.gain_db - before_db
        before_db = setting.gain_db
        inside = [m for m in marks if m.start_s < setting.end_s and m.end_s > setting.start_s]
        edges = {setting.start_s, setting.end_s}
        edges |= {min(max(s, setting.start_s), setting.end_s) for m in inside for s in (m.start_s, m.end_s)}
        ordered = sorted(edges)
        for start_s, end_s in pairwise(ordered):
            here = [m for m in inside if m.start_s < end_s and m.end_s > start_s]
            passages.append(_passage(setting, start_s, end_s, here, changed_db))
            if not here:
                changed_db = 0.0
    return passages


def _passage(
    setting: Setting, start_s: float, end_s: float, marks: Sequence[_Mark], changed_db: float
) -> PairPassage:
    if not marks:
        return PairPassage(
            start_s, end_s, setting.gain_db, "steady", changed_db, *_quieter(setting.own_noise_db)
        )
    hurt = {m.which for m in marks}
    worst = max(marks, key=lambda m: m.by_db)
    whose = "the first" if worst.which == 1 else "the copy"
    if len(hurt) == 2:
        return PairPassage(start_s, end_s, setting.gain_db, worst.state, worst.by_db, 0, "both are hurt here")
    return PairPassage(
        start_s,
        end_s,
        setting.gain_db,
        worst.state,
        max(m.by_db for m in marks),
        3 - worst.which,
        f"{whose} {worst.why}",
    )


def _quieter(own_noise_db: float) -> tuple[int, str]:
    if own_noise_db >= NOISE_DB:
        return 1, f"the copy's noise lies {level(own_noise_db, 0)} dB higher, level for level"
    if own_noise_db <= -NOISE_DB:
        return 2, f"the copy's noise lies {level(-own_noise_db, 0)} dB lower, level for level"
    return 0, "both serve alike"


def _moved(heard: HeardPair, moves: Sequence[PairPassage]) -> Finding:
    first, pair = heard.first.track, heard.pair
    drift = 1 + pair.drift_ppm * 1e-6
    start_s, end_s = (
        moves[0].start_s * drift + pair.delay_s,
        (moves[-1].end_s if len(moves) > 1 else moves[0].start_s) * drift + pair.delay_s,
    )
    of = "" if pair.take == pair.other_take else f" of {pair.take}"
    told = [f"{signed(m.changed_by_db)} dB at {clock(m.start_s)}" for m in moves[:MOST_PLACES]]
    return heard.copy.finding(
        MOVED,
        start_s,
        end_s,
        confidence=0.95,
        severity="note",
        sentence=f"the gain against track {first.number} ({first.name}){of} moves: "
        + ", ".join(told[:4])
        + (f" and {count(len(moves) - 4, 'more time')}" if len(moves) > 4 else ""),
        remedy="Level each passage by its own gain; nothing is hurt.",
        other_track=first.number,
        moves=len(moves),
        moved_at_s=" ".join(f"{m.start_s:.2f}" for m in moves[:MOST_PLACES]),
        moved_by_db=" ".join(f"{m.changed_by_db:.2f}" for m in moves[:MOST_PLACES]),
    )


def _limited(heard: HeardPair, held: Sequence[Held], copy: bool) -> Finding:
    on, other = (heard.copy, heard.first) if copy else (heard.first, heard.copy)
    most_db = max(h.most_db for h in held)
    of = "" if on.take is other.take else f" of {other.take.id}"
    start_s, end_s = held[0].start_s, held[-1].end_s
    if copy:
        drift = 1 + heard.pair.drift_ppm * 1e-6
        start_s, end_s = (at_s * drift + heard.pair.delay_s for at_s in (start_s, end_s))
    total_s = sum(h.end_s - h.start_s for h in held)
    return on.finding(
        LIMITED,
        start_s,
        end_s,
        confidence=0.9,
        severity="minor" if most_db > MINOR_HELD_DB else "note",
        sentence=f"held back by up to {level(most_db)} dB against track {other.track.number} ({other.track.name}){of} "
        f"{when(start_s, end_s)}",
        remedy=f"Prefer track {other.track.number}{of} there.",
        other_track=other.track.number,
        held_back_db=most_db,
        held_back_s=total_s,
        stretches=len(held),
        places_s=" ".join(f"{h.start_s:.2f}" for h in held[:MOST_PLACES]),
    )
