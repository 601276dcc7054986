"""The traces against the slow obvious way, and the cutting of a file among workers."""

import dataclasses
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfilt

from takewell.engine import Meter, split
from takewell.engine.columns import Columns, Spool
from takewell.measure.k_weighting import k_weighting_sos
from takewell.measure.trace import Trace
from takewell.measure.weighting import weighting_sos
from takewell.units import step_edges


def longest_flat_run(samples, first, last):
    """The longest run that ends in ``[first, last)``, of samples within one part in 10^4 of each other, half as high as the step."""
    half, longest, start = np.abs(samples[first:last]).max() / 2, 0, 0
    for at in range(last):
        run = samples[start : at + 1]
        if run.max() - run.min() > 1e-4 * abs(samples[at]):
            start = at
        if at >= first and abs(samples[at]) >= half and half > 0:
            longest = max(longest, at - start + 1)
    return longest if longest > 1 else 0


def stepwise(samples, edges, quantity):
    return np.array([quantity(samples[a:b]) for a, b in itertools.pairwise(edges)])


@pytest.mark.parametrize("rate", [8_000, 22_050, 48_000])
@pytest.mark.parametrize("channels", [1, 3, 6])
def test_every_column_is_what_its_name_says(measure, rate, channels):
    rng = np.random.default_rng(rate + channels)
    samples = rng.standard_normal((int(rate * 1.234), channels)) * 0.5
    samples[rate // 3 : rate // 3 + rate // 5] = np.clip(
        samples[rate // 3 : rate // 3 + rate // 5], -0.3, 0.4
    )
    samples[rate // 2 : rate // 2 + 333] = 0.0
    traces = measure(samples, rate, blocks=[777] * 20).traces
    k_weighted = sosfilt(k_weighting_sos(rate), samples, axis=0)
    a_weighted = sosfilt(weighting_sos("A", rate), samples, axis=0)
    for channel, trace in enumerate(traces):
        own = samples[:, channel]
        edges, fine = step_edges(len(own), rate), step_edges(len(own), rate, 100)
        assert np.array_equal(trace.edges, edges)
        assert np.array_equal(trace.fine_edges, fine)
        rms = lambda part: np.sqrt(np.mean(part**2))  # noqa: E731
        assert trace.peak == pytest.approx(stepwise(own, edges, lambda part: np.abs(part).max()), rel=1e-6)
        assert trace.mean == pytest.approx(stepwise(own, edges, np.mean), abs=1e-7)
        assert trace.rms == pytest.approx(stepwise(own, edges, rms), rel=1e-6)
        assert trace.k_rms == pytest.approx(stepwise(k_weighted[:, channel], edges, rms), rel=1e-6)
        assert trace.a_rms == pytest.approx(stepwise(a_weighted[:, channel], edges, rms), rel=1e-6)
        assert trace.fine_rms == pytest.approx(stepwise(own, fine, rms), rel=1e-6)
        assert trace.fine_k_rms == pytest.approx(stepwise(k_weighted[:, channel], fine, rms), rel=1e-6)
        bends = np.abs(np.diff(own, 2, prepend=[0, 0]))
        assert trace.fine_bend == pytest.approx(stepwise(bends, fine, np.max), rel=1e-5)
        assert np.array_equal(trace.zeros, stepwise(own, edges, lambda part: np.sum(part == 0)))
        assert np.array_equal(trace.over, stepwise(own, edges, lambda part: np.sum(np.abs(part) > 1)))
        assert not trace.nonfinite.any()


def test_flat_runs_are_the_longest_of_each_step(measure):
    rate = 8_000
    rng = np.random.default_rng(4)
    samples = rng.standard_normal(rate)
    for at, length, height in (
        (100, 5, 3.0),
        (790, 30, 3.5),
        (2_000, 9, 1.7),
        (2_300, 40, 0.2),
        (5_000, 4, -4.0),
    ):
        samples[at : at + length] = height * (1 + 2e-5 * rng.uniform(-1, 1, length))
    trace = measure(samples, rate).traces[0]
    edges = step_edges(rate, rate)
    # A run is looked at two samples late: one that ends with its step may stand in the next one instead.
    wanted = [
        longest_flat_run(samples, a - 2 * (a > 0), b - 2 * (b < rate)) for a, b in itertools.pairwise(edges)
    ]
    assert list(trace.flat_run) == wanted
    assert wanted[0] == 8
    assert wanted[1] == 30


def test_the_bound_is_above_the_wave_and_near_it_for_speech(measure, speech):
    rate = 48_000
    samples = 0.1 * speech(6, rate)
    trace = measure(samples, rate).traces[0]
    spectrum = np.fft.rfft(samples)
    dense = np.fft.irfft(np.append(spectrum, np.zeros(7 * len(samples) // 2)), 8 * len(samples)) * 8
    wave = stepwise(np.abs(dense), trace.edges * 8, np.max)
    loud = trace.peak > trace.peak.max() / 100
    # The interpolator itself is flat within 0.014 dB.
    assert np.all((trace.true_peak_bound >= wave * 10 ** (-0.02 / 20))[loud])
    excess_db = 20 * np.log10(trace.true_peak_bound[loud] / np.maximum(wave, trace.peak)[loud])
    assert np.median(excess_db) < 2


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 50),
    segment=st.integers(1, 40),
    rate=st.sampled_from([8_000, 11_025]),
    tail=st.integers(0, 999),
)
def test_a_file_split_among_workers_measures_the_same(seed, segment, rate, tail):
    rng = np.random.default_rng(seed)
    length = 21 * rate + tail
    level = np.repeat(10 ** (rng.uniform(-60, 20, length // 900 + 1) / 20), 900)[:length, None]
    samples = np.clip(rng.standard_normal((length, 3)) * level, -3.0, 3.0)

    def meter():
        return Meter(rate, 3, encoding="float64")

    alone = meter()
    alone.add(samples)
    whole = alone.finish()
    usual = split.SEGMENT_STEPS
    split.SEGMENT_STEPS = segment
    try:
        parts = split.measure_split(lambda at, count: samples[at : at + count], length, meter(), 3)
    finally:
        split.SEGMENT_STEPS = usual
    for one, many in zip(whole.tracks, parts.tracks, strict=True):
        for field in dataclasses.fields(one):
            a, b = getattr(one, field.name), getattr(many, field.name)
            if isinstance(a, float):
                assert b == pytest.approx(a, rel=1e-9), field.name
            elif field.name == "passages":
                assert [p.start_s for p in a] == [p.start_s for p in b]
            else:
                assert a == b, field.name
    for one, many in zip(whole.traces, parts.traces, strict=True):
        for field in dataclasses.fields(Trace):
            assert getattr(many, field.name) == pytest.approx(getattr(one, field.name), rel=3e-7), field.name


@settings(max_examples=30, deadline=None)
@given(
    batches=st.lists(st.integers(1, 50), min_size=1, max_size=20),
    share=st.sampled_from([0, 100, 2_000, 10**9]),
)
def test_columns_give_back_what_was_appended_wherever_they_lie(batches, share):
    rng = np.random.default_rng(0)
    columns = Columns({"a": np.float32, "b": np.int64}, 3, Spool(), share)
    kept = {"a": [], "b": []}
    for rows in batches:
        batch = {"a": rng.standard_normal((rows, 3)), "b": rng.integers(-9, 9, (rows, 3))}
        columns.append(batch)
        for name, values in batch.items():
            kept[name].append(values)
    assert columns.length == sum(batches)
    assert columns.spilled == (share < 10**9 and sum(batches) * 3 * 12 > share)
    for channel in range(3):
        assert np.array_equal(
            columns.column("a", channel), np.concatenate(kept["a"])[:, channel].astype(np.float32)
        )
        assert np.array_equal(columns.column("b", channel), np.concatenate(kept["b"])[:, channel])


def test_traces_on_disk_are_the_traces_in_memory(measure, monkeypatch):
    samples = np.random.default_rng(1).standard_normal((90_000, 4))
    near = measure(samples, 8_000)
    monkeypatch.setattr("takewell.engine.reading.MEMORY_BYTES", 4_000)
    far = measure(samples, 8_000)
    assert isinstance(far.traces[0].fine_rms, np.memmap)
    assert near.tracks == far.tracks
    for a, b in zip(near.traces, far.traces, strict=True):
        for field in dataclasses.fields(Trace):
            assert np.array_equal(getattr(a, field.name), getattr(b, field.name)), field.name
            if field.name != "rate":
                assert not np.shares_memory(getattr(a, field.name), getattr(b, field.name))


def test_a_long_recording_is_drawn_up_piece_by_piece_to_the_same_numbers(measure, monkeypatch, speech):
    rate = 8_000
    samples = speech(150, rate) * 0.05 + 1e-4 * np.random.default_rng(3).standard_normal(150 * rate)
    samples[71 * rate :] *= 0.01
    near = measure(samples[: 150 * rate - 77], rate)
    assert len(near.tracks[0].passages) == 2
    for module in ("history", "passage", "track"):
        monkeypatch.setattr(f"takewell.engine.{module}.PIECE_STEPS", 97)
    for module in (
        "engine.history",
        "engine.passage",
        "measure.ranked",
        "measure.loudness",
        "measure.noise_floor",
    ):
        monkeypatch.setattr(f"takewell.{module}.IN_MEMORY", 50)
    monkeypatch.setattr("takewell.engine.reading.MEMORY_BYTES", 4_000)
    monkeypatch.setattr("takewell.engine.columns.CHUNK_ROWS", 1_000)
    far = measure(samples[: 150 * rate - 77], rate)
    for field in dataclasses.fields(near.tracks[0]):
        a, b = getattr(near.tracks[0], field.name), getattr(far.tracks[0], field.name)
        if field.name == "passages":
            for one, other in zip(a, b, strict=True):
                assert dataclasses.astuple(one) == pytest.approx(dataclasses.astuple(other), rel=1e-9)
        elif isinstance(a, float):
            assert b == pytest.approx(a, rel=1e-9), field.name
        else:
            assert a == b, field.name
    for field in dataclasses.fields(Trace):
        assert np.array_equal(getattr(near.traces[0], field.name), getattr(far.traces[0], field.name)), (
            field.name
        )
