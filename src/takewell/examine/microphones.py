"""How does each microphone of a take hear each voice: how much later, how loud against its own, and does it comb the mix?

For each voice (known by the ISO nearest to it) the other ISOs are held against that one over stretches in which the
voice speaks:

- `delay`: how much later the voice arrives, by the averaged phase transform; in metres of air at 20 °C.
- `reversed_polarity`: every voice arrives upside down. A remark, since a figure of eight does that by right.
- `spill`: how far a voice lies under the microphone's own voice there, level for level over its floor.
- `comb_filtering`: a mix that holds one voice twice, the second time later by some tenths of a millisecond to some
  milliseconds, has dips at odd multiples of 1 / (2 delay). How deep follows from the mix's own weights (a least-squares
  fit by the ISOs) and from how much of the later microphone goes with the first at that delay.

All are notes: several open microphones bring them along, and a mix made anew from the ISOs need not have them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.kinship import REVERSED
from takewell.examine.voices import MOST_STRETCHES, Voice
from takewell.examine.wording import level
from takewell.measure.averaged_delay import averaged_delay
from takewell.measure.correlation import Delay
from takewell.roll.values import Finding
from takewell.units import decibels

F64 = NDArray[np.float64]

DELAY, SPILL, COMB = "delay", "spill", "comb_filtering"

SPEED_OF_SOUND_M_S = 343.2
"""In dry air of 20 °C at 101.325 kPa (ISO 9613-1:1993 gives 343.2 for its reference temperature of 293.15 K)."""

LONGEST_S = 0.05
"""Furthest delay looked for: 17 m."""

BAND_HZ = (150.0, 7500.0)
"""Where speech is."""

LEAST_OVER_FLOOR_DB = 3.0
"""The voice stands this far over the floor on the other microphone, or nothing is said of its delay."""

LEAST_HEIGHT = 0.04
"""Least height of the peak. Ten stretches of 0.3 s hold 22,000 independent phases in this band: with nothing in common
their mean has a standard deviation of 0.005, and the largest of 4,800 lags reaches four of those."""

CLEAR_HEIGHT, CLEAR = 0.15, 0.7
"""A peak this high, with the next one at this share of it or less, speaks for itself: an echo as strong as the direct
sound would leave the choice open."""

ALIKE_SAMPLES = 2.0
"""A lower one counts where either half of the stretches alone puts it within this."""

SPILL_OVER_FLOOR_DB = 6.0
"""A voice this far over the floor of a microphone is heard there."""

UNDER_OWN_DB = 3.0
"""... and is spill where it lies this far under the microphone's own."""

COMB_S = (0.0001, 0.02)
"""Delays that are heard as colour: shorter ones dip above speech, longer ones are an echo."""

COMB_RIPPLE_DB = 6.0
"""Least distance of crests and dips that is told."""

WEIGHED_STRETCHES = 3
"""Stretches from which a mix's weights are read: a second of sound for some twenty numbers."""

EXPLAINED_DB = -12.0
"""What a fit may leave of the mix."""


@dataclass(frozen=True)
class Arrival:
    """How a microphone hears a voice, against the one nearest to it."""

    track: TrackEvidence
    delay_s: float
    polarity: int
    height: float
    share: float
    """What of the nearest microphone's sound, at that delay, is in this one's, in amplitude and on the files' levels."""


def arrivals(heard: TakeEvidence, voice: Voice, isos: Sequence[TrackEvidence]) -> list[Arrival]:
    """Return the arrivals of a voice at the other microphones that are beyond doubt."""
    stretches = voice.stretches()
    others = [
        t
        for t in isos
        if t is not voice.nearest and voice.over_floor_db[t.track.number] >= LEAST_OVER_FLOOR_DB
    ]
    if not stretches or not others:
        return []
    numbers = [voice.nearest.track.number, *(t.track.number for t in others)]
    read = np.stack([_finite(heard.reader.read(numbers, a, b - a)) for a, b in stretches])
    rate = voice.nearest.rate
    found = []
    for column, track in enumerate(others, 1):
        first, second = read[:, :, 0], read[:, :, column]
        delay = averaged_delay(first, second, rate, longest_s=LONGEST_S, band_hz=BAND_HZ)
        if delay is None or not _beyond_doubt(delay, first, second, rate):
            continue
        share = _share(first, second, delay.delay_s * rate)
        found.append(Arrival(track, delay.delay_s, delay.polarity, delay.height, share))
    return found


def _beyond_doubt(delay: Delay, first: F64, second: F64, rate: int) -> bool:
    """Return whether a delay stands clear: by its own peak, or because either half of the stretches tells the same."""
    if delay.height < LEAST_HEIGHT:
        return False
    if delay.height >= CLEAR_HEIGHT and delay.runner_up <= CLEAR:
        return True
    halves = [
        averaged_delay(first[k::2], second[k::2], rate, longest_s=LONGEST_S, band_hz=BAND_HZ)
        for k in range(2)
        if len(first) > k
    ]
    return len(halves) == 2 and all(
        half is not None
        and half.polarity == delay.polarity
        and abs(half.delay_s - delay.delay_s) * rate <= ALIKE_SAMPLES
        for half in halves
    )


def find_delays(voices: Sequence[tuple[Voice, Sequence[Arrival]]]) -> list[Finding]:
    """Return a finding for each microphone that hears other voices later (or earlier) than their own microphones."""
    by_track: dict[int, list[tuple[Voice, Arrival]]] = {}
    for voice, heard in voices:
        for arrival in heard:
            by_track.setdefault(arrival.track.track.number, []).append((voice, arrival))
    reversed_ones = [p for p in by_track.values() if all(arrival.polarity < 0 for _, arrival in p)]
    return [_delay(pairs) for pairs in by_track.values()] + [_upside_down(pairs) for pairs in reversed_ones]


def find_spill(voices: Sequence[Voice], isos: Sequence[TrackEvidence]) -> list[Finding]:
    """Return a finding for each microphone with a voice of its own that hears others."""
    found = []
    for track in isos:
        number = track.track.number
        own = next((v for v in voices if v.nearest is track), None)
        if own is None:
            continue
        under = {
            v.nearest.track.number: own.over_floor_db[number] - v.over_floor_db[number]
            for v in voices
            if v is not own and v.over_floor_db[number] >= SPILL_OVER_FLOOR_DB
        }
        # A microphone that hears another voice as loud as its own is placed for both.
        spilt = {n: under_db for n, under_db in under.items() if under_db >= UNDER_OWN_DB}
        if spilt:
            found.append(_spill(track, voices, spilt))
    return found


def find_combs(
    heard: TakeEvidence, voices: Sequence[tuple[Voice, Sequence[Arrival]]], isos: Sequence[TrackEvidence]
) -> list[Finding]:
    """Return a finding for each mix that holds a voice twice so that it combs."""
    mixes = [t for t in heard.tracks if t.track.role == "mix" and t.trace.peak.any()]
    worst: list[tuple[float, Voice, Arrival] | None] = [None] * len(mixes)
    for voice, came in voices if mixes else ():
        for k, weights in enumerate(_weights(heard, mixes, voice, isos) if came else ()):
            own = weights.get(voice.nearest.track.number, 0.0)
            for arrival in came if own else ():
                ratio = abs(weights.get(arrival.track.track.number, 0.0) * arrival.share / own)
                ratio = min(ratio, 1 / ratio) if ratio > 0 else 0.0
                timely = COMB_S[0] <= abs(arrival.delay_s) <= COMB_S[1]
                before = worst[k]
                if timely and (before is None or ratio > before[0]):
                    worst[k] = ratio, voice, arrival
    return [
        _comb(mix, *case)
        for mix, case in zip(mixes, worst, strict=True)
        if case is not None and ripple_db(case[0]) >= COMB_RIPPLE_DB
    ]


def ripple_db(ratio: float) -> float:
    """Return how far the crests of a comb stand over its dips, for a second arrival of this amplitude.

    Examples
    --------
    >>> round(ripple_db(0.5), 2)
    9.54
    """
    return float(decibels((1 + ratio) / max(1 - ratio, 1e-3)))


def _finite(samples: NDArray[np.floating]) -> F64:
    read = samples.astype(np.float64)
    if not np.isfinite(read.sum()):
        read[~np.isfinite(read)] = 0.0
    return read


def _share(first: F64, second: F64, delay: float) -> float:
    """Return the least-squares weight of the first in the second, `delay` samples later there (to the nearest)."""
    late = round(delay)
    n = first.shape[1] - abs(late)
    one, two = first[:, max(-late, 0) : max(-late, 0) + n], second[:, max(late, 0) : max(late, 0) + n]
    power = float(np.sum(one * one))
    return float(np.sum(one * two)) / power if power > 0 else 0.0


def _weights(
    heard: TakeEvidence, mixes: Sequence[TrackEvidence], voice: Voice, isos: Sequence[TrackEvidence]
) -> list[Mapping[int, float]]:
    """Return each mix's weights of the ISOs while a voice speaks; empty where no plain sum explains it."""
    numbers = [t.track.number for t in isos]
    wanted = [*numbers, *(mix.track.number for mix in mixes)]
    stretches = voice.stretches()[:: -(-MOST_STRETCHES // WEIGHED_STRETCHES)]
    read = np.concatenate([_finite(heard.reader.read(wanted, a, b - a)) for a, b in stretches])
    sources, given = read[:, : len(isos)], read[:, len(isos) :]
    scale = np.sqrt(np.mean(sources**2, axis=0))
    used = scale > 0
    if not used.any():
        return [{} for _ in mixes]
    unit = sources[:, used] / scale[used]
    kinship = np.einsum("ni,nj->ij", unit, unit) + 1e-9 * len(unit) * np.eye(unit.shape[1])
    weights = np.linalg.solve(kinship, np.einsum("ni,nj->ij", unit, given))
    left = np.mean((given - np.einsum("ni,ij->nj", unit, weights)) ** 2, axis=0)
    power = np.mean(given**2, axis=0)
    kept = [n for n, u in zip(numbers, used, strict=True) if u]
    return [
        dict(zip(kept, (weights[:, k] / scale[used]).tolist(), strict=True))
        if power[k] > 0 and float(decibels(np.sqrt(left[k] / power[k]))) <= EXPLAINED_DB
        else {}
        for k in range(len(mixes))
    ]


def _delay(pairs: Sequence[tuple[Voice, Arrival]]) -> Finding:
    track = pairs[0][1].track
    evidence: dict[str, float | int | str | None] = {}
    told = []
    for voice, arrival in pairs:
        number = voice.nearest.track.number
        late_ms = 1000 * arrival.delay_s
        metres = abs(arrival.delay_s) * SPEED_OF_SOUND_M_S
        evidence[f"delay_ms_to_track_{number}"] = late_ms
        evidence[f"delay_m_to_track_{number}"] = metres
        evidence[f"delay_samples_to_track_{number}"] = arrival.delay_s * track.rate
        evidence[f"polarity_to_track_{number}"] = arrival.polarity
        word = "later" if late_ms >= 0 else "earlier"
        told.append(f"{level(abs(late_ms), 2)} ms ({level(metres, 2)} m) {word} than {_named(voice.nearest)}")
    found = track.finding(
        DELAY,
        0.0,
        track.length_s,
        confidence=0.9,
        severity="note",
        sentence=f"hears a voice {' and another '.join(told[:2])}"
        + (f", and {len(told) - 2} more" if len(told) > 2 else ""),
        remedy="Shift it by as much before both are open in one mix.",
    )
    return replace(found, evidence=evidence)


def _upside_down(pairs: Sequence[tuple[Voice, Arrival]]) -> Finding:
    track, voice = pairs[0][1].track, pairs[0][0]
    return track.finding(
        REVERSED,
        0.0,
        track.length_s,
        confidence=0.85,
        severity="note",
        sentence=f"hears voices upside down against {_named(voice.nearest)}",
        remedy="Invert it before the two are open in one mix, unless it is the side of a pair.",
        other_track=voice.nearest.track.number,
        height=pairs[0][1].height,
    )


def _spill(track: TrackEvidence, voices: Sequence[Voice], under: Mapping[int, float]) -> Finding:
    loudest = min(under, key=lambda n: under[n])
    voice = next(v for v in voices if v.nearest.track.number == loudest)
    more = f", and {len(under) - 1} more" if len(under) > 1 else ""
    found = track.finding(
        SPILL,
        0.0,
        track.length_s,
        confidence=0.85,
        severity="note",
        sentence=f"the voice of {_named(voice.nearest)} spills in {level(under[loudest], 0)} dB under its own{more}",
        remedy="Close it while its own voice is silent; the automatic mix does.",
    )
    return replace(found, evidence={f"under_own_voice_db_track_{n}": value for n, value in under.items()})


def _comb(mix: TrackEvidence, ratio: float, voice: Voice, arrival: Arrival) -> Finding:
    late_ms = abs(1000 * arrival.delay_s)
    ripple = ripple_db(ratio)
    return mix.finding(
        COMB,
        0.0,
        mix.length_s,
        confidence=0.8,
        severity="note",
        sentence=f"combs the voice of {_named(voice.nearest)}: {_named(arrival.track)} brings it again "
        f"{level(late_ms, 2)} ms apart, dips of {level(ripple, 0)} dB from {500 / late_ms:.0f} Hz on",
        remedy="Mix again from the ISOs, with one of the two down or shifted by as much.",
        track=voice.nearest.track.number,
        again_on_track=arrival.track.track.number,
        delay_ms=late_ms,
        first_dip_hz=500 / late_ms,
        ripple_db=ripple,
        amplitude_ratio=ratio,
    )


def _named(heard: TrackEvidence) -> str:
    return heard.track.name or f"track {heard.track.number}"
