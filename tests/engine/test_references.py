"""Real speech and lively programme against libebur128 and ffmpeg, which share no code with us."""

import numpy as np
import pyebur128
import pytest
import soxr

from takewell.engine import Meter
from takewell.measure.loudness import loudness_range, window_powers

RATE = 48_000
MODES = (
    pyebur128.MeasurementMode.MODE_I
    | pyebur128.MeasurementMode.MODE_LRA
    | pyebur128.MeasurementMode.MODE_TRUE_PEAK
)

pytestmark = pytest.mark.outside


def programme(samples, rate):
    meter = Meter(rate, samples.shape[1], encoding="float64")
    meter.add(samples)
    return meter.finish().programme


def range_every_second(samples, rate):
    """Our loudness range of the 3 s windows that begin at whole seconds."""
    meter = Meter(rate, samples.shape[1], encoding="float64")
    meter.add(samples)
    traces = meter.finish().traces
    lengths = np.diff(traces[0].edges)
    power = sum(trace.k_rms.astype(np.float64) ** 2 for trace in traces) * lengths
    return loudness_range(window_powers(power, lengths, 30)[::10])


def music(seconds, rate, seed=0):
    """Two channels of plucked chords, drums and a pad whose level moves by tens of decibels."""
    rng, length = np.random.default_rng(seed), round(seconds * rate)
    time = np.arange(length) / rate
    out = np.zeros((length, 2))
    for start in np.arange(0, seconds - 2, 0.5):
        at, count = round(start * rate), round(1.5 * rate)
        note = 110 * 2 ** (rng.integers(0, 36) / 12)
        tone = sum(np.sin(2 * np.pi * note * k * time[:count]) / k for k in range(1, 9))
        level = 10 ** (rng.uniform(-30, -6) / 20)
        out[at : at + count] += (tone * np.exp(-4 * time[:count]) * level)[:, None] * rng.uniform(0.2, 1, 2)
        hit = rng.standard_normal(round(0.08 * rate)) * np.exp(-60 * time[: round(0.08 * rate)])
        out[at : at + len(hit)] += hit[:, None] * 0.2
    swell = 10 ** ((-30 + 15 * np.sin(2 * np.pi * time / 40)) / 20)
    return out + 0.3 * (swell * np.sin(2 * np.pi * 220 * time))[:, None]


@pytest.fixture(scope="module")
def material():
    """Seventy seconds or more of each: (samples, rate)."""
    from pathlib import Path

    import soundfile

    import takewell

    voices = sorted((Path(takewell.__file__).parent / "demo" / "speech").glob("*.flac"))
    assert len(voices) >= 2
    read = [soundfile.read(voice) for voice in voices[:4]]
    spoken = [soxr.resample(samples, rate, RATE) for samples, rate in read]
    speech = np.concatenate(
        [np.pad(part, (0, RATE)) * gain for part, gain in zip(spoken, (1, 0.3, 2, 0.7), strict=False)]
    )
    speech = np.stack([speech[: 120 * RATE], np.roll(speech, 7_000)[: 120 * RATE]], axis=1)
    assert len(speech) > 70 * RATE
    return {
        "speech": (speech, RATE),
        "one voice": (speech[:, :1], RATE),
        "music": (music(90, RATE), RATE),
        "music at 44.1 kHz": (music(80, 44_100, 3), 44_100),
        "music at 96 kHz": (music(75, 96_000, 5), 96_000),
    }


NAMES = ["speech", "one voice", "music", "music at 44.1 kHz", "music at 96 kHz"]


@pytest.mark.parametrize("name", NAMES)
def test_libebur128_agrees(material, name):
    samples, rate = material[name]
    state = pyebur128.R128State(samples.shape[1], rate, MODES)
    state.add_frames(samples.ravel(), len(samples))
    ours = programme(samples, rate)
    # At 96 kHz libebur128 leaves the numerator of its high-pass at 1, -2, 1, which loses 0.022 dB there against the
    # response printed for 48 kHz; ITU-R BS.1770-5, Annex 1, asks for the same response at every rate.
    known = 0.022 if rate == 96_000 else 0.0
    assert ours.integrated_lufs - known == pytest.approx(pyebur128.get_loudness_global(state), abs=0.02)
    # libebur128 takes a 3 s window every second, we every 100 ms, which sees ten times as many; taken every second,
    # ours are its own.
    assert range_every_second(samples, rate) == pytest.approx(pyebur128.get_loudness_range(state), abs=0.02)
    assert ours.loudness_range_lu == pytest.approx(pyebur128.get_loudness_range(state), abs=0.15)
    theirs = max(pyebur128.get_true_peak(state, channel) for channel in range(samples.shape[1]))
    # It reads 4 points a sample (2 at 96 kHz), which by ITU-R BS.1770-5, Annex 2, attachment 1, loses up to 0.69 dB at half
    # the rate; and its 49-tap filter errs by up to 0.13 dB near the top of the band.
    assert -0.15 <= ours.true_peak_dbtp - 20 * np.log10(theirs) <= 0.69 + 0.13


@pytest.mark.parametrize("name", ["speech", "music", "music at 44.1 kHz"])
def test_ffmpeg_agrees_to_the_decimal_it_prints(material, name):
    av = pytest.importorskip("av")
    samples, rate = material[name]
    graph = av.filter.Graph()
    source = graph.add_abuffer(sample_rate=rate, format="dbl", layout="stereo", time_base=f"1/{rate}")
    meter = graph.add("ebur128", "metadata=1:peak=true")
    sink = graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()
    last = {}
    # ffmpeg measures 100 ms at a time; what does not fill them is left out there.
    for at in range(0, len(samples) // (rate // 10) * (rate // 10), rate // 10):
        block = av.AudioFrame.from_ndarray(
            samples[at : at + rate // 10].reshape(1, -1), format="dbl", layout="stereo"
        )
        block.sample_rate, block.pts = rate, at
        graph.push(block)
        while True:
            try:
                got = graph.pull()
            except (av.error.BlockingIOError, av.error.EOFError):
                break
            last = dict(getattr(got, "metadata", None) or last)
    if not last:
        pytest.skip("this build of the library does not hand the filter's readings out")
    ours = programme(samples, rate)
    assert ours.integrated_lufs == pytest.approx(float(last["lavfi.r128.I"]), abs=0.06)
    assert ours.loudness_range_lu == pytest.approx(float(last["lavfi.r128.LRA"]), abs=0.11)
