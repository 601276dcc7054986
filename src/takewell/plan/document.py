"""The whole plan as one JSON document: plain values, units in the names, numbers unrounded."""

import math
from typing import Any

from takewell.plan.chain import Passing
from takewell.plan.levels import DISTRIBUTION, HeardSource, TrackLevels
from takewell.plan.outcome import DayPlan, PlannedLevels
from takewell.plan.power import CircuitPlan, clock_time
from takewell.units import finite_or_none


def plan_document(plan: DayPlan) -> dict[str, Any]:
    """Return a plan as JSON knows it; what has no value is None."""
    day = plan.day
    document = {
        "day": day.name,
        "date": day.date,
        "holds": plan.holds,
        "problems": [{"where": p.where, "sentence": p.sentence} for p in plan.problems],
        "sample_rate_hz": day.sample_rate_hz,
        "accepted_risk_percent": day.risk_percent,
        "distribution": DISTRIBUTION,
        "set_ups": [
            {
                "name": s.set_up.name,
                "scenes": list(s.set_up.scenes),
                "start": clock_time(s.set_up.start_h),
                "end": clock_time(s.set_up.end_h),
                "recording_min": s.set_up.recording_min,
                "tracks": [_track(planned) for planned in s.tracks],
            }
            for s in plan.set_ups
        ],
        "cards": _cards(plan),
        "power": [_circuit(c) for c in plan.circuits],
        "clocks": {
            "timecode_rate": str(day.timing.rate),
            "jam_every_h": day.timing.jam_every_h,
            "within_frames": day.timing.within_frames,
            "pairs": [vars(p) for p in plan.clock.pairs],
            "long_takes": [vars(t) for t in plan.clock.takes],
            "traps": list(plan.clock.traps),
            "warnings": list(plan.clock.warnings),
        },
        "flight": list(plan.flight),
        "cautions": list(plan.cautions),
    }
    return _finite(document)  # type: ignore[no-any-return]


def _track(planned: PlannedLevels) -> dict[str, Any]:
    levels, track = planned.levels, planned.levels.track
    window = levels.window
    return {
        "name": track.name,
        "role": track.role,
        "microphone": track.microphone.name,
        "transmitter": track.transmitter.name if track.transmitter else None,
        "input": track.recorder_input.name,
        "measured_fields": measured_fields(levels),
        "gain_db": track.gain_db,
        "encoding": track.encoding,
        "floor_db_spl_a": levels.floor_db_spl_a,
        "floor_while_loud_db_spl_a": levels.floor_while_loud_db_spl_a,
        "floor_dbfs_a": levels.floor_dbfs_a,
        "floor_sd_db": levels.floor_sd_db,
        "noise": [vars(share) for share in levels.noise],
        "gain_window": {
            "low_db": window.low_db,
            "high_db": window.high_db,
            "highest_for_loud_db": window.highest_for_loud_db,
            "lowest_for_quiet_db": window.lowest_for_quiet_db,
        },
        "sources": [_source(heard) for heard in levels.sources],
        "risk_against_gain": [vars(point) for point in window.points],
        "limiters": [vars(case) for case in planned.limiters],
        "remedies": [{**vars(r), "helps": r.helps} for r in planned.remedies],
    }


def measured_fields(levels: TrackLevels) -> dict[str, str]:
    """Return the measured values a track was planned with, and where each comes from."""
    track = levels.track
    profiles = [track.microphone, track.recorder_input, *([track.transmitter] if track.transmitter else [])]
    return {f"{p.name}: {field}": p.provenance(field) for p in profiles for field in p.measured}


def _source(heard: HeardSource) -> dict[str, Any]:
    loudness = heard.source.loudness
    return {
        "name": heard.source.name,
        "kind": loudness.kind,
        "origin": loudness.origin,
        "distance_m": heard.source.distance_m,
        "off_axis_deg": heard.source.off_axis_deg,
        "sd_db": loudness.sd_db,
        "level_db_spl": heard.rms_db_spl,
        "peak_db_spl": heard.peak_db_spl,
        "direct_to_reverberant_db": heard.at.direct_to_reverberant_db,
        "over_floor_db": heard.over_floor_db,
        "gives_way_first": heard.first.stage.part,
        "margin_db": heard.first.margin_db,
        "risk_percent": heard.risk_percent,
        "stages": [_stage(passing) for passing in heard.passed],
    }


def _stage(passing: Passing) -> dict[str, Any]:
    stage = passing.stage
    return {
        "name": stage.name,
        "part": stage.part,
        "unit": stage.unit,
        "rms_db": passing.rms_db,
        "peak_db": passing.peak_db,
        "limit_db": stage.limit_db,
        "headroom_rms_db": passing.headroom_rms_db,
        "headroom_peak_db": passing.headroom_peak_db,
        "limiter_db": passing.limiter_db,
        "gives_way_at_db_spl": passing.gives_way_at_db,
        "margin_db": passing.margin_db,
    }


def _cards(plan: DayPlan) -> dict[str, Any]:
    cards = plan.cards
    files = [
        {
            "name": need.file.name,
            "encoding": need.file.encoding,
            "tracks": int(need.file.tracks),
            "bytes_per_s": need.bytes_per_s,
            "bytes_per_hour": need.bytes_per_hour,
            "longest_take_bytes": need.longest_take_bytes,
            "minutes_to_4_gib": need.minutes_to_4_gib,
            "pieces": need.pieces,
        }
        for need in cards.files
    ]
    return {**vars(cards), "files": files}


def _circuit(plan: CircuitPlan) -> dict[str, Any]:
    return {
        "name": plan.circuit.name,
        "needed_wh": plan.needed_wh,
        "supply_wh": plan.supply_wh,
        "stretches": [
            {**vars(s), "start": clock_time(s.start_h), "end": clock_time(s.end_h)} for s in plan.stretches
        ],
        "swaps": [{**vars(s), "at": clock_time(s.at_h)} for s in plan.swaps],
        "empty_at": None if plan.empty_at_h is None else clock_time(plan.empty_at_h),
        "hours_left": plan.hours_left,
        "hours_left_low": plan.hours_left_low,
        "holds_percent": plan.holds_percent,
    }


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return finite_or_none(value)
    return value
