"""Does the day hold, and where not?

`plan_day` puts levels, cards, power and clocks together and says in sentences what does not hold, with a remedy
that was reckoned, and which cautions apply. Nothing here is printed or written.
"""

from dataclasses import dataclass, replace

from takewell.draw.track import signed
from takewell.kit.phantom import phantom_system
from takewell.plan.cards import CardPlan, card_plan, card_problems
from takewell.plan.clock import ClockPlan, clock_plan, clock_problems
from takewell.plan.day import Day, PlannedTrack, SetUp
from takewell.plan.levels import Conditions, LimiterCase, TrackLevels, limiter_cases, track_levels
from takewell.plan.power import CircuitPlan, circuit_plan, flight_notes, power_problems
from takewell.plan.remedies import Remedy, remedies

PHANTOM_CAUTION = (
    "Phantom power: switch it on only where a microphone asks for it, never into ribbon microphones or unbalanced "
    "sources, with the input turned down while plugging; makers’ data sheets decide."
)
LITHIUM_CAUTION = (
    "Lithium batteries: spares in the cabin with covered terminals, none that is swollen or damaged, charge under watch, "
    "warm them before charging; the maker’s sheet, the airline and local rules decide."
)
HEARING_CAUTION = "Hearing: turn the headphones down before line-up tone, slates and doors; what is loud here is loud at your ears."
MAINS_CAUTION = "Mains: supplies and earthing are the business of licensed people; never lift a protective earth against hum."


@dataclass(frozen=True)
class Problem:
    """Something that does not hold: where, and in one sentence with what to do."""

    where: str
    sentence: str


@dataclass(frozen=True)
class PlannedLevels:
    """A track with what its limiter would cost and what would open its gain window."""

    levels: TrackLevels
    limiters: tuple[LimiterCase, ...]
    remedies: tuple[Remedy, ...]


@dataclass(frozen=True)
class PlannedSetUp:
    """A set-up with all its tracks."""

    set_up: SetUp
    tracks: tuple[PlannedLevels, ...]


@dataclass(frozen=True)
class DayPlan:
    """The whole answer."""

    day: Day
    conditions: Conditions
    set_ups: tuple[PlannedSetUp, ...]
    cards: CardPlan
    circuits: tuple[CircuitPlan, ...]
    clock: ClockPlan
    flight: tuple[str, ...]
    problems: tuple[Problem, ...]
    cautions: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether nothing stands against the plan."""
        return not self.problems


def plan_day(day: Day, earlier: DayPlan | None = None) -> DayPlan:
    """Return the plan of a day.

    Parameters
    ----------
    day : Day
    earlier : DayPlan, optional
        A plan made before: tracks that stand in it with the same conditions are taken from there, which is quick while
        one value is being changed.
    """
    conditions = Conditions(day.sample_rate_hz, day.risk_percent, day.noise_rise_db, day.speech_over_floor_db)
    problems: list[Problem] = []
    set_ups = []
    for set_up in day.set_ups:
        tracks = []
        for track in set_up.tracks:
            planned = _known(earlier, track, set_up, conditions) or _planned(track, set_up, conditions)
            where = f"{set_up.name}, {track.name}"
            problems += [Problem(where, s) for s in (*level_problems(planned, conditions), *_supply(track))]
            tracks.append(planned)
        set_ups.append(PlannedSetUp(set_up, tuple(tracks)))
    cards = card_plan(day)
    problems += [Problem("cards", s) for s in card_problems(day, cards)]
    circuits = tuple(circuit_plan(circuit, day) for circuit in day.circuits)
    problems += [Problem("power", s) for circuit in circuits for s in power_problems(circuit, day.recorder)]
    batteries = [battery for circuit in day.circuits for battery in circuit.batteries]
    flight = flight_notes(batteries) if day.flight else ()
    problems += [Problem("flight", s) for s, stops in flight if stops]
    clocks = clock_plan(day)
    problems += [Problem("clocks", s) for s in clock_problems(clocks, day.timing.within_frames)]
    return DayPlan(
        day=day,
        conditions=conditions,
        set_ups=tuple(set_ups),
        cards=cards,
        circuits=circuits,
        clock=clocks,
        flight=tuple(s for s, _ in flight),
        problems=tuple(problems),
        cautions=_cautions(day),
    )


def _known(
    earlier: DayPlan | None, track: PlannedTrack, set_up: SetUp, conditions: Conditions
) -> PlannedLevels | None:
    if earlier is None or earlier.conditions != conditions:
        return None
    place = replace(set_up, tracks=())
    for before in earlier.set_ups:
        if replace(before.set_up, tracks=()) == place:
            for planned in before.tracks:
                if planned.levels.track == track:
                    return planned
    return None


def _planned(track: PlannedTrack, set_up: SetUp, conditions: Conditions) -> PlannedLevels:
    levels = track_levels(track, set_up, conditions)
    return PlannedLevels(
        levels,
        limiter_cases(levels, set_up, conditions),
        () if levels.window.is_open else remedies(levels, set_up, conditions),
    )


def level_problems(planned: PlannedLevels, conditions: Conditions) -> tuple[str, ...]:
    """Return what does not hold on a track, one sentence each."""
    levels, found = planned.levels, []
    window, gain = levels.window, levels.track.gain_db
    loudest = levels.loudest
    first = loudest.first
    at_risk = loudest.risk_percent > conditions.risk_percent
    if at_risk:
        amount = (
            f"its usual peak lies {-first.margin_db:.1f} dB over the limit"
            if first.margin_db < 0
            else f"its usual peak stays only {first.margin_db:.1f} dB under the limit"
        )
        found.append(
            f"{loudest.source.name}: the {_spoken(first.stage.part)} gives way first, {amount} "
            f"(risk {loudest.risk_percent:.0f} % at {signed(gain)} dB); {_way_out(planned)}."
        )
    elif not window.is_open:
        found.append(f"no gain holds the loudest and stays quiet enough; {_way_out(planned)}.")
    elif window.low_db is not None and gain < window.low_db:
        found.append(
            f"at {signed(gain)} dB the recorder’s own noise raises the floor by more than {conditions.noise_rise_db:g} dB; "
            f"set {_range(window.low_db, window.high_db)} dB."
        )
    speech = levels.quietest_speech
    if speech is not None and speech.over_floor_db < conditions.speech_over_floor_db:
        most = max((s for s in levels.noise if s.counted), key=lambda s: s.level_db_spl_a)
        found.append(
            f"{speech.source.name} lies {speech.over_floor_db:.0f} dB over the floor, {conditions.speech_over_floor_db:g} are wanted; "
            f"most of the floor is the {most.origin}: go closer or make it quieter."
        )
    return tuple(found)


def _range(low_db: float | None, high_db: float | None) -> str:
    """Return a window that is open, in words."""
    low, high = signed(low_db or 0.0), signed(high_db or 0.0)
    return low if low == high else f"{low} to {high}"


def _spoken(part: str) -> str:
    return {"sound": "air", "transmitter": "radio link"}.get(part, part)


def _way_out(planned: PlannedLevels) -> str:
    window = planned.levels.window
    if window.is_open:
        return f"set {_range(window.low_db, window.high_db)} dB"
    helping = [r for r in planned.remedies if r.helps]
    if window.highest_for_loud_db is None:
        lead = "no gain holds it"
    else:
        lead = (
            f"the loud end asks for {signed(window.highest_for_loud_db)} dB at most, the quiet end for {signed(window.lowest_for_quiet_db)} at least, "
            "no gain serves both"
        )
    if not helping:
        return f"{lead}, and neither pad, distance, another microphone nor float files would"
    best = helping[0]
    return f"{lead}; {best.words} would ({_range(best.low_db, best.high_db)} dB, floor {signed(best.floor_change_db, 1)} dB)"


def _supply(track: PlannedTrack) -> tuple[str, ...]:
    microphone, device = track.microphone, track.recorder_input
    if track.transmitter is not None:
        return ()
    found = []
    wanted, given = phantom_system(microphone.phantom_v), phantom_system(device.phantom_v)
    if microphone.phantom_v and not device.phantom_v:
        found.append(
            f"the microphone asks for {microphone.phantom_v:g} V phantom power and this input gives none; use a supply between them."
        )
    elif microphone.phantom_v and (wanted is None or wanted != given):
        found.append(
            f"the microphone asks for {microphone.phantom_v:g} V phantom power, the input gives {device.phantom_v:g}; check both data sheets."
        )
    most_ma = min(device.phantom_max_ma, given.max_current_ma) if given else device.phantom_max_ma
    if device.phantom_v and microphone.current_ma > most_ma:
        found.append(
            f"the microphone draws {microphone.current_ma:g} mA and this supply may give {most_ma:g}; use a supply between them."
        )
    return tuple(found)


def _cautions(day: Day) -> tuple[str, ...]:
    tracks = [t for s in day.set_ups for t in s.tracks]
    found = []
    if any(t.recorder_input.phantom_v for t in tracks if t.transmitter is None):
        found.append(PHANTOM_CAUTION)
    for name in dict.fromkeys(
        t.microphone.name
        for t in tracks
        if t.transmitter is None
        and t.recorder_input.phantom_v
        and (t.microphone.transducer == "ribbon" or not t.microphone.balanced)
    ):
        found.append(
            f"{name}: keep phantom power off on its input; it can harm ribbon and unbalanced microphones."
        )
    if any(b.chemistry.startswith("li") for c in day.circuits for b in c.batteries):
        found.append(LITHIUM_CAUTION)
    return (*found, HEARING_CAUTION, MAINS_CAUTION)
