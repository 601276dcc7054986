"""Do the batteries last the day, when are they swapped, and may they fly?

Conventions: hours are hours since midnight of the day. A load draws its watts through every set-up and its standby
watts between them; phantom supplies draw what the microphones take (current × voltage) over the efficiency of the
converter. What a battery gives is its energy × usable share × health × the share left at its temperature (air plus its
own heat, straight lines between the stated points). Supply and load are uncertain; their ratio is taken as normally
distributed with the circuit's `spread_percent`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

from takewell.kit.values import Battery, Recorder
from takewell.plan.day import Circuit, Day, SetUp

CONFIDENCE_PERCENT = 95.0
"""How sure the lower figure of the hours left is, and how sure the day must be to end with power."""

CABIN_FREE_WH = 100.0
CABIN_WITH_APPROVAL_WH = 160.0
SPARES_WITH_APPROVAL = 2
METAL_FREE_G = 2.0
"""ICAO/IATA provisions for passengers, as airlines commonly publish them; each airline may be stricter."""


@dataclass(frozen=True)
class Stretch:
    """A stretch of the day with one load and one temperature."""

    start_h: float
    end_h: float
    power_w: float
    temperature_c: float
    what: str


@dataclass(frozen=True)
class Swap:
    """When a battery is empty and the next is put in."""

    at_h: float
    number: int
    """Which battery comes in, counted from 1."""
    battery: str


@dataclass(frozen=True)
class CircuitPlan:
    """What one supply does over the day."""

    circuit: Circuit
    stretches: tuple[Stretch, ...]
    needed_wh: float
    supply_wh: float
    """What all its batteries give at the temperatures of the day."""
    swaps: tuple[Swap, ...]
    empty_at_h: float | None
    hours_left: float
    """After the day's end, at its mean load; below zero what is missing."""
    hours_left_low: float
    """The same, with `CONFIDENCE_PERCENT`."""
    holds_percent: float
    """How likely the batteries last to the end."""


def stretches(circuit: Circuit, day: Day) -> tuple[Stretch, ...]:
    """Return the day's stretches for a circuit: set-ups, and what lies between them."""
    found: list[Stretch] = []
    total_h = day.set_ups[-1].end_h - day.set_ups[0].start_h
    for previous, set_up in zip((None, *day.set_ups), day.set_ups, strict=False):
        if previous is not None and set_up.start_h > previous.end_h:
            found.append(
                Stretch(
                    previous.end_h,
                    set_up.start_h,
                    _between_w(circuit, day, total_h),
                    min(previous.temperature_c, set_up.temperature_c),
                    "between",
                )
            )
        found.append(
            Stretch(
                set_up.start_h,
                set_up.end_h,
                _working_w(circuit, day, set_up, total_h),
                set_up.temperature_c,
                set_up.name,
            )
        )
    return tuple(found)


def phantom_w(set_up: SetUp, efficiency_percent: float) -> float:
    """Return what the phantom supplies of a set-up's microphones draw from the battery, in watts."""
    direct = [t for t in set_up.tracks if t.transmitter is None and t.role == "iso"]
    taken_w = sum(t.microphone.phantom_v * t.microphone.current_ma / 1000 for t in direct)
    return taken_w / (efficiency_percent / 100)


def _share(hours: float | None, total_h: float) -> float:
    return 1.0 if hours is None else min(1.0, hours / total_h)


def _working_w(circuit: Circuit, day: Day, set_up: SetUp, total_h: float) -> float:
    power = sum(d.count * d.load.power_w * _share(d.hours, total_h) for d in circuit.loads)
    if circuit.recorder:
        power += day.recorder.power_w + phantom_w(set_up, day.recorder.phantom_efficiency_percent)
    return power


def _between_w(circuit: Circuit, day: Day, total_h: float) -> float:
    power = 0.0
    for drawn in circuit.loads:
        load = drawn.load
        watts = load.power_w if load.standby_w is None else load.standby_w
        power += drawn.count * watts * _share(drawn.hours, total_h)
    if circuit.recorder:
        power += day.recorder.power_w if day.recorder.standby_w is None else day.recorder.standby_w
    return power


def energy_wh(battery: Battery, air_c: float) -> float:
    """Return what a battery gives at an air temperature, in watt-hours."""
    cell_c = air_c + battery.self_heating_k
    return (
        battery.energy_wh
        * battery.usable_percent
        / 100
        * battery.health_percent
        / 100
        * _cold(battery.cold, cell_c)
        / 100
    )


def _cold(points: Sequence[tuple[float, float]], celsius: float) -> float:
    if celsius <= points[0][0]:
        return points[0][1]
    for (low, at_low), (high, at_high) in pairwise(points):
        if celsius <= high:
            return at_low + (at_high - at_low) * (celsius - low) / (high - low)
    return points[-1][1]


def circuit_plan(circuit: Circuit, day: Day) -> CircuitPlan:
    """Return how one supply gets through the day, its batteries drained in their order."""
    found = stretches(circuit, day)
    needed = sum(s.power_w * (s.end_h - s.start_h) for s in found)
    hours = sum(s.end_h - s.start_h for s in found)
    swaps: list[Swap] = []
    empty_at: float | None = None
    index, left = 0, 1.0  # share left of the battery that is in
    for stretch in found:
        now = stretch.start_h
        while stretch.power_w > 0 and index < len(circuit.batteries):
            lasts_h = left * energy_wh(circuit.batteries[index], stretch.temperature_c) / stretch.power_w
            if now + lasts_h >= stretch.end_h:
                left *= 1 - (stretch.end_h - now) / lasts_h if lasts_h else 0.0
                break
            now += lasts_h
            index, left = index + 1, 1.0
            if index < len(circuit.batteries):
                swaps.append(Swap(now, index + 1, circuit.batteries[index].name))
            else:
                empty_at = now
    supply = _supply_wh(circuit, found, needed)
    mean_w = needed / hours if hours else 0.0
    holds, low_left, hours_left = 100.0, math.inf, math.inf
    if mean_w > 0:
        spread = circuit.spread_percent / 100
        worst = supply * (1 - NormalDist().inv_cdf(CONFIDENCE_PERCENT / 100) * spread)
        hours_left, low_left = (supply - needed) / mean_w, (worst - needed) / mean_w
        if spread:
            holds = 100 * NormalDist().cdf((supply - needed) / (spread * supply))
        else:
            holds = 100.0 if supply >= needed else 0.0
    return CircuitPlan(circuit, found, needed, supply, tuple(swaps), empty_at, hours_left, low_left, holds)


def _supply_wh(circuit: Circuit, found: Sequence[Stretch], needed_wh: float) -> float:
    """Return what all batteries give, each at the day's temperatures weighted with the energy drawn in them."""
    if not needed_wh:
        return sum(energy_wh(b, found[0].temperature_c) for b in circuit.batteries)
    return sum(
        needed_wh
        / sum(
            s.power_w * (s.end_h - s.start_h) / energy_wh(battery, s.temperature_c)
            for s in found
            if s.power_w
        )
        for battery in circuit.batteries
    )


def clock_time(hours: float) -> str:
    """Return hours since midnight as a time of day, ``+1`` behind it on the next day.

    Examples
    --------
    >>> clock_time(25.5)
    '01:30 +1'
    """
    minutes = round(60 * hours)
    days, minutes = divmod(minutes, 1440)
    return f"{minutes // 60:02d}:{minutes % 60:02d}" + (f" +{days}" if days else "")


def power_problems(plan: CircuitPlan, recorder: Recorder) -> tuple[str, ...]:
    """Return what does not hold, one sentence each."""
    weak = [
        f"{plan.circuit.name}: {battery.name} gives {battery.voltage_v:g} V and the recorder asks for {recorder.voltage_min_v:g}; take another."
        for battery, _ in counted(plan.circuit.batteries)
        if plan.circuit.recorder
        and recorder.voltage_min_v is not None
        and battery.voltage_v < recorder.voltage_min_v
    ]
    return (*weak, *_too_short(plan))


def _too_short(plan: CircuitPlan) -> tuple[str, ...]:
    if plan.empty_at_h is not None:
        return (
            f"{plan.circuit.name}: the last battery is empty at {clock_time(plan.empty_at_h)}, {-plan.hours_left:.1f} h before the end; "
            "bring more or larger ones, or charge at midday.",
        )
    if plan.holds_percent < CONFIDENCE_PERCENT:
        return (
            f"{plan.circuit.name}: the batteries last to the end with only {plan.holds_percent:.0f} % confidence; bring one more.",
        )
    return ()


def flight_notes(batteries: Sequence[Battery]) -> tuple[tuple[str, bool], ...]:
    """Return what flying with these batteries means: (sentence, whether it stops the plan)."""
    found: list[tuple[str, bool]] = []
    for battery, count in counted(batteries):
        many = f"{count} × {battery.name}"
        if battery.chemistry in ("li-ion", "lifepo4"):
            energy = battery.energy_wh
            if energy <= CABIN_FREE_WH:
                found.append((f"{many}: {energy:g} Wh, commonly carried in the cabin without asking.", False))
            elif energy <= CABIN_WITH_APPROVAL_WH:
                words = f"{many}: {energy:g} Wh, only with the airline's approval and at most {SPARES_WITH_APPROVAL} spares a person."
                found.append((words, count > SPARES_WITH_APPROVAL))
            else:
                found.append(
                    (
                        f"{many}: {energy:g} Wh, not allowed on passenger flights; send them as freight or rent there.",
                        True,
                    )
                )
        elif battery.chemistry == "li-metal":
            grams = battery.lithium_g
            if grams is None:
                found.append(
                    (f"{many}: lithium content not stated; the limit is {METAL_FREE_G:g} g a cell.", True)
                )
            elif grams <= METAL_FREE_G:
                found.append(
                    (
                        f"{many}: {grams:g} g of lithium a cell, commonly carried in the cabin without asking.",
                        False,
                    )
                )
            else:
                found.append(
                    (
                        f"{many}: {grams:g} g of lithium a cell, above the {METAL_FREE_G:g} g passengers may carry.",
                        True,
                    )
                )
    return tuple(found)


def counted(batteries: Sequence[Battery]) -> list[tuple[Battery, int]]:
    """Return each kind of battery once, with how many there are."""
    kinds: list[Battery] = []
    for battery in batteries:
        if battery not in kinds:
            kinds.append(battery)
    return [(kind, sum(battery == kind for battery in batteries)) for kind in kinds]
