"""Linear timecode, read and written; the signals to read come from an encoder of its own, below, that shares no code with
the package: bit positions typed in from the codeword of SMPTE ST 12-1 as commonly published (from memory), biphase mark as
a square wave with hard edges on a grid sixteen times as fine, brought down to the rate by SciPy."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, resample_poly, sosfilt

from takewell.errors import SettingError, SignalError
from takewell.shape import LinearTimecode, LinearTimecodeReader, TimecodeWords
from takewell.shape.timecode_word import timecode_word
from takewell.timecode import Timecode, TimecodeRate

RATES = ["23.976", "24", "25", "29.97 DF", "29.97 NDF", "30"]
BIT_OF_DIGIT = {
    "H": (56, 2),
    "h": (48, 4),
    "M": (40, 3),
    "m": (32, 4),
    "S": (24, 3),
    "s": (16, 4),
    "F": (8, 2),
    "f": (0, 4),
}
SYNC = "0011111111111101"


def codeword(text: str, *, drop: bool, user: str = "00000000", even_bit: int = 27) -> str:
    """The 80 bits in the order they run, from ``HH:MM:SS:FF`` and user bits with group 8 first."""
    bits = ["0"] * 64
    for digit, name in zip(text.replace(":", "").replace(";", ""), "HhMmSsFf", strict=True):
        first, length = BIT_OF_DIGIT[name]
        for k in range(length):
            bits[first + k] = str(int(digit) >> k & 1)
    for group in range(8):
        for k in range(4):
            bits[4 + 8 * group + k] = str(int(user[7 - group], 16) >> k & 1)
    bits[10] = "1" if drop else "0"
    if ("".join(bits) + SYNC).count("0") % 2:
        bits[even_bit] = "1"
    return "".join(bits) + SYNC


def biphase(bits: str, rate: float, bits_per_s: float, first: float = 1.0) -> np.ndarray:
    """A square wave of +1 and -1, (n, 1): a change before every bit, another in the middle of a one."""
    halves, level = [], -first
    for bit in bits:
        level = -level
        halves.append(level)
        level = -level if bit == "1" else level
        halves.append(level)
    fine = 16 * rate
    count = int(len(bits) / bits_per_s * fine)
    place = (np.arange(count) * (2 * bits_per_s) / fine).astype(int)
    return resample_poly(np.asarray(halves)[place], 1, 16)[:, None]


def running(start: str, count: int, rate: str, sample_rate: int, **more: str) -> tuple[np.ndarray, list[str]]:
    kept = TimecodeRate.parse(rate)
    first = Timecode.parse(start, kept).frames
    texts = [str(Timecode.from_frames(first + k, kept)) for k in range(count)]
    even = 59 if kept.count == 25 else 27
    words = [codeword(text, drop=kept.drop, even_bit=even, **more) for text in texts]
    return biphase("".join(words), sample_rate, float(80 * kept.real)), texts


def read(samples: np.ndarray, sample_rate: int, block: int = 10_000) -> TimecodeWords:
    reader = LinearTimecodeReader(sample_rate)
    return TimecodeWords.joined([reader.add(samples[i : i + block]) for i in range(0, len(samples), block)])


def texts_of(words: TimecodeWords) -> list[str]:
    return [
        f"{h:02d}:{m:02d}:{s:02d}{';' if drop else ':'}{f:02d}"
        for (h, m, s, f), drop in zip(words.numbers.tolist(), words.dropping.tolist(), strict=True)
    ]


@pytest.mark.parametrize("sample_rate", [8_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("rate", RATES)
def test_every_word_but_the_last_is_read_where_it_stands(rate: str, sample_rate: int) -> None:
    samples, texts = running("00:09:59:20", 20, rate, sample_rate, user="89ABCDEF")
    words = read(samples, sample_rate)
    found = texts_of(words)
    assert len(found) >= 18  # the first has no change before it, the last none behind it
    first = texts.index(found[0])
    assert found == texts[first : first + len(found)]
    assert {f"{bits:08X}" for bits in words.user_bits.tolist()} == {"89ABCDEF"}
    assert words.even.all()
    assert not words.backward.any()
    length = float(TimecodeRate.parse(rate).samples_per_frame(sample_rate))
    due = (first + np.arange(len(found))) * length
    # Lining up promises 0.1 ms: a fifth of that where half a bit is less than two samples long, else a fiftieth.
    allowed_s = 20e-6 if sample_rate < 10_000 else 2e-6
    inside = slice(
        1, None
    )  # the first word of all begins with the file, where nothing shows its change of sign
    assert np.abs(words.start_samples - due)[inside].max() < allowed_s * sample_rate


@pytest.mark.parametrize("rate", ["25", "29.97 DF"])
def test_played_backward_it_counts_down(rate: str) -> None:
    samples, texts = running("13:59:59:20", 20, rate, 48_000, user="13579BDF")
    words = read(samples[::-1].copy(), 48_000)
    found = texts_of(words)
    assert words.backward.all()
    last = texts.index(found[0])
    assert found == texts[last - len(found) + 1 : last + 1][::-1]
    assert len(found) >= 18
    assert {f"{bits:08X}" for bits in words.user_bits.tolist()} == {"13579BDF"}
    length = float(TimecodeRate.parse(rate).samples_per_frame(48_000))
    due = (
        len(samples) - 1 - (last - np.arange(len(found))) * length
    )  # a frame begins where its word ends here
    assert np.abs(words.end_samples - due)[:-1].max() < 0.5


@pytest.mark.parametrize("speed", [0.1, 0.3, 0.5, 0.8, 1.25, 2.0, 3.0])
@pytest.mark.parametrize("turn", [1, -1])
def test_other_speeds_are_followed(speed: float, turn: int) -> None:
    samples, texts = running("01:00:00:00", 60, "25", 48_000)
    places = np.arange(0, len(samples) - 1, speed)
    played = np.interp(places, np.arange(len(samples)), samples[:, 0])[::turn][:, None]
    found = texts_of(read(played.copy(), 48_000))
    assert len(found) >= 48  # half a second at another speed before the reader looks for it
    assert set(found) <= set(texts)
    assert found == sorted(found)[::turn]


def test_a_speed_that_wavers_is_followed() -> None:
    samples, texts = running("01:00:00:00", 100, "30", 48_000)
    step = 1 + 0.4 * np.sin(2 * np.pi * 1.5 * np.arange(len(samples)) / 48_000)
    places = np.cumsum(step)
    places = places[places < len(samples) - 1]
    found = texts_of(read(np.interp(places, np.arange(len(samples)), samples[:, 0])[:, None], 48_000))
    assert len(found) >= 96
    assert set(found) <= set(texts)


# Common practice, no source: timecode bleeds into and out of other lines, sits low, comes through microphone inputs.
# 6 dB is white noise over the whole band of the channel, at half the square wave's voltage.
@pytest.mark.parametrize(("snr_db", "least"), [(20, 98), (10, 98), (6, 95)])
def test_noise_costs_few_words_and_makes_none_up(snr_db: float, least: int) -> None:
    samples, texts = running("01:00:00:00", 100, "25", 48_000)
    noise = np.random.default_rng(5).normal(size=samples.shape) * 10 ** (-snr_db / 20)
    found = texts_of(read(samples + noise, 48_000))
    assert len(found) >= least
    assert set(found) <= set(texts)


@pytest.mark.parametrize("gain_db", [-90, -60, 20])
def test_level_and_polarity_do_not_matter(gain_db: float) -> None:
    samples, texts = running("01:00:00:00", 50, "25", 48_000)
    quiet = np.round(-samples * 10 ** (gain_db / 20) * 2**23) / 2**23
    found = texts_of(read(quiet, 48_000))
    assert len(found) >= 48
    assert set(found) <= set(texts)


def test_an_offset_hum_at_half_its_height_and_a_narrow_line_are_lived_with() -> None:
    samples, texts = running("01:00:00:00", 50, "25", 48_000)
    hum = 0.5 * np.sin(2 * np.pi * 50 * np.arange(len(samples)) / 48_000)[:, None]
    line = sosfilt(butter(2, [200, 4_000], "bandpass", fs=48_000, output="sos"), samples, axis=0)
    for worse in (samples + 0.4, samples + hum, line):
        found = texts_of(read(worse, 48_000))
        assert len(found) >= 47
        assert set(found) <= set(texts)


def test_holes_and_clicks_cost_only_the_words_they_touch() -> None:
    samples, texts = running("01:00:00:00", 100, "25", 48_000)
    samples[1920 * 20 + 300 : 1920 * 20 + 500] = 0  # inside the 21st word
    samples[1920 * 60 + 300 : 1920 * 70 + 500] = 0  # words 61 to 71
    samples[1920 * 90 + 7] = np.nan
    samples[1920 * 80 + 960] += 5
    found = texts_of(read(samples, 48_000))
    assert set(found) <= set(texts)
    missing = [k for k, text in enumerate(texts) if text not in found]
    assert set(missing) - {0, 99} <= {20, *range(60, 72), 80, 90}


def test_blocks_make_no_difference() -> None:
    samples, _ = running("01:00:00:00", 30, "24", 44_100)
    step = int(44_100 * 0.1)
    whole, pieces = read(samples, 44_100, len(samples)), read(samples, 44_100, step)
    np.testing.assert_array_equal(whole.words, pieces.words)
    np.testing.assert_allclose(whole.start_samples, pieces.start_samples, atol=1e-9)
    assert texts_of(read(samples, 44_100, 977)) == texts_of(whole)


@pytest.mark.parametrize("kind", ["silence", "noise", "tone", "nothing"])
def test_what_is_no_timecode_gives_none(kind: str) -> None:
    count = 0 if kind == "nothing" else 96_000
    samples = {
        "silence": np.zeros((count, 1)),
        "noise": np.random.default_rng(6).normal(size=(count, 1)),
        "tone": np.sin(0.2 * np.arange(count))[:, None],
        "nothing": np.zeros((0, 1)),
    }[kind]
    assert len(read(samples, 48_000)) == 0


@pytest.mark.parametrize("rate", RATES)
def test_what_is_written_has_the_bits_of_the_standard(rate: str) -> None:
    kept = TimecodeRate.parse(rate)
    start = Timecode.parse("17:59:59:22", kept)
    written = LinearTimecode(
        kept, 192_000, start_samples=start.to_samples(192_000), user_bits=0x1248F0E7, peak_dbfs=0
    )
    length = float(kept.samples_per_frame(192_000))
    samples = written.samples(0, int(5 * length))[:, 0]
    for k in range(4):
        text = str(Timecode.from_frames(start.frames + k, kept))
        word = codeword(text, drop=kept.drop, user="1248F0E7", even_bit=59 if kept.count == 25 else 27)
        # The middle of each half of a bit, where a slow obvious reader would look.
        middles = ((np.arange(160) + 0.5) / 160 + k) * length
        signs = np.sign(samples[np.rint(middles).astype(int)])
        assert signs[0] == 1  # every word begins the same way round: the noughts are even in number
        read_back = "".join("1" if a != b else "0" for a, b in signs.reshape(80, 2))
        assert read_back == word


def test_its_edges_take_40_microseconds_and_stand_between_samples() -> None:
    kept = TimecodeRate.parse("29.97 DF")
    samples = LinearTimecode(kept, 192_000, start_samples=Fraction(1, 3), peak_dbfs=0).samples(0, 4_000)[:, 0]
    fine = np.interp(np.arange(0, 3_999, 0.01), np.arange(4_000), samples)
    rising = np.flatnonzero((fine[:-1] < 0) & (fine[1:] >= 0))[1]
    low = rising - np.argmax(fine[rising::-1] < -0.8)
    high = rising + np.argmax(fine[rising:] > 0.8)
    assert (high - low) * 0.01 / 192_000 == pytest.approx(40e-6, abs=10e-6)  # ST 12-1: 40 ± 10 µs
    half_bit = float(kept.samples_per_frame(192_000)) / 160
    halves = (rising * 0.01 + 1 / 3) / half_bit
    assert halves == pytest.approx(round(halves), abs=0.01)


def test_any_stretch_is_the_same_whatever_was_asked_before() -> None:
    written = LinearTimecode(TimecodeRate.parse("23.976"), 44_100, start_samples=12_345_678)
    whole = written.samples(0, 200_000)
    np.testing.assert_allclose(written.samples(70_001, 3_000), whole[70_001:73_001], atol=1e-9)
    assert written.samples(5, 0).shape == (0, 1)


def test_midnight_is_passed() -> None:
    kept = TimecodeRate.parse("29.97 DF")
    start = Timecode.parse("23:59:59:15", kept)
    written = LinearTimecode(kept, 48_000, start_samples=start.to_samples(48_000))
    found = texts_of(read(written.samples(0, 48_000), 48_000))
    assert "23:59:59;29" in found
    assert found[found.index("23:59:59;29") + 1] == "00:00:00;00"


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(SettingError, match="no linear timecode"):
        LinearTimecode(TimecodeRate.parse("50"), 48_000)
    with pytest.raises(SettingError, match="User bits"):
        LinearTimecode(TimecodeRate.parse("25"), 48_000, user_bits=1 << 32)
    with pytest.raises(SettingError, match="dBFS"):
        LinearTimecode(TimecodeRate.parse("25"), 48_000, peak_dbfs=1.0)
    for make in (LinearTimecodeReader, lambda rate: LinearTimecode(TimecodeRate.parse("25"), rate)):
        with pytest.raises(SettingError, match="4000 Hz"):
            make(4_000)
    with pytest.raises(SignalError, match="one channel"):
        LinearTimecodeReader(48_000).add(np.zeros((10, 2)))


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(RATES), st.integers(0, 2_592_000 - 1), st.integers(0, 2**32 - 1))
def test_every_word_says_what_was_put_into_it(rate: str, frame: int, user_bits: int) -> None:
    timecode = Timecode.from_frames(frame, TimecodeRate.parse(rate))
    words = TimecodeWords(
        np.array([timecode_word(timecode, user_bits)], np.uint64),
        np.zeros(1),
        np.zeros(1),
        np.zeros(1, np.bool_),
    )
    assert texts_of(words) == [str(timecode)]
    assert words.user_bits.tolist() == [user_bits]
    assert words.even.all()
    assert words.possible.all()
