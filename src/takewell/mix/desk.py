"""What do the samples of a take go through on their way into the mix?

In this order: the track's moves; the high-pass and the notches against hum, where asked for; four capsules become a sound field; delay
and polarity; the shares; the places. The desk is set up from the take's traces and a few seconds of its samples, before the first
block is mixed.

Conventions: columns are the ISOs in the order of their numbers; positions are samples of the take.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SettingError
from takewell.measure.trace import Trace
from takewell.mix.follow import DAMAGES, FADE_S, Decision, Voice, decided, utterances
from takewell.mix.hum import Mains, mains_on
from takewell.mix.levels import Levels
from takewell.mix.line_up import LOOK_STEPS, Joint, LineUp, Looks, agreeing, arrivals, lined_up
from takewell.mix.noise import distances_db, handicaps_db
from takewell.mix.settings import MixSettings
from takewell.mix.sharing import Sharing
from takewell.mix.sources import Source, isos, sources
from takewell.mix.spill import learn
from takewell.mix.sum import Summing
from takewell.roll import Finding, MeasuredTake, Move, Take, Track, TrackReader
from takewell.shape import GainBank, GainEnvelope
from takewell.shape.a_format import LATENCY, AFormat
from takewell.shape.biquads import Biquads
from takewell.shape.high_pass import high_pass
from takewell.shape.hum_notch import HumNotch
from takewell.units import FINE_STEPS_PER_SECOND, amplitude, step_edges

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@dataclass(frozen=True)
class Desk:
    """Everything that is decided before a take is mixed."""

    take: Take
    tracks: tuple[Track, ...]
    sources: tuple[Source, ...]
    voices: tuple[Voice | None, ...]
    """One for each source, None for those that are no voice."""
    settings: MixSettings
    bank: GainBank
    weights_db: F64
    handicaps_db: F64
    sharing: Sharing
    units: tuple[tuple[int, ...], ...]
    """The columns that are delayed together."""
    line_up: LineUp
    mains: tuple[Mains, ...]

    @property
    def latency(self) -> int:
        """Samples by which the mix comes out late."""
        return LATENCY if any(source.kind == "a-format" for source in self.sources) else 0

    def where(self) -> F64:
        """Return the (columns, channels) amplitude gains, polarity and a voice's match included."""
        full = np.zeros((len(self.tracks), self.sources[0].where.shape[1]))
        for source, voice in zip(self.sources, self.voices, strict=True):
            match = 1.0 if voice is None else amplitude(voice.match_db)[:, None]
            full[list(source.columns)] = source.where * match
        for columns, polarity in zip(self.units, self.line_up.polarities, strict=True):
            full[list(columns)] *= polarity
        return full

    def delays(self) -> list[int]:
        """Return by how many samples each column comes later, so that all come out together after `latency`."""
        delays = [0] * len(self.tracks)
        ready = {c for source in self.sources if source.kind == "a-format" for c in source.columns}
        for columns, delay in zip(self.units, self.line_up.delays, strict=True):
            for column in columns:
                delays[column] = delay + (0 if column in ready else self.latency)
        return delays

    def gains(self, first: int, shares: F64) -> F64:
        """Return the (steps, columns) power gains that shares of the sources give, from a step on."""
        gains = np.empty((len(shares), len(self.tracks)))
        for at, (source, voice) in enumerate(zip(self.sources, self.voices, strict=True)):
            columns = list(source.columns)
            gains[:, columns] = shares[:, [at]]
            if voice is not None:
                gains[:, columns] *= voice.gains(first, first + len(shares))
        return gains

    def set_off(self) -> tuple["Shape", Summing]:
        """Return what blocks of samples pass through, one after the other, from the first one on."""
        shape = Shape(self)
        return shape, Summing(
            self.take.rate, self.where(), self.delays(), self.bank if shape.does_nothing else None
        )


class Shape:
    """Takes blocks of a take, in order, through everything before the sum."""

    def __init__(self, desk: Desk) -> None:
        rate, tracks = desk.take.rate, len(desk.tracks)
        corner = desk.settings.high_pass_hz
        self._bank = desk.bank
        self._high_pass = Biquads([high_pass(corner, rate)] * tracks) if corner else None
        column = {track.number: at for at, track in enumerate(desk.tracks)}
        self._notches = [
            HumNotch(column[one.track], tracks, one.points, one.orders, rate) for one in desk.mains
        ]
        self._fields = [
            (list(source.columns), AFormat(rate, desk.settings.capsule_radius_mm / 1000))
            for source in desk.sources
            if source.kind == "a-format"
        ]

    @property
    def does_nothing(self) -> bool:
        """Whether blocks pass as they are, so that the sum may apply the moves itself."""
        return self._high_pass is None and not self._notches and not self._fields

    def apply(self, block: NDArray[np.floating], position: int) -> NDArray[np.floating]:
        """Return the next block, whose first sample stands at `position`, with its moves unless nothing else is to be done."""
        finite = block if np.isfinite(block.sum()) else np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
        if self.does_nothing:
            return finite
        samples = self._bank.apply(finite, position)
        if self._high_pass is not None:
            self._high_pass.apply(samples)
        for notch in self._notches:
            notch.apply(samples, position)
        for columns, field in self._fields:
            samples[:, columns] = field.apply(samples[:, columns])
        return samples


def set_up(
    measured: MeasuredTake,
    reader: TrackReader,
    settings: MixSettings,
    moves: Sequence[Move],
    findings: Sequence[Finding],
) -> Desk:
    """Return the desk for a take.

    Parameters
    ----------
    measured : MeasuredTake
    reader : TrackReader
        For the looks that line microphones up and measure hum.
    settings : MixSettings
    moves : sequence of Move
        Of this take.
    findings : sequence of Finding
        What the examination says of this take; a followed voice avoids damage.

    Raises
    ------
    SettingError
        If moves overlap, or groups and voices do not fit the take.
    FileError
        If a file cannot be read.
    """
    take = measured.take
    tracks = isos(take)
    every = sources(take, settings)
    envelopes = [_envelope(take, track, moves) for track in tracks]
    power = _TrackPower(measured, tracks, envelopes)
    voices: list[Voice | None] = [
        _voice(power, source, tracks, findings) if source.kind == "voice" else None for source in every
    ]
    levels = Levels.of(lambda first, stop: _source_power(power, every, voices, first, stop), power.steps)
    weights = np.array([_weight(source, tracks, settings) for source in every])
    handicaps = handicaps_db(distances_db(levels)) if settings.heed_noise else np.zeros(len(every))
    sharing = Sharing(
        levels,
        weights - handicaps,
        release_db_per_s=settings.release_db_per_s,
        hold=settings.hold,
        spill=learn(levels.stretches, levels.loudest) if settings.by == "talker" else None,
    )
    units = tuple(
        columns
        for source in every
        for columns in ([(c,) for c in source.columns] if source.kind == "voice" else [source.columns])
    )
    joints = (
        _joints(reader, every, units, tracks, sharing, power.steps, settings)
        if settings.line_up or settings.follow
        else []
    )
    found = lined_up(len(units), joints)
    voices = [
        voice if voice is None else _correlated(voice, source, reader, tracks, units, found)
        for voice, source in zip(voices, every, strict=True)
    ]
    mains = [mains_on(reader, track) for track in tracks] if settings.notch_hum else []
    return Desk(
        take=take,
        tracks=tracks,
        sources=every,
        voices=tuple(voices),
        settings=settings,
        bank=GainBank(envelopes),
        weights_db=weights,
        handicaps_db=handicaps,
        sharing=sharing,
        units=units,
        line_up=found,
        mains=tuple(one for one in mains if one is not None),
    )


class _TrackPower:
    """The K-weighted mean squares of the tracks after their moves, in the take's 10 ms steps."""

    def __init__(
        self, measured: MeasuredTake, tracks: Sequence[Track], envelopes: Sequence[GainEnvelope | None]
    ) -> None:
        take = measured.take
        edges = step_edges(take.length_samples, take.rate, FINE_STEPS_PER_SECOND)
        self.steps = len(edges) - 1
        self._middles = (edges[:-1] + edges[1:]) // 2
        self._traces = [measured.trace(track.number) for track in tracks]
        self._envelopes = envelopes

    def of(self, columns: Sequence[int], first: int, stop: int) -> F64:
        """Return (stop - first, columns) mean squares."""
        middles = self._middles[first:stop]
        power = np.zeros((len(middles), len(columns)))
        places: dict[int, tuple[NDArray[np.bool_] | slice, I64]] = {}
        for at, column in enumerate(columns):
            trace, envelope = self._traces[column], self._envelopes[column]
            # Traces of one file share their edges, so the steps are looked up once for all of them.
            if id(trace.fine_edges) not in places:
                places[id(trace.fine_edges)] = _steps_at(trace, middles)
            inside, steps = places[id(trace.fine_edges)]
            power[inside, at] = trace.fine_k_rms[steps].astype(np.float64) ** 2
            if envelope is not None:
                held = envelope.constant_over(int(middles[0]), int(middles[-1] - middles[0]) + 1) if len(middles) else 1.0  # fmt: skip
                power[:, at] *= envelope.factors_at(middles) ** 2 if held is None else held**2
        return power


def _steps_at(trace: Trace, middles: I64) -> tuple[NDArray[np.bool_] | slice, I64]:
    """Return which middles lie inside a trace, and the trace's steps they lie in."""
    # Where a file begins inside a take the trace's steps begin anew; each step of the take reads the one it lies in.
    inside = middles < trace.length_samples
    return inside, np.searchsorted(trace.fine_edges, middles[inside], side="right") - 1


def _source_power(
    power: _TrackPower, every: Sequence[Source], voices: Sequence[Voice | None], first: int, stop: int
) -> F64:
    tracks = power.of([c for source in every for c in source.columns], first, stop)
    out = np.empty((stop - first, len(every)))
    at = 0
    for k, (source, voice) in enumerate(zip(every, voices, strict=True)):
        mine = tracks[:, at : at + len(source.columns)]
        at += len(source.columns)
        if voice is not None:
            mine = mine * voice.gains(first, stop) * amplitude(voice.match_db) ** 2
        out[:, k] = mine @ source.counts
    return out


def _envelope(take: Take, track: Track, moves: Sequence[Move]) -> GainEnvelope | None:
    mine = [move for move in moves if move.track == track.number]
    try:
        return GainEnvelope.from_moves(mine, take.rate, take.length_samples) if mine else None
    except SettingError as error:
        raise SettingError(f"moves.csv, take {take.id}, track {track.number}: {error}") from error


def _weight(source: Source, tracks: Sequence[Track], settings: MixSettings) -> float:
    given = [settings.weights_db.get(tracks[column].number) for column in source.columns]
    return next((weight for weight in given if weight is not None), 0.0)


def _voice(power: _TrackPower, source: Source, tracks: Sequence[Track], findings: Sequence[Finding]) -> Voice:
    names = [tracks[column].name or f"track {tracks[column].number}" for column in source.columns]
    numbers = [tracks[column].number for column in source.columns]
    damages = [[f for f in findings if f.track == number and f.kind in DAMAGES] for number in numbers]
    levels = Levels.of(lambda first, stop: power.of(source.columns, first, stop), power.steps)
    found, match, speech = utterances(levels, names, damages)
    return Voice(decided(found, names, speech), match)


def _joints(
    reader: TrackReader,
    every: Sequence[Source],
    units: Sequence[tuple[int, ...]],
    tracks: Sequence[Track],
    sharing: Sharing,
    steps: int,
    settings: MixSettings,
) -> list[Joint]:
    """Return the pairs of units that are to be lined up, and how they lie to each other."""
    if len(units) < 2:
        return []
    looks = Looks(len(every), steps)
    for first, shares, source_power in sharing.stretches():
        looks.add(first, shares, source_power)
    crosses = looks.cross()
    unit_of = {columns[0]: at for at, columns in enumerate(units)}
    joints = []
    for leader, source in enumerate(every):
        wanted = [
            (unit_of[every[k].columns[0]], float(crosses[leader, k]))
            for k in range(len(every))
            if k != leader and crosses[leader, k] > 0 and settings.line_up
        ]
        if source.kind == "voice":
            wanted += [(unit_of[column], 1.0 + float(crosses.max())) for column in source.columns[1:]]
        if not wanted:
            continue
        concerned = [unit_of[source.columns[0]], *(unit for unit, _ in wanted)]
        heard = _looked_at(reader, [units[unit] for unit in concerned], tracks, looks.of(leader))
        for (unit, cross), arrival in zip(wanted, arrivals(heard, len(concerned), 0, reader.take.rate)[1:], strict=True):  # fmt: skip
            if arrival is not None:
                joints.append(Joint(concerned[0], unit, arrival, cross))
    return agreeing(joints, reader.take.rate)


def _looked_at(
    reader: TrackReader, units: Sequence[tuple[int, ...]], tracks: Sequence[Track], steps: Sequence[int]
) -> Iterator[F64]:
    """Yield looks of (n, units) samples: the first track of each unit."""
    rate = reader.take.rate
    numbers = [tracks[column].number for columns in units for column in columns]
    ends = np.cumsum([0, *(len(columns) for columns in units)])
    for step in steps:
        start = step * rate // FINE_STEPS_PER_SECOND
        block = np.nan_to_num(
            reader.read(numbers, start, LOOK_STEPS * rate // FINE_STEPS_PER_SECOND), posinf=0.0, neginf=0.0
        )
        yield np.stack([block[:, ends[k]] for k in range(len(units))], axis=1).astype(np.float64)


def _correlated(
    voice: Voice,
    source: Source,
    reader: TrackReader,
    tracks: Sequence[Track],
    units: Sequence[tuple[int, ...]],
    found: LineUp,
) -> Voice:
    """Return a voice with the correlation at each change, once its microphones are lined up."""
    rate = reader.take.rate
    unit_of = {columns[0]: at for at, columns in enumerate(units)}
    decisions: list[Decision] = []
    for decision in voice.decisions:
        if not decisions:
            decisions.append(decision)
            continue
        pair = [source.columns[k] for k in (decisions[-1].microphone, decision.microphone)]
        start = decision.start * rate // FINE_STEPS_PER_SECOND
        count = round(FADE_S * rate)
        heard = [
            np.nan_to_num(
                reader.read([tracks[c].number], max(start - found.delays[unit_of[c]], 0), count)[:, 0]
            ).astype(np.float64)
            * found.polarities[unit_of[c]]
            for c in pair
        ]
        least = min(map(len, heard))
        one, other = heard[0][:least], heard[1][:least]
        energy = float(np.sqrt((one @ one) * (other @ other)))
        decisions.append(replace(decision, correlation=float(one @ other) / energy if energy > 0 else 0.0))
    return replace(voice, decisions=tuple(decisions))
