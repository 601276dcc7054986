"""How do findings and verdicts look as lines of JSON?

One object a line; numbers unrounded with their units in the names; what has no value is null.
"""

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from takewell.roll.values import BestTrack, Finding, Pair, Verdict

Value = float | int | str | None
Line = dict[str, Value | dict[str, Value]]


def finding_json(finding: Finding) -> Line:
    """Return a finding as the object that ``takewell examine --json`` prints."""
    return {
        "take": finding.take,
        "file": finding.file,
        "track": finding.track,
        "kind": finding.kind,
        "start_s": finding.start_s,
        "end_s": finding.end_s,
        "confidence": finding.confidence,
        "severity": finding.severity,
        "stage": finding.stage,
        "evidence": _plain(finding.evidence),
        "remedy": finding.remedy,
        "sentence": finding.sentence,
    }


def verdict_json(verdict: Verdict) -> Line:
    """Return a verdict as the object that ``takewell examine --json`` prints."""
    return {
        "take": verdict.take,
        "file": verdict.file,
        "track": verdict.track,
        "verdict": verdict.verdict,
        "reason": verdict.reason,
    }


def best_track_json(best: BestTrack) -> Line:
    """Return the best track of a take as the object that ``takewell examine --json`` prints after its verdicts."""
    return {"take": best.take, "best_track": best.track, "reason": best.reason, "voice": best.voice}


def pair_json(pair: Pair) -> dict[str, Any]:
    """Return a pair as it stands in the verdict line of its first track."""
    values = asdict(pair)
    del values["take"], values["track"]
    return values


def _plain(evidence: Mapping[str, Value]) -> dict[str, Value]:
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in evidence.items()
    }
