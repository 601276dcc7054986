"""How far do clocks run apart between jams, how often must they be jammed, and which rates set traps?

Conventions: 1 ppm is 3.6 ms an hour. Two clocks each within ±a and ±b ppm run apart by at most a + b; where both were
measured, by the difference of their errors (and what their ageing may have added is not counted). Frames are
counted at the timecode's real rate, exactly (:mod:`takewell.timecode`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations

from takewell.kit.values import Clock
from takewell.plan.day import Day, Device, SetUp
from takewell.timecode import Timecode, TimecodeRate

MS_PER_HOUR_PER_PPM = 3.6


@dataclass(frozen=True)
class Pair:
    """How two devices run apart."""

    first: str
    second: str
    ppm: float
    measured: bool
    """Whether both clocks were measured: then `ppm` is what they do, not the most they may do."""
    hours: float
    """Between jams; the whole day where one of them is not jammed."""
    drift_ms: float
    drift_frames: float
    jam_within_h: float
    """How often to jam to stay within the day's fraction of a frame; infinite for clocks that agree."""
    holds: bool


@dataclass(frozen=True)
class LongTake:
    """What an unlocked sample clock does over the longest take."""

    device: str
    take_min: float
    drift_ms: float
    drift_samples: float


@dataclass(frozen=True)
class ClockPlan:
    """Every pair, every long take, and every trap of the rates."""

    pairs: tuple[Pair, ...]
    takes: tuple[LongTake, ...]
    traps: tuple[str, ...]
    warnings: tuple[str, ...]


def apart_ppm(first: Clock, second: Clock) -> tuple[float, bool]:
    """Return by how many ppm two clocks run apart at most, and whether both were measured."""
    if first.error_ppm is not None and second.error_ppm is not None:
        return abs(first.error_ppm - second.error_ppm), True
    worst = sum(c.ppm if c.error_ppm is None else abs(c.error_ppm) for c in (first, second))
    return worst, False


def pair(
    first: Device, second: Device, rate: TimecodeRate, jam_every_h: float, day_h: float, within_frames: float
) -> Pair:
    """Return how two devices run apart between jams.

    Examples
    --------
    Two clocks of 0.2 ppm at 25 frames a second may be 0.864 frames apart after a day without a jam.
    """
    ppm, measured = apart_ppm(first.clock, second.clock)
    hours = min(jam_every_h, day_h) if first.jammed and second.jammed else day_h
    frames_per_h = ppm * 1e-6 * 3600 * float(rate.real)
    return Pair(
        first=first.name,
        second=second.name,
        ppm=ppm,
        measured=measured,
        hours=hours,
        drift_ms=ppm * MS_PER_HOUR_PER_PPM * hours,
        drift_frames=frames_per_h * hours,
        jam_within_h=within_frames / frames_per_h if frames_per_h else float("inf"),
        holds=frames_per_h * hours <= within_frames,
    )


def clock_plan(day: Day) -> ClockPlan:
    """Return what the clocks of the day do."""
    day_h = day.set_ups[-1].end_h - day.set_ups[0].start_h
    timing = day.timing
    pairs = tuple(
        pair(a, b, timing.rate, timing.jam_every_h, day_h, timing.within_frames)
        for a, b in combinations(day.devices, 2)
    )
    longest = max(s.longest_take_min for s in day.set_ups)
    takes = tuple(
        LongTake(
            device.name,
            longest,
            _worst_ppm(device.clock) * MS_PER_HOUR_PER_PPM * longest / 60,
            _worst_ppm(device.clock) * 1e-6 * 60 * longest * day.sample_rate_hz,
        )
        for device in day.devices
    )
    warnings = (*_cold_clocks(day.devices, day.set_ups), *_late_tracks(day.set_ups, timing.rate))
    return ClockPlan(pairs, takes, _traps(day), warnings)


def _worst_ppm(clock: Clock) -> float:
    return clock.ppm if clock.error_ppm is None else abs(clock.error_ppm)


def _cold_clocks(devices: Sequence[Device], set_ups: Sequence[SetUp]) -> tuple[str, ...]:
    found = []
    for device in devices:
        clock = device.clock
        outside = [
            s for s in set_ups if not clock.temperature_low_c <= s.temperature_c <= clock.temperature_high_c
        ]
        if outside:
            found.append(
                f"{device.name}: its clock is stated for {clock.temperature_low_c:g} to {clock.temperature_high_c:g} °C, "
                f"and {outside[0].name} is at {outside[0].temperature_c:g} °C; jam before and after, or keep it warm."
            )
    return tuple(found)


def _late_tracks(set_ups: Sequence[SetUp], rate: TimecodeRate) -> tuple[str, ...]:
    """Say where radio links and wires are mixed: the links arrive later."""
    late: dict[float, list[str]] = {}
    for set_up in set_ups:
        if any(t.transmitter is None for t in set_up.tracks):
            for track in set_up.tracks:
                if track.transmitter is not None and track.transmitter.latency_ms > 0:
                    names = late.setdefault(track.transmitter.latency_ms, [])
                    names += [] if track.name in names else [track.name]
    return tuple(
        f"{', '.join(names)}: the radio link brings it {ms:g} ms ({ms / 1000 * float(rate.real):.2f} frames) later than what comes by wire; "
        "shift it before mixing the two."
        for ms, names in late.items()
    )


def _an_hour_in_samples(rate: TimecodeRate, sample_rate: int) -> Fraction:
    return Timecode.parse("01:00:00:00", TimecodeRate(rate.count, rate.real)).to_samples(sample_rate)


def _traps(day: Day) -> tuple[str, ...]:
    timing, recorded = day.timing, day.sample_rate_hz
    rate, stamped = timing.rate, timing.stamped_rate_hz or day.sample_rate_hz
    found = []
    if rate.real != rate.count and not rate.drop:
        hour = _an_hour_in_samples(rate, stamped)
        whole = Fraction(3600 * stamped)
        found.append(
            f"timecode of {rate} runs slower than the clock on the wall: 01:00:00:00 lies at sample {float(hour):,.0f} of a file "
            f"stamped {stamped} Hz, not at {float(whole):,.0f}; who reads it as {rate.count} places sound "
            f"{float((hour - whole) / stamped):.1f} s early for every hour."
        )
    if rate.drop:
        plain = TimecodeRate(rate.count, rate.real)
        dropped = Timecode.parse("01:00:00;00", rate).frames
        counted = Timecode.parse("01:00:00:00", plain).frames
        found.append(
            f"drop frame: 01:00:00;00 is frame {dropped:,}; read as {plain} the same number is frame {counted:,}, "
            f"{counted - dropped} frames apart for every hour: write DF on every slate and report."
        )
    if timing.picture_rate is not None and timing.picture_rate != rate:
        other = timing.picture_rate
        if other.real == rate.real:
            found.append(f"sound counts {rate}, picture {other}: same speed, other numbers; set both alike.")
        else:
            apart_s = abs(3600 * (1 - float(rate.real / other.real)))
            found.append(
                f"sound counts {rate}, picture {other}: {apart_s:.2f} s apart for every hour of counting if one is taken for the other; set both alike."
            )
    if stamped != recorded:
        speed = Fraction(stamped, recorded)
        found.append(
            f"recorded at {recorded} Hz and stamped {stamped} Hz, sound plays {abs(float(speed - 1)):.2%} {'slow' if speed < 1 else 'fast'}: "
            f"{abs(float(1 / speed - 1)) * 3600:.2f} s for every hour. Right only for picture that is pulled the same way; say so on the report."
        )
    elif recorded in (48_048, 47_952, 96_096):
        found.append(
            f"{recorded} Hz is a pulled rate: a tool that takes it for {48_000 if recorded < 90_000 else 96_000} Hz plays it 0.1 % off, 3.6 s an hour; "
            "use it only where the post house asked for it."
        )
    return tuple(found)


def clock_problems(plan: ClockPlan, within_frames: float) -> tuple[str, ...]:
    """Return what does not hold, one sentence each."""
    return tuple(
        f"{p.first} and {p.second} may run {p.drift_frames:.2f} frames apart in {p.hours:g} h, more than {within_frames:g}; "
        f"jam at least every {p.jam_within_h:.1f} h."
        for p in plan.pairs
        if not p.holds
    )
