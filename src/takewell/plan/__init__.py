"""The day before the day: level chains, cards, power and clocks, reckoned from the kit's profiles."""

from takewell.plan.chain import (
    Chain,
    FinerConverter,
    Limiter,
    Passing,
    Stage,
    carry,
    gives_way_first,
    outputs,
)
from takewell.plan.day import Day, example_day, parse_day, read_day
from takewell.plan.document import measured_fields, plan_document
from takewell.plan.levels import TrackLevels
from takewell.plan.outcome import DayPlan, plan_day
from takewell.plan.power import clock_time
from takewell.plan.predictions import (
    PredictedSource,
    Prediction,
    prediction_for,
    predictions,
    stored_predictions,
    write_predictions,
)
from takewell.plan.sheet import (
    ladder_of,
    lede,
    pdf_sheet,
    picture_sheet,
    risk_of,
    tightest,
    window_words,
    write_sheet,
)
from takewell.plan.stages import Source, full_chain, microphone_stages, recorder_stages

__all__ = [
    "Chain",
    "Day",
    "DayPlan",
    "FinerConverter",
    "Limiter",
    "Passing",
    "PredictedSource",
    "Prediction",
    "Source",
    "Stage",
    "TrackLevels",
    "carry",
    "clock_time",
    "example_day",
    "full_chain",
    "gives_way_first",
    "ladder_of",
    "lede",
    "measured_fields",
    "microphone_stages",
    "outputs",
    "parse_day",
    "pdf_sheet",
    "picture_sheet",
    "plan_day",
    "plan_document",
    "prediction_for",
    "predictions",
    "read_day",
    "recorder_stages",
    "risk_of",
    "stored_predictions",
    "tightest",
    "window_words",
    "write_predictions",
    "write_sheet",
]
