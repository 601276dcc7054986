"""At which stage did an overload arise, as far as the waves themselves can tell?

With only the files at hand: an integer copy that is flat at full scale while its float twin of the same moment goes
on over full scale was cut by its own word length (`file`). A float track can be flat at a rail only if something
before the file was: where all its flats lie on one value to the last step it was a `converter`, for an analogue
rail carries noise. Whatever cannot be told apart stays `undecided`, with the reason beside it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from takewell.examine.clipped import KIND
from takewell.examine.evidence import TrackEvidence
from takewell.examine.twins import Twin
from takewell.roll.values import Finding, Stage

FULL_SCALE_DB = 0.01
"""How near 0 dBFS a rail is full scale."""


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
    return replace(finding, stage=stage, evidence={**finding.evidence, "stage_because": why})


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
