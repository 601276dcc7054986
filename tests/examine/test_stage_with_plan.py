"""With a plan and the gain used, a rail is put down to the part that the plan lets give way there, and to no other."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.examine.clipped import find_clipped
from takewell.examine.evidence import TakeEvidence
from takewell.examine.stages import with_stages
from takewell.plan import example_day, parse_day, plan_day
from takewell.plan.chain import carry
from takewell.plan.levels import chain_of
from takewell.plan.predictions import PartLimit, Prediction, predictions

Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def planned(limits: dict[str, tuple[float, float]]) -> Prediction:
    """A plan at 30 dB of gain, with limits at 30 and at 50 dB."""
    kept = tuple(
        PartLimit(part, gain, at)
        for part, ats in limits.items()
        for gain, at in zip((30.0, 50.0), ats, strict=True)
    )
    return Prediction("kitchen", (), "Boom", "iso", "float32", 30.0, -70.0, 1.0, (), kept)


CHAIN = planned({"microphone": (-4.0, 16.0), "preamplifier": (12.0, 12.0), "converter": (0.0, 0.0)})
"""The microphone's limit rises in the file with the gain, the rest does not."""


def stage_of(
    hear: Hear,
    sound: F64,
    rail_dbfs: float,
    plan: Prediction | None,
    gains: tuple[tuple[float, float], ...] = (),
    noise: F64 | None = None,
) -> tuple[str | None, str]:
    rail = 10 ** (rail_dbfs / 20)
    cut = np.clip(sound * 2 * rail / np.abs(sound).max(), -rail, rail)
    track = hear([cut if noise is None else cut + noise]).tracks[0]
    track = replace(track, planned=plan, track=replace(track.track, gains=gains))
    (found,) = with_stages(track, find_clipped(track), (), {})
    return found.stage, str(found.evidence["stage_because"])


def test_a_noisy_rail_where_the_microphone_gives_way_is_the_microphones(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    sound = babble(4)
    noise = 1e-6 * rng.standard_normal(len(sound))
    stage, why = stage_of(hear, sound, -4.5, CHAIN, ((0.0, 30.0),), noise)
    assert stage == "microphone"
    assert "the gain entered, 30 dB" in why
    assert "microphone −4.0" in why


def test_another_gain_moves_the_microphones_limit_in_the_file(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    sound = babble(4)
    noise = 1e-6 * rng.standard_normal(len(sound))
    # At 40 dB the microphone gives way at +6 dBFS, half-way between what is kept for 30 and 50 dB.
    assert stage_of(hear, sound, 5.5, CHAIN, ((0.0, 40.0),), noise)[0] == "microphone"
    stage, why = stage_of(hear, sound, -4.5, CHAIN, ((0.0, 40.0),), noise)
    assert stage == "undecided"
    assert "none of them near −4.5" in why


def test_the_gain_that_counts_is_the_one_from_that_second_on(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    sound = babble(4)
    noise = 1e-6 * rng.standard_normal(len(sound))
    assert stage_of(hear, sound, -4.5, CHAIN, ((0.0, 30.0), (3.99, 50.0)), noise)[0] == "microphone"
    assert stage_of(hear, sound, -4.5, CHAIN, ((0.0, 50.0),), noise)[0] == "undecided"


def test_without_a_gain_entered_the_planned_one_is_taken_and_said(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    sound = babble(4)
    stage, why = stage_of(hear, sound, 12.4, CHAIN, (), 1e-6 * rng.standard_normal(len(sound)))
    assert stage == "preamplifier"
    assert "the planned gain, 30 dB" in why


def test_what_is_flat_to_the_last_step_is_no_analogue_rail_even_where_one_lies(
    hear: Hear, babble: Babble
) -> None:
    both = planned({"microphone": (-8.0, -8.0), "converter": (-8.5, -8.5)})
    assert stage_of(hear, babble(4), -8.1, both, ((0.0, 30.0),))[0] == "converter"


def test_parts_nearer_to_each_other_than_a_data_sheet_is_good_for_are_not_told_apart(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    sound = babble(4)
    close = planned({"microphone": (-8.0, -8.0), "preamplifier": (-8.5, -8.5)})
    stage, why = stage_of(hear, sound, -8.1, close, ((0.0, 30.0),), 1e-6 * rng.standard_normal(len(sound)))
    assert stage == "undecided"
    assert "cannot be told apart" in why


def test_a_plan_that_contradicts_the_waves_is_said_and_the_waves_count(hear: Hear, babble: Babble) -> None:
    stage, why = stage_of(hear, babble(4), -8.1, CHAIN, ((0.0, 30.0),))
    assert stage == "converter"
    assert "does not agree: check the gain" in why


def test_without_a_plan_the_waves_alone_are_asked(hear: Hear, babble: Babble) -> None:
    assert stage_of(hear, babble(4), -8.1, None)[0] == "converter"


@pytest.fixture(scope="module")
def invented() -> tuple[Prediction, ...]:
    return predictions(plan_day(parse_day(example_day(), Path("hundred-winters.toml"))))


def test_the_limits_kept_are_where_a_source_just_at_the_limit_reads_in_the_file(
    invented: tuple[Prediction, ...],
) -> None:
    # The chain's own carrying of a level is the measure: with the peak that just reaches a part's limit, the file
    # reads what is kept for that part.
    plan = plan_day(parse_day(example_day(), Path("hundred-winters.toml")))
    levels = plan.set_ups[0].tracks[0].levels
    prediction = invented[0]
    chain = chain_of(levels.track, plan.set_ups[0].set_up, plan.day.sample_rate_hz)
    for index, stage in enumerate(chain):
        if not np.isfinite(stage.limit_db) or any(s.limiter for s in chain):
            continue
        upto = sum(s.gain_db for s in chain[: index + 1])
        passed = carry(chain, stage.limit_db - upto - 10, stage.limit_db - upto)
        assert prediction.limits_at(prediction.gain_db)[stage.part] == pytest.approx(
            passed[-1].peak_db, abs=0.01
        )


def test_every_recording_track_of_the_invented_day_has_a_microphones_limit(
    invented: tuple[Prediction, ...],
) -> None:
    assert all("microphone" in p.limits_at(p.gain_db) for p in invented)
