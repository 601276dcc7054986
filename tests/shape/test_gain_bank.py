"""Gains of several channels on interleaved blocks, and back."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from takewell.shape import GainBank, GainEnvelope, GainSpan

LENGTH = 3000
BANK = GainBank(
    [
        GainEnvelope.constant(-11.3, LENGTH),
        None,
        GainEnvelope.from_spans(
            [GainSpan(0, 1000, 60.0, fade_out=150), GainSpan(1000, LENGTH, -60.0, fade_in=151)], LENGTH
        ),
    ]
)


def rounded_units(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """How many float32 numbers lie from a to b (same signs)."""
    return np.abs(a.view(np.int32).astype(np.int64) - b.view(np.int32).astype(np.int64))


def test_every_channel_gets_its_own_gain() -> None:
    ones = np.ones((LENGTH, 3), np.float32)
    out = BANK.apply(ones, 0)
    assert np.all(out[:, 0] == 10 ** (-11.3 / 20))
    assert np.all(out[:, 1] == 1.0)
    assert out[0, 2] == pytest.approx(1000.0)
    assert out[-1, 2] == pytest.approx(0.001)


def test_float_to_float_is_the_exact_product_rounded_once() -> None:
    samples = np.random.default_rng(1).standard_normal((LENGTH, 3)).astype(np.float32)
    out = BANK.apply(samples, 0).astype(np.float32)
    expected = (samples[:, 0].astype(np.longdouble) * np.longdouble(10 ** (-11.3 / 20))).astype(np.float32)
    assert np.array_equal(out[:, 0], expected)


@settings(max_examples=200)
@given(arrays(np.float32, (40, 3), elements=st.floats(-1e6, 1e6, width=32)), st.integers(0, LENGTH - 40))
def test_undoing_gives_the_original_or_its_neighbour(samples, start) -> None:  # type: ignore[no-untyped-def]
    samples = np.where(np.abs(samples) < 1e-30, 0, samples).astype(np.float32)
    rendered = BANK.apply(samples, start).astype(np.float32)
    back = BANK.undo(rendered, start).astype(np.float32)
    assert rounded_units(back, samples).max() <= 1
    assert np.array_equal(back[:, 1], samples[:, 1])


@given(st.lists(st.integers(1, 900), max_size=6))
def test_any_split_gives_the_same_samples(cuts) -> None:  # type: ignore[no-untyped-def]
    samples = np.random.default_rng(2).standard_normal((LENGTH, 3))
    whole = BANK.apply(samples, 0)
    at, pieces = 0, []
    for cut in [*cuts, LENGTH]:
        count = min(cut, LENGTH - at)
        pieces.append(BANK.apply(samples[at : at + count], at))
        at += count
    assert np.array_equal(np.concatenate(pieces), whole)
