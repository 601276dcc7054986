"""Does one track hold the loudest and the quietest thing in front of its microphone, at which gains, and at what risk?

Conventions: the level of a source is uncertain; it is taken as normally distributed in dB around its stated level, with
the standard deviation of its kind. Overload is when its peak passes the limit of the stage that gives way first. The floor
is A-weighted, all stages and the room summed, in dB SPL at the microphone. A gain serves the loud end when the
risk of every source stays within what the day accepts, and the quiet end when the floor lies no more than
`noise_rise_db` above the lowest floor that any gain of this input gives.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

from takewell.kit.johnson import DBU_ABOVE_DBV, johnson_noise_dbu
from takewell.plan.chain import Chain, Passing, carry, gain_through, gives_way_first
from takewell.plan.day import PlannedTrack, SetUp, Source
from takewell.plan.noise import NoiseShare, floor_at_microphone, stage_noise_at_microphone
from takewell.plan.room import VOICE_DIRECTIVITY_DB, AtMicrophone, at_microphone, directivity_index_db
from takewell.plan.stages import BENCH_CELSIUS, full_chain
from takewell.units import SINE_CREST_DB

DISTRIBUTION = "levels normally distributed in dB around the stated level, with the stated standard deviation"
"""What every risk rests on, in words."""

SENSITIVITY_SD_DB = 1.0
"""Between a microphone and its data sheet, as a standard deviation (common practice, no source)."""

_ORIGINS = {
    "sound": "room",
    "microphone": "capsule",
    "transmitter": "radio link",
    "preamplifier": "preamplifier",
    "converter": "converter",
    "file": "rounding in the file",
}


@dataclass(frozen=True)
class Conditions:
    """What the day asks of every track."""

    rate: int
    risk_percent: float
    noise_rise_db: float
    speech_over_floor_db: float


@dataclass(frozen=True)
class HeardSource:
    """A source on its way through a track's chain."""

    source: Source
    at: AtMicrophone
    rms_db_spl: float
    peak_db_spl: float
    """Peak as AES17 counts it: a sine's peak reads like its RMS; the pressure's peak re 20 µPa lies 3.01 dB higher."""
    passed: tuple[Passing, ...]
    first: Passing
    risk_percent: float
    over_floor_db: float
    """Level over the floor of the whole chain."""

    @property
    def is_speech(self) -> bool:
        """Whether somebody speaks."""
        return self.source.loudness.kind == "speech"


@dataclass(frozen=True)
class GainPoint:
    """What one gain would mean."""

    gain_db: float
    risk_percent: float
    """That at least one of the sources overloads something."""
    risks_percent: tuple[float, ...]
    floor_db_spl_a: float


@dataclass(frozen=True)
class GainWindow:
    """Gains that serve both ends: from `low_db` to `high_db`, both None where none does."""

    low_db: float | None
    high_db: float | None
    highest_for_loud_db: float | None
    lowest_for_quiet_db: float
    points: tuple[GainPoint, ...]

    @property
    def is_open(self) -> bool:
        """Whether some gain serves both ends."""
        return self.low_db is not None


@dataclass(frozen=True)
class TrackLevels:
    """Everything the level chain says of one track."""

    set_up: str
    track: PlannedTrack
    chain: Chain
    sources: tuple[HeardSource, ...]
    noise: tuple[NoiseShare, ...]
    floor_db_spl_a: float
    floor_while_loud_db_spl_a: float
    floor_dbfs_a: float
    floor_sd_db: float
    window: GainWindow

    @property
    def loudest(self) -> HeardSource:
        """The source that comes nearest to overloading something."""
        return min(self.sources, key=lambda heard: heard.first.margin_db)

    @property
    def quietest_speech(self) -> HeardSource | None:
        """The quietest speech, if anybody speaks."""
        speech = [heard for heard in self.sources if heard.is_speech]
        return min(speech, key=lambda heard: heard.rms_db_spl) if speech else None

    @property
    def to_file_db(self) -> float:
        """What turns dB SPL at the microphone into dBFS in the file, limiters at rest."""
        return gain_through(self.chain)


def chain_of(track: PlannedTrack, set_up: SetUp, rate: int, *, gain_db: float | None = None) -> Chain:
    """Return a track's chain, at its own gain or another."""
    return full_chain(
        track.microphone,
        track.recorder_input,
        track.gain_db if gain_db is None else gain_db,
        rate,
        transmitter=track.transmitter,
        transmitter_gain_db=track.transmitter_gain_db,
        room_noise_db_a=set_up.room_noise_db_a - directivity_index_db(track.microphone),
        pad_db=track.pad_db,
        encoding=track.encoding,
    )


def overload_risk_percent(margin_db: float, sd_db: float) -> float:
    """Return how likely a level with this margin and spread passes its limit, in percent.

    Examples
    --------
    >>> round(overload_risk_percent(0.0, 4.0), 1)
    50.0
    """
    if math.isinf(margin_db):
        return 0.0
    if sd_db == 0:
        return 100.0 if margin_db < 0 else 0.0
    return 100 * NormalDist().cdf(-margin_db / sd_db)


def track_levels(track: PlannedTrack, set_up: SetUp, conditions: Conditions) -> TrackLevels:
    """Return what a track's level chain does to everything in front of its microphone."""
    chain = chain_of(track, set_up, conditions.rate)
    floor = floor_at_microphone(chain)
    sources = tuple(_heard(source, track, set_up, chain, floor) for source in track.sources)
    loud_peak = max(heard.peak_db_spl for heard in sources)
    room_share = 10 ** ((chain[0].noise_db_a - floor) / 10)
    return TrackLevels(
        set_up=set_up.name,
        track=track,
        chain=chain,
        sources=sources,
        noise=noise_shares(track, chain),
        floor_db_spl_a=floor,
        floor_while_loud_db_spl_a=floor_at_microphone(chain, peak_db=loud_peak),
        floor_dbfs_a=floor + gain_through(chain),
        floor_sd_db=math.hypot(room_share * set_up.room_noise_sd_db, SENSITIVITY_SD_DB),
        window=gain_window(track, set_up, conditions),
    )


def _heard(source: Source, track: PlannedTrack, set_up: SetUp, chain: Chain, floor_db: float) -> HeardSource:
    loudness = source.loudness
    # A bang is over before the room has filled: its peak is the direct sound's.
    in_room = loudness.kind != "impulse"
    at = at_microphone(
        loudness.level_db_spl,
        loudness.at_m,
        track.microphone,
        distance_m=source.distance_m,
        off_axis_deg=source.off_axis_deg,
        room_volume_m3=set_up.room_volume_m3 if in_room else None,
        reverberation_s=set_up.reverberation_s,
        source_directivity_db=VOICE_DIRECTIVITY_DB if loudness.kind == "speech" else 0.0,
    )
    rms = at.level_db_spl
    peak = rms + loudness.crest_db - SINE_CREST_DB
    passed = carry(chain, rms, peak, rise_ms=loudness.rise_ms)
    first = gives_way_first(passed)
    return HeardSource(
        source=source,
        at=at,
        rms_db_spl=rms,
        peak_db_spl=peak,
        passed=passed,
        first=first,
        risk_percent=overload_risk_percent(first.margin_db, loudness.sd_db),
        over_floor_db=rms - floor_db,
    )


def noise_shares(track: PlannedTrack, chain: Chain) -> tuple[NoiseShare, ...]:
    """Return what every origin adds to the floor, in dB SPL A at the microphone."""
    shares = []
    for stage, level in stage_noise_at_microphone(chain):
        origin = _ORIGINS[stage.part]
        note = ""
        if stage.part == "microphone" and track.microphone.self_noise_db_a is None:
            origin, note = "microphone’s resistance", "Johnson noise; the data sheet states no self-noise"
        if stage.part == "converter" and stage.finer is not None:
            note = "the finer converter, in use while it is quiet"
        if stage.part == "file" and stage.bits is None:
            note = "float: no rounding worth counting"
        shares.append(NoiseShare(origin, level, note=note))
        if stage.part == "microphone" and track.microphone.self_noise_db_a is not None:
            ohm = track.microphone.source_impedance_ohm
            johnson_dbv = johnson_noise_dbu(ohm, BENCH_CELSIUS, weighting="A") - DBU_ABOVE_DBV
            level = johnson_dbv - gain_through(chain, chain.index(stage))
            shares.append(
                NoiseShare(
                    f"Johnson noise of {ohm:g} Ω", level, counted=False, note="contained in the capsule’s"
                )
            )
    return tuple(shares)


def gains_of(track: PlannedTrack) -> tuple[float, ...]:
    """Return every gain that can be set on a track's input, in dB."""
    device = track.recorder_input
    step = device.gain_step_db or 1.0
    count = math.floor((device.gain_max_db - device.gain_min_db) / step + 1e-9)
    return tuple(device.gain_min_db + k * step for k in range(count + 1))


def gain_window(track: PlannedTrack, set_up: SetUp, conditions: Conditions) -> GainWindow:
    """Return the gains that serve both ends, and what each gain would mean."""
    points = []
    for gain in gains_of(track):
        chain = chain_of(track, set_up, conditions.rate, gain_db=gain)
        floor = floor_at_microphone(chain)
        risks = tuple(_heard(source, track, set_up, chain, floor).risk_percent for source in track.sources)
        none_percent = 100 * math.prod(1 - risk / 100 for risk in risks)
        points.append(GainPoint(gain, 100 - none_percent, risks, floor))
    lowest_floor = min(point.floor_db_spl_a for point in points)
    loud = [p.gain_db for p in points if max(p.risks_percent) <= conditions.risk_percent]
    quiet = [p.gain_db for p in points if p.floor_db_spl_a <= lowest_floor + conditions.noise_rise_db]
    both = sorted(set(loud) & set(quiet))
    return GainWindow(
        low_db=both[0] if both else None,
        high_db=both[-1] if both else None,
        highest_for_loud_db=max(loud) if loud else None,
        lowest_for_quiet_db=min(quiet),
        points=tuple(points),
    )


@dataclass(frozen=True)
class LimiterCase:
    """What a limiter of one kind (or none) does for the loudest source and costs in the quiet, at the set gain."""

    kind: str
    margin_db: float
    risk_percent: float
    peak_lowered_db: float
    floor_rise_db: float
    """What the whole floor, room included, rises by."""
    converter_noise_rise_db: float
    cost: str


_TYPICAL = {
    "none": {"limiter": "none"},
    "analogue": {
        "limiter": "analogue",
        "limiter_threshold_dbfs": -6.0,
        "limiter_ratio": 10.0,
        "limiter_range_db": 24.0,
        "limiter_attack_ms": 1.0,
        "limiter_release_ms": 200.0,
    },
    "deferred": {
        "limiter": "deferred",
        "limiter_threshold_dbfs": -3.0,
        "limiter_ratio": 20.0,
        "limiter_range_db": 10.0,
        "limiter_attack_ms": 0.0,
        "limiter_release_ms": 150.0,
    },
}
"""Limiters as they are common, where the profile has one of another kind (common practice, no source)."""


def limiter_cases(levels: TrackLevels, set_up: SetUp, conditions: Conditions) -> tuple[LimiterCase, ...]:
    """Return the track without a limiter, with an analogue one and with a deferred-gain one, side by side.

    The profile's own figures are used for the kind it has, common ones for the other. Empty for float files
    behind two converters, where there is nothing for a limiter to do.
    """
    track = levels.track
    if track.recorder_input.gain_place == "after_converter":
        return ()
    loudest = levels.loudest.source
    cases: list[LimiterCase] = []
    plain_floor, plain_converter = math.nan, math.nan
    for kind, fields in _TYPICAL.items():
        own = track.recorder_input.limiter == kind
        device = track.recorder_input if own else replace(track.recorder_input, **fields)  # type: ignore[arg-type]
        variant = replace(track, recorder_input=device)
        chain = chain_of(variant, set_up, conditions.rate)
        floor = floor_at_microphone(chain)
        converter = next(
            level for stage, level in stage_noise_at_microphone(chain) if stage.part == "converter"
        )
        if kind == "none":
            plain_floor, plain_converter = floor, converter
        heard = _heard(loudest, variant, set_up, chain, floor)
        lowered = -sum(p.limiter_db for p in heard.passed if p.stage.part in ("converter", "file"))
        cases.append(
            LimiterCase(
                kind,
                heard.first.margin_db,
                heard.risk_percent,
                lowered,
                floor - plain_floor,
                converter - plain_converter,
                _cost(kind, heard, lowered, converter - plain_converter),
            )
        )
    return tuple(cases)


def _cost(kind: str, heard: HeardSource, lowered_db: float, converter_rise_db: float) -> str:
    if kind == "none":
        return "nothing is held back"
    limiter = next(
        p.stage.limiter for p in heard.passed if p.stage.part in ("converter", "file") and p.stage.limiter
    )
    if kind == "deferred":
        return f"converter noise {converter_rise_db:.0f} dB higher in the quiet; everything under a peak goes down with it for {limiter.release_ms:g} ms"
    peak_before = next(p.peak_db - p.limiter_db for p in heard.passed if p.stage.limiter is limiter)
    missed = lowered_db - abs(float(limiter.gain_db(peak_before)))
    words = f"speech and room under a peak go down {lowered_db:.0f} dB with it for {limiter.release_ms:g} ms"
    if missed < -0.05:
        words += f"; the first {limiter.attack_ms:g} ms slip through {-missed:.1f} dB too high"
    return words


def levels_of_day(
    set_ups: Sequence[SetUp], conditions: Conditions
) -> tuple[tuple[SetUp, tuple[TrackLevels, ...]], ...]:
    """Return the levels of every track of every set-up."""
    return tuple((s, tuple(track_levels(track, s, conditions) for track in s.tracks)) for s in set_ups)
