"""What is each track of a take worth, and which one is to be reached for first?

`lost`: nothing usable, or an armed and named track that holds nothing. `mend`: partly damaged, usable with work or
from another track. `level`: only its level is wrong. `good`: the rest. The reason is the shortest true sentence.
Tracks are judged by their role: what is marked unused raises no alarm, timecode is no sound.
"""

from collections.abc import Sequence

from takewell.examine.evidence import TrackEvidence
from takewell.examine.twins import Twin
from takewell.examine.wording import level
from takewell.roll.values import BestTrack, Finding, Severity, Verdict, VerdictWord

LEVEL_KINDS = ("high_level", "low_level", "over_full_scale")
"""What a gain alone puts right."""

DAMAGE = {
    "dead_track": "nothing on it",
    "clipped": "clipping",
    "digital_silence": "digital silence",
    "dropout": "dropouts",
    "clock_clicks": "clock clicks",
    "nonfinite": "samples that are no numbers",
    "damaged_file": "a damaged file",
    "rf_burst": "a phone's buzz",
    "soft_saturation": "soft saturation",
    "limited": "a limiter",
    "noisy": "noise",
    "hum": "hum",
    "whine": "a whine",
    "wind": "wind",
    "rumble": "rumble",
    "thump": "knocks",
    "plosive": "popped consonants",
    "dc_offset": "an offset",
    "reversed_polarity": "reversed polarity",
    "doubled_track": "a doubled track",
    "mix_lacks_track": "a track missing from the mix",
}
"""Kinds that are damage when they are more than a note, in the order in which they are told."""

WORKABLE = frozenset({"dc_offset", "rumble", "thump", "plosive", "limited", "soft_saturation"})
"""Damage that only counts when it is major: a low cut, which every mix has, takes it away or most of it; a limiter that worked now
and then, or crests a little bent, are heard by few."""

LOST_SHARE = 0.5
"""Share of the take that is silent or flat from which a track is lost rather than mendable."""

LOST_SPEECH_DB = 3.0
"""Speech less than this above its noise cannot be understood."""

LEAD_DB = 6.0
"""How much farther above its noise a track's speech stands when it is plainly the best."""

_RANK: dict[Severity, int] = {"major": 0, "minor": 1, "note": 2}


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings in the order a tired person wants them: severity, then damage before level, then time."""
    order = list(DAMAGE)
    return sorted(
        findings,
        key=lambda f: (
            _RANK[f.severity],
            order.index(f.kind) if f.kind in order else len(order),
            f.start_s,
            f.track,
        ),
    )


def judge(
    heard: TrackEvidence,
    findings: Sequence[Finding],
    twins: Sequence[Twin] = (),
    whole_twins: frozenset[int] = frozenset(),
) -> Verdict:
    """Return the verdict on a track.

    Parameters
    ----------
    heard : TrackEvidence
        The track.
    findings : sequence of Finding
        Those on this track and those on the files it lies in.
    twins : sequence of Twin
        Tracks with the same sound.
    whole_twins : set of int
        Numbers of the tracks that carry no damage.
    """
    word, reason = _word_and_reason(heard, findings)
    whole = [twin for twin in twins if twin.other.track.number in whole_twins]
    if word in ("mend", "lost") and whole:
        word, reason = "mend", f"{reason}; {_twin_name(whole[0])} is whole"
    # A file's name keeps its own first letter, and a sentence that ends with a full stop gets no second.
    opening, _, _ = reason.partition(" ")
    reason = (reason if "." in opening else reason[:1].upper() + reason[1:]).removesuffix(".")
    return Verdict(heard.take.id, heard.track.file, heard.track.number, word, f"{reason}.")


def best_track(tracks: Sequence[tuple[TrackEvidence, Verdict]]) -> BestTrack | None:
    """Return the track of a take to reach for first, None where no one track plainly is."""
    usable = [(t, v) for t, v in tracks if t.track.role == "iso" and v.verdict in ("good", "level")]
    if not usable:
        return None
    if len(usable) == 1:
        track = usable[0][0].track
        isos = sum(t.track.role == "iso" for t, _ in tracks)
        return BestTrack(
            usable[0][0].take.id,
            track.number,
            "the only ISO" if isos == 1 else "the only ISO without damage",
        )
    ranked = sorted(((_speech_above_noise(t) or 0.0, t) for t, _ in usable), key=lambda pair: -pair[0])
    lead_db = ranked[0][0] - ranked[1][0]
    if lead_db < LEAD_DB:
        return None
    best = ranked[0][1]
    return BestTrack(
        best.take.id, best.track.number, f"its speech stands {level(lead_db, 0)} dB farther above its noise"
    )


def _word_and_reason(heard: TrackEvidence, findings: Sequence[Finding]) -> tuple[VerdictWord, str]:
    if heard.track.role == "unused":
        return "good", "marked unused"
    dead = [f for f in findings if f.kind == "dead_track"]
    if dead:
        if dead[0].severity == "note":
            return "good", f"{dead[0].sentence}; unnamed, taken for unused"
        return "lost", dead[0].sentence
    if heard.track.role == "timecode":
        return "good", "timecode, not judged as sound"
    damage = [
        f
        for f in worst_first(findings)
        if f.kind in DAMAGE and (f.severity == "major" or (f.severity == "minor" and f.kind not in WORKABLE))
    ]
    if damage:
        others = list(dict.fromkeys(DAMAGE[f.kind] for f in damage if f.kind != damage[0].kind))
        also = f"; also {' and '.join(others[:2])}" if others else ""
        word: VerdictWord = "lost" if any(_loses_all(heard, f) for f in damage) else "mend"
        return word, f"{_sentence(damage)}{also}"
    for kind in LEVEL_KINDS:
        level_findings = [f for f in findings if f.kind == kind]
        if level_findings:
            return "level", _level_reason(findings)
    above = _speech_above_noise(heard)
    if above is None:
        return "good", "no damage found"
    return "good", f"speech {level(above, 0)} dB above its noise"


def _sentence(damage: Sequence[Finding]) -> str:
    """Return the first finding's sentence, counting its like."""
    first = damage[0]
    more = sum(f.kind == first.kind for f in damage) - 1
    return first.sentence if not more else f"{first.sentence}, and {more} more like it"


def _loses_all(heard: TrackEvidence, finding: Finding) -> bool:
    evidence = finding.evidence
    length = max(heard.trace.length_samples, 1)
    if finding.kind == "digital_silence":
        return float(evidence["share"] or 0) >= LOST_SHARE
    if finding.kind == "clipped":
        return float(evidence["flat_samples"] or 0) / length >= LOST_SHARE
    if finding.kind == "nonfinite":
        return float(evidence["samples"] or 0) / length >= LOST_SHARE
    if finding.kind == "noisy":
        return float(evidence["speech_above_noise_db"] or 0) < LOST_SPEECH_DB
    return False


def _level_reason(findings: Sequence[Finding]) -> str:
    moves = [f for f in findings if f.kind in ("low_level", "high_level")]
    over = [f for f in findings if f.kind == "over_full_scale"]
    if over and not any(f.kind == "low_level" for f in moves):
        peak = float(over[0].evidence["peak_dbfs"] or 0)
        down = max([float(f.evidence["away_from_target_db"] or 0) for f in moves], default=0.0)
        comes = f"comes down {level(down, 0)} dB" if down else "only needs turning down"
        return f"up to {level(peak, 0)} dB over full scale, whole; {comes}"
    worst = max(moves, key=lambda f: abs(float(f.evidence["away_from_target_db"] or 0)))
    rest = len(moves) - 1
    tail = f", and {rest} more passage{'s' if rest > 1 else ''} off level" if rest else ""
    whole = "; over full scale but whole elsewhere" if over else ""
    return f"{worst.sentence}{tail}{whole}"


def _speech_above_noise(heard: TrackEvidence) -> float | None:
    """Return the least distance of speech to A-weighted floor over the passages that have both."""
    if heard.take.kind != "take" or heard.track.role == "tone":
        return None
    apart = [
        p.speech_level_dbfs - p.noise_floor_dbfs_a
        for p in heard.passages()
        if p.speech_level_dbfs is not None and p.noise_floor_dbfs_a is not None
    ]
    return min(apart, default=None)


def _twin_name(twin: Twin) -> str:
    track = twin.other.track
    if track.role == "safety":
        return "its safety copy"
    return f"its {'float ' if twin.other.is_float else ''}twin (track {track.number})"
