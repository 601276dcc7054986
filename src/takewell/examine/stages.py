"""At which stage did an overload arise, as far as the waves themselves can tell?

With only the files at hand: an integer copy that is flat at full scale while its float twin of the same moment goes
on over full scale was cut by its own word length (`file`). A float track can be flat at a rail only if something
before the file was: where all its flats lie on one value to the last step it was a `converter`, for an analogue
rail carries noise. Whatever cannot be told apart stays `undecided`, with the reason beside it.

With the day's plan stored in the roll and the gain that was used (from `tracks.csv`, else the planned one), the plan says
at which level of the file each part of the chain gives way. A rail that lies where one part gives way, and no other
that the waves allow, is put down to that part. A figure of a data sheet is good to a decibel or two, so parts nearer
to each other than that are not told apart.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from takewell.examine.clipped import KIND
from takewell.examine.evidence import TrackEvidence
from takewell.examine.twins import Twin
from takewell.examine.wording import level
from takewell.roll.values import Finding, Stage

FULL_SCALE_DB = 0.01
"""How near 0 dBFS a rail is full scale."""

WITHIN_DB = 2.0
"""How near a rail lies to where a part is planned to give way: two standard deviations of a microphone against its data
sheet (1 dB; common practice, no source)."""

ANALOGUE = frozenset({"microphone", "preamplifier"})


def with_stages(
    heard: TrackEvidence,
    findings: Sequence[Finding],
    twins: Sequence[Twin],
    clipped: Mapping[int, Sequence[Finding]],
) -> list[Finding]:
    """Return the findings with the stage of each overload set where it can be told.

    Parameters
    ----------
    heard : TrackEvidence
        The track.
    findings : sequence of Finding
        Its findings.
    twins : sequence of Twin
        Tracks with the same sound.
    clipped : mapping of int to sequence of Finding
        The `clipped` findings of every track of the take, by number.
    """
    return [_with_stage(heard, f, twins, clipped) if f.kind == KIND else f for f in findings]


def _with_stage(
    heard: TrackEvidence, finding: Finding, twins: Sequence[Twin], clipped: Mapping[int, Sequence[Finding]]
) -> Finding:
    stage, why = _stage(heard, finding, twins, clipped)
    planned = _planned(heard, finding)
    if planned is None:
        return replace(finding, stage=stage, evidence={**finding.evidence, "stage_because": why})
    stage, why = _held_against(planned, finding, stage, why)
    limits = {f"planned_{part}_limit_dbfs": limit for part, limit in planned.limits.items()}
    evidence = {**finding.evidence, "stage_because": why, "gain_db": planned.gain_db, **limits}
    return replace(finding, stage=stage, evidence=evidence)


@dataclass(frozen=True)
class _Planned:
    """Where the plan says that each part gives way, in the file, at the gain used."""

    gain_db: float
    entered: bool
    """Whether somebody entered that gain; else it is the planned one."""
    limits: Mapping[str, float]


def _planned(heard: TrackEvidence, finding: Finding) -> _Planned | None:
    """Return what the plan says of a track's limits at the time of a finding, None without a plan."""
    if heard.planned is None or not heard.planned.limits:
        return None
    entered = [gain_db for from_s, gain_db in heard.track.gains if from_s <= finding.start_s]
    gain_db = entered[-1] if entered else heard.planned.gain_db
    limits = heard.planned.limits_at(gain_db)
    if heard.is_float:
        limits.pop("file", None)
    return _Planned(gain_db, bool(entered), limits)


def _held_against(planned: _Planned, finding: Finding, stage: Stage, why: str) -> tuple[Stage, str]:
    """Return the stage once the plan was asked, and the whole reasoning."""
    rail_dbfs = float(finding.evidence["rail_dbfs"] or 0.0)
    gain = f"{'the gain entered' if planned.entered else 'the planned gain'}, {level(planned.gain_db, 0)} dB"
    by_distance = sorted(planned.limits.items(), key=lambda item: abs(item[1] - rail_dbfs))
    said = ", ".join(f"{part} {level(limit)}" for part, limit in by_distance)
    base = f"at {gain}, the plan lets the parts give way at (dBFS): {said}"
    if stage != "undecided":
        planned_dbfs = planned.limits.get(stage)
        if planned_dbfs is None:
            return stage, f"{why}; {base}"
        agrees = abs(planned_dbfs - rail_dbfs) <= WITHIN_DB
        return stage, f"{why}; {base}, which {'agrees' if agrees else 'does not agree: check the gain'}"
    exact = bool(finding.evidence.get("flat_to_the_step"))
    near = [(part, limit) for part, limit in by_distance if abs(limit - rail_dbfs) <= WITHIN_DB]
    # An analogue rail carries noise; what is flat to the last step was cut as numbers.
    allowed = [(part, limit) for part, limit in near if not (exact and part in ANALOGUE)]
    if len(allowed) == 1 and allowed[0][0] in _NAMED:
        part, limit = allowed[0]
        noise = (
            ""
            if len(near) == 1
            else "; an analogue rail would carry noise, and this one is flat to the last step"
        )
        return _NAMED[
            part
        ], f"{base}; the rail lies within {level(abs(limit - rail_dbfs))} dB of the {part}’s{noise}"
    if not near:
        return "undecided", f"{why}; {base}: none of them near {level(rail_dbfs)}"
    parts = " and ".join(part for part, _ in allowed or near)
    return "undecided", f"{why}; {base}: {parts} cannot be told apart by it"


_NAMED: Mapping[str, Stage] = {
    "microphone": "microphone",
    "preamplifier": "preamplifier",
    "converter": "converter",
    "file": "file",
}
"""Parts of the plan that are stages of the examination; a radio transmitter is none of them."""


def _stage(
    heard: TrackEvidence, finding: Finding, twins: Sequence[Twin], clipped: Mapping[int, Sequence[Finding]]
) -> tuple[Stage, str]:
    rail_dbfs = float(finding.evidence["rail_dbfs"] or 0.0)
    at_full_scale = abs(rail_dbfs) <= FULL_SCALE_DB
    for twin in twins:
        number = twin.other.track.number
        overlapping = [
            f for f in clipped.get(number, ()) if f.start_s < finding.end_s and f.end_s > finding.start_s
        ]
        if overlapping:
            return _shared(heard, finding, at_full_scale, number)
        if not heard.is_float and at_full_scale and twin.other.is_float:
            return (
                "file",
                f"track {number} carries the same sound in float and is whole there: only the integer file ran out",
            )
    if heard.is_float and not at_full_scale:
        if finding.evidence.get("flat_to_the_step"):
            return "converter", f"a float file has no rail there, and {_ONE_VALUE}"
        return (
            "undecided",
            "a float file has no rail there: a stage before it ran out, with noise on its flats",
        )
    if heard.is_float:
        return (
            "undecided",
            "not decidable: full scale of a float file, reached by the converter or an integer stage",
        )
    if at_full_scale:
        return "undecided", "not decidable from one copy: converter and file end at the same value"
    return "undecided", "not decidable: cut at some stage and turned down after it"


_ONE_VALUE = "every flat lies on one value to the last step, which no analogue rail does"


def _shared(heard: TrackEvidence, finding: Finding, at_full_scale: bool, number: int) -> tuple[Stage, str]:
    same = f"track {number} is flat at the same moments, so a stage before both files ran out"
    if finding.evidence.get("flat_to_the_step") and (heard.is_float or not at_full_scale):
        return "converter", f"{same}; {_ONE_VALUE}"
    return "undecided", f"not decidable: {same}"
