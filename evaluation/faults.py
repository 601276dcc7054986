"""How is each kind of damage to one track planted in speech?

Each maker takes a voice, a severity, a way and a generator and returns a `Case`. Where a track holds several
events they lie in slots of 12 s, so that each is told as a finding of its own.
"""

from collections.abc import Callable

import numpy as np
from evaluation.corpus import F64, SPEECH_DBFS, Case, noise, speech_track, stored, voiced_at
from evaluation.sources import RATE, Source
from scipy.signal import butter, sosfilt

from takewell.units import SINE_CREST_DB, amplitude

SLOT_S, SLOTS = 12.0, 5
"""Five events a minute; each is planted within the first 1.8 s of its slot, 10.2 s or more from the next."""

IN_SLOT_S = 1.8

Maker = Callable[[Source, float, str, np.random.Generator], Case]

SPEECH_SNR_DB = 20.0
"""How far speech stands above the floor where a hole or a jump is planted in it."""


def _places(
    track: F64, length: int, rng: np.random.Generator, floor_dbfs: float, snr_db: float = SPEECH_SNR_DB
) -> list[int]:
    """Return one place in each slot that has speech there."""
    found = []
    for k in range(SLOTS):
        first = round((k * SLOT_S + 1.0) * RATE)
        last = first + round(IN_SLOT_S * RATE) + length
        at = voiced_at(track, length, rng, snr_db, floor_dbfs, first, min(last, len(track) - RATE // 2))
        if at is not None:
            found.append(at)
    return found


def _spans(places: list[int], length: int) -> tuple[tuple[float, float], ...]:
    return tuple((at / RATE, (at + length) / RATE) for at in places)


def clipped(source: Source, lost_db: float, way: str, rng: np.random.Generator) -> Case:
    """A track cut `lost_db` under its highest crest; `way` says at which level and in which encoding."""
    track, _ = speech_track(source, 12, rng)
    encoding, rail_dbfs = {
        "int24 at full scale": ("int24", 0.0),
        "float at −8 dBFS": ("float32", -8.1),
        "float at +12 dBFS": ("float32", 12.0),
        "16 bit, then turned down 20 dB": ("int16", -20.0),
    }[way]
    rail = float(amplitude(rail_dbfs))
    track *= rail * amplitude(lost_db) / np.abs(track).max()
    cut = np.abs(track) >= rail
    edges = np.flatnonzero(np.diff(np.concatenate(([False], cut, [False])).astype(np.int8))).reshape(-1, 2)
    edges = edges[edges[:, 1] - edges[:, 0] >= 3]
    events = ((float(edges[0, 0] / RATE), float(edges[-1, 1] / RATE)),) if len(edges) else ()
    samples = stored(np.clip(track, -rail, rail), encoding)
    return Case(
        "clipped", f"{lost_db:g} dB", lost_db, samples, encoding, events, truth={"rail_dbfs": rail_dbfs}
    )


def hole(source: Source, milliseconds: float, way: str, rng: np.random.Generator) -> Case:
    """Holes in speech: zeros, or a receiver's own noise (a collapse)."""
    track, floor_dbfs = speech_track(source, SLOTS * SLOT_S, rng)
    length = max(1, round(milliseconds * RATE / 1000))
    places = _places(track, length, rng, floor_dbfs)
    for at in places:
        left = 0.0 if way == "zeros" else amplitude(-105.0) * rng.standard_normal(length)
        track[at : at + length] = left
    asked = milliseconds >= (1 if way == "zeros" else 20)
    return Case(
        "dropout",
        f"{way} {milliseconds:g} ms",
        milliseconds,
        stored(track, "int24"),
        "int24",
        _spans(places, length),
        family=way,
        asked=asked,
    )


TORN = (3.0, 6.0, 12.0, 1e9)
"""Bounds of how many times the largest bend of the 10 ms around it a jump reaches."""


def skipped(source: Source, torn: float, way: str, rng: np.random.Generator) -> Case:
    """Up to 40 ms of samples missing from speech, or a buffer that comes twice, where that tears the wave so much."""
    track, floor_dbfs = speech_track(source, SLOTS * SLOT_S + 3, rng)
    most = TORN[TORN.index(torn) + 1]
    places: list[tuple[float, float]] = []
    for k in range(SLOTS):
        for _ in range(60):
            length = (
                1 << int(rng.integers(6, 12)) if way == "repeated" else round(rng.uniform(0.001, 0.04) * RATE)
            )
            first = round((k * SLOT_S + 1.0) * RATE)
            at = voiced_at(
                track, length, rng, SPEECH_SNR_DB, floor_dbfs, first, first + round(IN_SLOT_S * RATE) + length
            )
            if at is None:
                break
            back = length if way == "repeated" else -length
            left, right = track[at - 480 : at], track[at - back : at - back + 480]
            around = max(np.abs(np.diff(left, 2)).max(), np.abs(np.diff(right, 2)).max())
            if torn <= abs(right[0] - 2 * left[-1] + left[-2]) / around < most:
                track = np.concatenate(
                    (track[:at], track[at - back : at - back + length * (back > 0)], track[at + length :])
                )
                places.append((at / RATE, (at + max(back, 0)) / RATE))
                break
    return Case(
        "dropout",
        f"{way}, torn {torn:g} to {most:g} times its bends"
        if most < 1e6
        else f"{way}, torn {torn:g} times its bends or more",
        torn,
        stored(track, "int24"),
        "int24",
        tuple(places),
        family=way,
        asked=torn >= 6,
    )


def noise_burst(source: Source, over_speech_db: float, way: str, rng: np.random.Generator) -> Case:
    """A receiver's noise instead of speech: a hit of some milliseconds, or a squelch tail before a mute."""
    track, floor_dbfs = speech_track(source, SLOTS * SLOT_S, rng)
    length = round(rng.uniform(0.004, 0.03) * RATE) if way == "hit" else round(rng.uniform(0.04, 0.2) * RATE)
    places = _places(track, 2 * length, rng, floor_dbfs)
    level = amplitude(SPEECH_DBFS + over_speech_db - SINE_CREST_DB)
    for at in places:
        track[at : at + length] = level * rng.standard_normal(length)
        if way == "squelch":
            track[at + length : at + 2 * length] = amplitude(-105.0) * rng.standard_normal(length)
    return Case(
        "dropout",
        f"{way}, {over_speech_db:+g} dB on the speech",
        over_speech_db,
        stored(track, "int24"),
        "int24",
        _spans(places, length),
        family=way,
    )


def clock_clicks(source: Source, over_floor_db: float, way: str, rng: np.random.Generator) -> Case:
    """Clicks of one sample at a steady distance, or a sample dropped at a steady distance (two clocks)."""
    track, floor_dbfs = speech_track(source, 60, rng)
    period = float(rng.uniform(0.25, 2.5)) * RATE
    at = np.round(np.arange(rng.uniform(0.2, 1) * period, len(track) - 10, period)).astype(np.int64)
    if way == "clicks":
        track[at] += amplitude(floor_dbfs + over_floor_db - SINE_CREST_DB)
    else:
        track = np.delete(track, at)
        at = at - np.arange(len(at))
    return Case(
        "clock_clicks",
        f"{way} {over_floor_db:+g} dB on the floor" if way == "clicks" else "a sample dropped",
        over_floor_db,
        stored(track, "int24"),
        "int24",
        ((float(at[0] / RATE), float(at[-1] / RATE)),),
        family=way,
        truth={"period_s": period / RATE},
        asked=way == "clicks",
    )


def silence(source: Source, seconds: float, way: str, rng: np.random.Generator) -> Case:
    """Mutes inside a take."""
    del way
    track, _ = speech_track(source, 15, rng)
    length = round(seconds * RATE)
    at = int(rng.integers(RATE, len(track) - length - RATE))
    track[at : at + length] = 0
    return Case(
        "digital_silence", f"{seconds:g} s", seconds, stored(track, "int24"), "int24", _spans([at], length)
    )


def hum(source: Source, over_floor_db: float, way: str, rng: np.random.Generator) -> Case:
    """Mains hum of a minute, its level against the floor that is there without it; or the buzz of a dimmed lamp."""
    track, floor_dbfs = speech_track(source, 60, rng)
    nominal = 60.0 if "60" in way else 50.0
    hertz = nominal + float(rng.uniform(-0.1, 0.1))
    t = np.arange(len(track)) / RATE
    if way.startswith("lamp"):
        # A leading-edge dimmer switches on at the same angle of each half-wave: a pulse of 0.1 ms, twice a period.
        phase = (2 * hertz * t + rng.uniform()) % 1.0
        wave = np.exp(-phase / (2 * hertz * 1e-4)) - np.exp(-0.5 / (2 * hertz * 1e-4))
        wave = wave - wave.mean()
    else:
        orders = sorted({1, 2, 3, *rng.choice(np.arange(4, 20), 4, replace=False).tolist()})
        wave = np.sum(
            [
                np.sin(2 * np.pi * hertz * k * t + rng.uniform(0, 6.28)) * rng.uniform(0.3, 1) / k
                for k in orders
            ],
            axis=0,
        )
    track += wave * amplitude(floor_dbfs + over_floor_db - SINE_CREST_DB) / np.std(wave)
    family = "lamp" if way.startswith("lamp") else "mains"
    name = "lamp, " if family == "lamp" else ""
    return Case(
        "hum",
        f"{name}floor {over_floor_db:+g} dB",
        over_floor_db,
        stored(track, "int24"),
        "int24",
        ((0.0, 60.0),),
        family=family,
        truth={"hertz": hertz},
        asked=over_floor_db >= 0,
    )


def whine(source: Source, over_floor_db: float, way: str, rng: np.random.Generator) -> Case:
    """A steady tone that is no mains, its level against the whole floor, unweighted."""
    track, floor_dbfs = speech_track(source, 60, rng)
    low, high = (700.0, 4000.0) if way == "low" else (4000.0, 16_500.0)
    hertz = float(rng.uniform(low, high))
    t = np.arange(len(track)) / RATE
    drift = hertz * t + rng.uniform(0, 0.2) * np.sin(2 * np.pi * 0.02 * t)
    track += amplitude(floor_dbfs + over_floor_db) * np.sin(2 * np.pi * drift + rng.uniform(0, 6.28))
    return Case(
        "whine",
        f"floor {over_floor_db:+g} dB",
        over_floor_db,
        stored(track, "int24"),
        "int24",
        ((0.0, 60.0),),
        family=f"{way} tone",
        truth={"hertz": hertz},
        asked=over_floor_db >= 0,
    )


FRAME_S = 0.12 / 26
"""A TDMA frame: 26 of them last 120 ms (3GPP TS 45.002, clause 4.3.2; 1 / 216.68 Hz). A burst fills one of its 8 slots."""


def rf_burst(source: Source, over_floor_db: float, way: str, rng: np.random.Generator) -> Case:
    """A phone's bursts, rectified somewhere: pulses of an eighth of a frame, level in dB over the floor."""
    track, floor_dbfs = speech_track(source, SLOTS * SLOT_S, rng)
    length = round(float(way.removesuffix(" s")) * RATE)
    t = np.arange(length) / RATE
    frame, at = np.divmod(t, FRAME_S)
    pulses = ((at < FRAME_S / 8) & (frame % 26 != 25)).astype(np.float64)
    coupled = sosfilt(butter(1, [80, 9000], "bandpass", fs=RATE, output="sos"), pulses)
    coupled *= amplitude(floor_dbfs + over_floor_db - SINE_CREST_DB) / coupled.std()
    places = [
        round((k * SLOT_S + 1 + rng.uniform(0, IN_SLOT_S)) * RATE) for k in range(SLOTS) if length < 8 * RATE
    ]
    for start in places:
        track[start : start + length] += coupled[: max(len(track) - start, 0)]
    return Case(
        "rf_burst",
        f"floor {over_floor_db:+g} dB, {way}",
        over_floor_db,
        stored(track, "int24"),
        "int24",
        _spans(places, length),
        family=f"for {way}",
        asked=way != "1 s",
    )


def dc_offset(source: Source, offset_dbfs: float, way: str, rng: np.random.Generator) -> Case:
    """A steady offset of either sign."""
    track, _ = speech_track(source, 15, rng)
    offset = float(amplitude(offset_dbfs)) * (1 if way == "positive" else -1)
    return Case(
        "dc_offset",
        f"{offset_dbfs:g} dBFS",
        offset_dbfs,
        stored(track + offset, "int24"),
        "int24",
        ((0.0, 15.0),),
        truth={"offset": offset},
        asked=offset_dbfs >= -50,
    )


def noisy(source: Source, apart_db: float, way: str, rng: np.random.Generator) -> Case:
    """Speech with noise `apart_db` under it, unweighted."""
    del way
    track, _ = speech_track(source, 30, rng)
    track += noise(len(track), SPEECH_DBFS - apart_db, rng)
    return Case(
        "noisy",
        f"speech {apart_db:g} dB over",
        -apart_db,
        stored(track, "int24"),
        "int24",
        ((0.0, 30.0),),
        asked=apart_db < 20,
    )


def nonfinite(source: Source, count: float, way: str, rng: np.random.Generator) -> Case:
    """Samples that are no numbers, in a float track."""
    track, _ = speech_track(source, 15, rng)
    at = int(rng.integers(RATE, len(track) - RATE))
    track[at : at + int(count)] = np.nan if way == "NaN" else np.inf
    return Case(
        "nonfinite",
        f"{count:g} samples",
        count,
        stored(track, "float32"),
        "float32",
        _spans([at], int(count)),
    )


def limited(source: Source, reduction_db: float, way: str, rng: np.random.Generator) -> Case:
    """A limiter whose ceiling lies `reduction_db` under the highest crest: attack at once, release in 100 ms."""
    track, _ = speech_track(source, 40, rng)
    ceiling = np.abs(track).max() / amplitude(reduction_db)
    release = np.exp(-1 / (0.1 * RATE))
    wanted = np.minimum(1.0, ceiling / np.maximum(np.abs(track), 1e-9))
    gain = _released(_ahead(wanted, round(0.001 * RATE)), release)
    limited_track = np.clip(track * gain, -ceiling, ceiling) if way == "look-ahead" else track * gain
    return Case(
        "limited",
        f"{reduction_db:g} dB of reduction",
        reduction_db,
        stored(limited_track, "int24"),
        "int24",
        ((0.0, 40.0),),
        truth={"ceiling_dbfs": 20 * float(np.log10(ceiling))},
    )


def _ahead(gain: F64, samples: int) -> F64:
    """Return the least gain of the `samples` to come."""
    padded = np.concatenate((gain, np.full(samples, gain[-1])))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, samples + 1).min(axis=1))


def _released(gain: F64, keep: float) -> F64:
    """Return the gain that falls at once and rises with one time constant."""
    out, last = np.empty_like(gain), 1.0
    for start in range(0, len(gain), 48):  # a millisecond at a time
        least = float(gain[start : start + 48].min())
        last = min(least, 1 - (1 - last) * keep**48)
        out[start : start + 48] = last
    return np.asarray(np.convolve(np.pad(out, 24, mode="edge"), np.ones(49) / 49, mode="valid"))[: len(gain)]


def soft_saturation(source: Source, drive_db: float, way: str, rng: np.random.Generator) -> Case:
    """A stage that bends over instead of cutting: a hyperbolic tangent, driven `drive_db` past its limit."""
    track, _ = speech_track(source, 40, rng)
    driven = track / np.abs(track).max() * amplitude(drive_db)
    bent = np.tanh(driven)
    if way == "one side":
        bent = np.where(driven > 0, bent, driven)
    return Case(
        "soft_saturation",
        f"{way}, driven {drive_db:g} dB",
        drive_db,
        stored(0.4 * bent / np.abs(bent).max(), "int24"),
        "int24",
        ((0.0, 40.0),),
        family=way,
    )
