"""Does levelling bring every passage to where it belongs, with how many moves, and is it better than the plain ways?

``make evaluate`` runs this and writes the measured part of ``docs/levelling.md`` with its pictures. Takes are simulated
from recorded voices (`evaluation.spoken_days`), written as 32-bit float files, levelled by the program's own steps,
rendered, and read back; loudness and true peak are libebur128's. Rules and figures were tuned on the voices and
seeds of the set ``tuned`` alone; what the page shows is the set held apart.
"""

import argparse
import re
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from evaluation.corpus import rng_of
from evaluation.sources import HELD_APART, RATE, TUNED, SourceError, files
from evaluation.spoken_days import (
    KINDS,
    Part,
    SimulatedTake,
    SimulatedTrack,
    Stretch,
    a_weighted_dbfs,
    integrated_lufs,
    spoken,
    take,
    true_peak_dbtp,
)
from numpy.typing import NDArray
from scipy.stats import beta

from takewell.desk.levels import levels
from takewell.draw import PAPER, Bracket, track_drawing
from takewell.engine import Meter
from takewell.handover.sheet import MEASURED_TONE_DB
from takewell.level import LevelSettings, propose, render
from takewell.roll import Move, read_roll
from takewell.shape import GainEnvelope
from takewell.units import amplitude, rms_dbfs
from takewell.wave import BroadcastWriter, open_audio

F64 = NDArray[np.float64]

PAGE = Path(__file__).parent.parent / "docs" / "levelling.md"
PICTURES = PAGE.parent / "pictures"
BEGIN = "<!-- Written by python -m evaluation.levelling -->"
END = "<!-- End of what is written -->"

SETTINGS = LevelSettings()
SETS = {"tuned": TUNED, "held apart": HELD_APART}
MINUTES = 4.0
TAKES = 2
"""Of each kind in each set."""

FIRST = 100
"""Number of the first take that is drawn; those before it were seen while the rules were made."""

WITHIN_LU = 1.0
WAYS = ("raw", "peak", "one gain", "takewell")
FAR_MS = 10.0
"""A moved setting is met where a boundary lies no further from it."""

NEAR_S = 1.5
"""A move that begins no further than this from a change of the talker's level answers it."""

WINDOW_S = 20.0
"""Of a drift, what counts as one place."""


ROUNDED_DB = 0.1
"""Gains are whole tenths of a decibel; a figure over its limit by less is at it."""

SHOWN = (
    ("talkers", FIRST, "Three talkers in turn into one microphone"),
    ("gain moved", FIRST, "The gain setting was moved three times"),
    ("drift", FIRST, "A talker who slowly comes nearer or turns away"),
)
"""Takes drawn before and after."""


@dataclass(frozen=True)
class Placed:
    """Where one stretch came to lie by one way of levelling."""

    kind: str
    way: str
    off_lu: float
    allowed: bool
    """Whether floor guard and ceiling leave room to bring it there."""


@dataclass(frozen=True)
class Moved:
    """What one track's moves do besides."""

    kind: str
    speech_s: float
    moves: int
    unasked: int
    """Moves inside steady speech, away from every change."""
    joins: int
    joins_in_words: int
    rides: int
    steepest_ride: float
    jumps: dict[str, tuple[float, ...]]
    """By way: steps of the floor after gain, at joins and where the setting moved."""
    peaks: dict[str, float]
    """By way: the highest true peak."""
    settings_off_ms: tuple[float, ...]
    """From where the setting moved to the nearest boundary."""
    limited: int
    limited_s: float


def allowed_gains(track: SimulatedTrack) -> list[tuple[float, bool]]:
    """Return for each stretch the gain that brings it to its target, and whether guard and ceiling allow that."""
    wanted, free = [], []
    for s in track.stretches:
        gain = target_of(s) - loudness(track.recorded, s, SETTINGS.target_lufs - s.lufs)
        wanted.append(gain)
        free.append(
            (gain <= 0 or s.floor_dbfs_a + gain <= SETTINGS.floor_most_dbfs)
            and true_peak_dbtp(track.recorded[s.start : s.end]) + gain
            <= SETTINGS.ceiling_dbtp + SETTINGS.limit_db
        )
    floors = [
        max(s.floor_dbfs_a + g, SETTINGS.floor_unheard_dbfs)
        for s, g in zip(track.stretches, wanted, strict=True)
    ]
    for i in range(len(floors) - 1):
        if abs(floors[i] - floors[i + 1]) > SETTINGS.floor_jump_db:
            # A shout does not move the speech around it; it gives way itself.
            shouts = [bool(track.stretches[k].shout_lu) for k in (i, i + 1)]
            for k in (i, i + 1):
                free[k] &= any(shouts) and not shouts[k - i]
    # Neighbours too alike to be told apart are one passage: what holds one holds both.
    pairs = [(i, i + 1) for i in range(len(wanted) - 1)]
    for i, j in (*pairs, *reversed(pairs)):
        if abs(wanted[i] - wanted[j]) < SETTINGS.least_move_lu:
            free[i] = free[j] = free[i] and free[j]
    return list(zip(wanted, free, strict=True))


def target_of(stretch: Stretch) -> float:
    """Return where a stretch belongs: at the target, a shout above it by what the dynamics leave."""
    return SETTINGS.target_lufs + min(SETTINGS.dynamics_lu, stretch.shout_lu / 2)


def loudness(samples: NDArray[np.floating], stretch: Stretch, before_db: float = 0.0) -> float:
    """Return the loudness of a stretch's own sentences by libebur128.

    The standard's gate at -70 LUFS would hide what was recorded far too low: such sound is measured with `before_db` of
    gain, which is taken off the figure.
    """
    sentences = np.concatenate([samples[a:b] for a, b in stretch.sentences])
    return integrated_lufs(sentences * amplitude(before_db)) - before_db


def levelled(simulated: SimulatedTake, folder: Path) -> tuple[tuple[Move, ...], F64, list[tuple[int, float]]]:
    """Return (moves, samples of the rendered copy, per track the limiter's places and seconds)."""
    (folder / "takewell").mkdir(parents=True)
    samples = np.stack([t.recorded for t in simulated.tracks], axis=1)
    with BroadcastWriter(
        folder / "1-1.wav", rate=RATE, channels=samples.shape[1], encoding="float32"
    ) as writer:
        writer.write(samples)
    roll = read_roll(folder)
    moves = propose(roll, SETTINGS)
    copies = render(roll, encoding="float32", settings=SETTINGS)
    if not copies:
        return moves, samples.astype(np.float64), [(0, 0.0)] * samples.shape[1]
    limited = [
        (len(t.actions), sum(a.end_samples - a.start_samples for a in t.actions) / RATE)
        for t in copies[0].tracks
    ]
    with open_audio(copies[0].target) as audio:
        return moves, audio.read(0, len(samples)).astype(np.float64), limited


def judged(kind: str, salt: str, number: int) -> tuple[list[Placed], list[Moved]]:
    """Return what became of one simulated take."""
    voices = [source for source in SETS[salt] if source.kind == "speech"]
    simulated = take(kind, voices, salt, number, MINUTES)
    with tempfile.TemporaryDirectory() as name:
        moves, home, limited = levelled(simulated, Path(name) / "roll")
    placed: list[Placed] = []
    moved: list[Moved] = []
    for index, track in enumerate(simulated.tracks):
        mine = [move for move in moves if move.track == index + 1]
        plain = plain_gains(track)
        placed += placed_by(track, plain, home[:, index])
        peaks = {way: true_peak_dbtp(track.recorded) + gain for way, gain in plain.items()}
        peaks["takewell"] = true_peak_dbtp(home[:, index])
        moved.append(moved_by(kind, track, mine, peaks, limited[index]))
    return placed, moved


def plain_gains(track: SimulatedTrack) -> dict[str, float]:
    """Return the one gain (dB) that each plain way gives the whole track."""
    return {
        "raw": 0.0,
        "peak": SETTINGS.ceiling_dbtp - true_peak_dbtp(track.recorded),
        "one gain": SETTINGS.target_lufs - integrated_lufs(track.recorded),
    }


def placed_by(track: SimulatedTrack, plain: dict[str, float], home: F64) -> Iterator[Placed]:
    """Yield where each stretch, or each window of a drift, came to lie."""
    allowed = allowed_gains(track)
    for s, (_, free) in zip(track.stretches, allowed, strict=True):
        for part in windows(s) if s.kind == "drift" else [s]:
            recorded = loudness(track.recorded, part, SETTINGS.target_lufs - s.lufs)
            for way, gain in plain.items():
                yield Placed(s.kind, way, recorded + gain - target_of(s), free)
            yield Placed(s.kind, "takewell", loudness(home, part) - target_of(s), free)


def windows(stretch: Stretch) -> list[Stretch]:
    """Return a stretch cut into pieces of some `WINDOW_S`, between sentences."""
    rows: dict[int, list[tuple[int, int]]] = {}
    for line in stretch.sentences:
        rows.setdefault(int((line[0] - stretch.start) / (WINDOW_S * RATE)), []).append(line)
    return [
        Stretch(stretch.kind, lines[0][0], lines[-1][1], stretch.lufs, stretch.floor_dbfs_a, tuple(lines))
        for lines in rows.values()
    ]


def moved_by(
    kind: str,
    track: SimulatedTrack,
    moves: Sequence[Move],
    peaks: dict[str, float],
    limited: tuple[int, float],
) -> Moved:
    """Return what the moves of a track do besides bringing it to level."""
    length = len(track.recorded)
    envelope = GainEnvelope.from_moves(moves, RATE, length)
    changes = [s.start / RATE for s in track.stretches] + [at / RATE for at in track.settings]
    begins = [m.start_s for m in moves if m.start_s > 0]
    joins, in_words, rides, steepest = joins_of(track, envelope)
    settings_ms = tuple(
        1000 * min((abs(b - at / RATE) for b in begins), default=np.inf) for at in track.settings
    )
    return Moved(
        kind=kind,
        speech_s=sum(b - a for s in track.stretches for a, b in s.sentences) / RATE,
        moves=len(moves),
        unasked=sum(min(abs(b - c) for c in changes) > NEAR_S for b in begins),
        joins=joins,
        joins_in_words=in_words,
        rides=rides,
        steepest_ride=steepest,
        jumps={way: tuple(floor_jumps(track, moves if way == "takewell" else ())) for way in WAYS},
        peaks=peaks,
        settings_off_ms=settings_ms,
        limited=limited[0],
        limited_s=limited[1],
    )


def joins_of(track: SimulatedTrack, envelope: GainEnvelope) -> tuple[int, int, int, float]:
    """Return (joins, those inside a word, slow rides, steepest of them in dB/s); moved settings are left out."""
    joins = in_words = rides = 0
    steepest = 0.0
    ends = [*envelope.starts[1:], envelope.length_samples]
    for k, start in enumerate(envelope.starts):
        travels = envelope.from_db[k] != envelope.to_db[k]
        steps = k > 0 and envelope.to_db[k - 1] != envelope.from_db[k]
        if travels:
            slope = abs(envelope.to_db[k] - envelope.from_db[k]) * np.pi / 2 / ((ends[k] - start) / RATE)
            if slope <= SETTINGS.ride_db_per_s:
                rides += 1
                steepest = max(steepest, slope)
                continue
        elif not steps or min((abs(start - at) for at in track.settings), default=RATE) <= RATE // 100:
            continue
        joins += 1
        low, high = start // (RATE // 100), max(ends[k] if travels else start, start + 1) // (RATE // 100) + 1
        in_words += bool(track.words[low:high].any())
    return joins, in_words, rides, steepest


def floor_jumps(track: SimulatedTrack, moves: Sequence[Move]) -> Iterator[float]:
    """Yield by how much the true floor after gain changes at each boundary, floors nobody hears counted as there."""
    length_s = len(track.recorded) / RATE
    moved = [at / RATE for at in track.settings]
    edges = sorted({0.0, length_s, *moved, *(m.start_s for m in moves), *(m.end_s for m in moves)})
    # A join that stands within 10 ms of where the setting moved stands where it moved.
    edges = [e for e in edges if e in moved or all(abs(e - at) > 0.01 for at in moved)]
    floors = []
    for low, high in pairwise(edges):
        at = (low + high) / 2
        gain = next((m.gain_db for m in moves if m.start_s <= at < m.end_s), 0.0)
        recorded = next(s.floor_dbfs_a for s in reversed(track.stretches) if s.start <= at * RATE)
        floors.append(max(recorded + gain, SETTINGS.floor_unheard_dbfs))
    for before, after in pairwise(floors):
        yield abs(after - before)


def evaluated(salt: str, takes: int, workers: int) -> tuple[list[Placed], list[Moved]]:
    """Return what became of all takes of one set."""
    for source in SETS[salt]:
        files(source)  # fetched once, before the workers want it
    jobs = [(kind, salt, FIRST + number) for kind in KINDS for number in range(takes)]
    placed: list[Placed] = []
    moved: list[Moved] = []
    with ProcessPoolExecutor(workers) as pool:
        for done, (where, moves) in enumerate(pool.map(judged, *zip(*jobs, strict=True)), start=1):
            placed += where
            moved += moves
            missed = [
                p.off_lu for p in where if p.way == "takewell" and p.allowed and abs(p.off_lu) > WITHIN_LU
            ]
            words = [m.joins_in_words for m in moves if m.joins_in_words]
            off_ms = [x for m in moves for x in m.settings_off_ms if x > FAR_MS]
            print(
                f"{salt}: {done} of {len(jobs)} takes, {jobs[done - 1][0]}; off by {missed} LU, "
                f"joins in words {words}, settings off by {off_ms} ms",
                file=sys.stderr,
                flush=True,
            )
    return placed, moved


def lifted_noise() -> Iterator[tuple[str, float, float]]:
    """Yield (encoding, speech, noise) of a passage recorded 60 dB low in it, in dBFS after it was lifted.

    The voice is exact, without a room, so that what is left is the encoding's own: 60 dB under -23 LUFS, rounded by the
    program's own writer (integers with dither), and lifted by 60 dB.
    """
    voice = next(source for source in HELD_APART if source.kind == "speech")
    exact, _, _ = spoken([Part(voice, 20.0, SETTINGS.target_lufs - 60.0)], rng_of("lifted"), said_db=0.0)
    with tempfile.TemporaryDirectory() as name:
        for encoding in ("float32", "int24", "int16"):
            path = Path(name) / f"{encoding}.wav"
            with BroadcastWriter(path, rate=RATE, channels=1, encoding=encoding) as writer:
                writer.write(exact[:, None])
            with open_audio(path) as audio:
                stored = audio.read(0, len(exact))[:, 0].astype(np.float64)
            gain = amplitude(60.0)
            noise = a_weighted_dbfs((stored - exact) * gain)
            yield encoding, float(rms_dbfs(np.mean((exact * gain) ** 2))), noise


def share(hits: int, of: int) -> str:
    """Return a share with the lower bound of Clopper and Pearson, one-sided 95 %."""
    if not of:
        return "none"
    least = beta.ppf(0.05, hits, of - hits + 1) if hits else 0.0
    return f"{hits} of {of} ({100 * hits / of:.1f} %, at least {100 * least:.1f} %)"


def table(placed: Sequence[Placed], moved: Sequence[Moved]) -> Iterator[str]:
    """Yield the table that holds the four ways against each other."""
    yield "| | as recorded | peak to the ceiling | one gain a track | Takewell |"
    yield "| --- | ---: | ---: | ---: | ---: |"

    def row(name: str, cells: Iterable[str]) -> str:
        return f"| {name} | {' | '.join(cells)} |"

    def of(way: str, *, drift: bool) -> list[float]:
        return [p.off_lu for p in placed if p.way == way and p.allowed and (p.kind == "drift") == drift]

    steady = [of(way, drift=False) for way in WAYS]
    drifting = [of(way, drift=True) for way in WAYS]
    yield row(
        f"passages within {WITHIN_LU:g} LU, where guard and ceiling allow",
        [share(sum(abs(x) <= WITHIN_LU for x in row), len(row)) for row in steady],
    )
    yield row("half of the passages lie within", [f"{np.median(np.abs(x)):.1f} LU" for x in steady])
    yield row("nine in ten lie within", [f"{np.percentile(np.abs(x), 90):.1f} LU" for x in steady])
    yield row(
        f"of slow drifts: windows of {WINDOW_S:g} s, nine in ten within",
        [f"{np.percentile(np.abs(x), 90):.1f} LU" for x in drifting],
    )
    jumps = [[j for m in moved for j in m.jumps[way]] for way in WAYS]
    yield row("largest jump of the floor", [f"{max(x, default=0.0):.1f} dB" for x in jumps])
    yield row(
        f"jumps of the floor over {SETTINGS.floor_jump_db:g} dB",
        [f"{sum(j > SETTINGS.floor_jump_db + ROUNDED_DB for j in x)} of {len(x)}" for x in jumps],
    )
    peaks = [[m.peaks[way] for m in moved] for way in WAYS]
    yield row("highest true peak", [f"{max(x):.2f} dBTP" for x in peaks])
    over = [sum(p > SETTINGS.ceiling_dbtp + ROUNDED_DB for p in x) for x in peaks]
    yield row("tracks over the ceiling", [f"{n} of {len(moved)}" for n in over])


def sentences(moved: Sequence[Moved]) -> Iterator[str]:
    """Yield what the moves do besides, as a list."""
    speech_s = sum(m.speech_s for m in moved)
    unasked, joins = sum(m.unasked for m in moved), sum(m.joins for m in moved)
    in_words = sum(m.joins_in_words for m in moved)
    off = [x for m in moved for x in m.settings_off_ms]
    rides = [m for m in moved if m.rides]
    steepest = max((m.steepest_ride for m in rides), default=0.0)
    yield (
        f"- Moves inside steady speech, away from every change of level: {unasked} in {speech_s / 60:.0f} minutes of "
        f"speech, {20 * unasked / speech_s:.3f} in 20 s; all moves together {20 * sum(m.moves for m in moved) / speech_s:.2f} in 20 s."
    )
    yield f"- Joins in the middle of a word: {in_words} of {joins} (moved gain settings and slow rides left out)."
    yield f"- Slow rides: {sum(m.rides for m in moved)}, the steepest at {steepest:.3f} dB a second ({SETTINGS.ride_db_per_s:g} allowed)."
    yield (
        f"- Moved gain settings met within {FAR_MS:g} ms: {sum(x <= FAR_MS for x in off)} of {len(off)}; "
        f"half of them within {np.median(off):.2f} ms, the farthest {max(off):.1f} ms off."
    )
    yield (
        f"- The limiter acted at {sum(m.limited for m in moved)} places, "
        f"{sum(m.limited_s for m in moved):.1f} s of {sum(m.speech_s for m in moved):.0f} s of speech."
    )


def by_kind(placed: Sequence[Placed]) -> Iterator[str]:
    """Yield the table of the kinds of stretches."""
    yield "| kind of stretch | guard or ceiling in the way | within 1 LU | half within | farthest |"
    yield "| --- | ---: | ---: | ---: | ---: |"
    for kind in dict.fromkeys(p.kind for p in placed):
        mine = [p for p in placed if p.kind == kind and p.way == "takewell"]
        off = [abs(p.off_lu) for p in mine if p.allowed]
        held = len(mine) - len(off)
        if off:
            hits = sum(x <= WITHIN_LU for x in off)
            yield f"| {kind} | {held} | {hits} of {len(off)} | {np.median(off):.2f} LU | {max(off):.1f} LU |"
        else:
            yield f"| {kind} | {held} | | | |"


def pictures(folder: Path) -> Iterator[str]:
    """Draw takes of the set held apart before and after, and yield the lines that show them."""
    voices = [source for source in HELD_APART if source.kind == "speech"]
    for kind, number, words in SHOWN:
        simulated = take(kind, voices, "held apart", number, MINUTES)
        with tempfile.TemporaryDirectory() as name:
            moves, home, _ = levelled(simulated, Path(name) / "roll")
        track = simulated.tracks[0]
        drawings = [
            drawing(samples, track, moves if after else (), f"{words}, {'after' if after else 'before'}")
            for after, samples in ((False, track.recorded), (True, home[:, 0].astype(np.float32)))
        ]
        path = folder / f"levelled-{kind.replace(' ', '-')}.svg"
        path.write_text(stacked(drawings), encoding="utf-8")
        yield f"\n![{words}, before and after](pictures/{path.name})"


def drawing(samples: NDArray[np.float32], track: SimulatedTrack, moves: Sequence[Move], title: str) -> str:
    """Return a track's sheet with its moves."""
    meter = Meter(RATE, 1, encoding="float32")
    meter.add(samples[:, None])
    trace = meter.finish().traces[0]
    moved_at = [] if moves else [at / RATE for at in track.settings]
    return track_drawing(
        levels(trace, moved_at).columns(900),
        title=title,
        palette=PAPER,
        width=1000,
        height=170,
        target_dbfs=SETTINGS.target_lufs + MEASURED_TONE_DB,
        moves=[Bracket(m.start_s, m.end_s, m.gain_db) for m in moves if m.track == 1],
    )


def stacked(drawings: Sequence[str]) -> str:
    """Return drawings one below the other on paper."""
    sizes = [
        tuple(float(re.search(rf'{side}="([\d.]+)"', d)[1]) for side in ("width", "height")) for d in drawings
    ]  # type: ignore[index]
    width, height = max(w for w, _ in sizes), sum(h for _, h in sizes)
    parts, at = [], 0.0
    for each, (_, tall) in zip(drawings, sizes, strict=True):
        parts.append(each.replace("<svg ", f'<svg y="{at:g}" ', 1))
        at += tall
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" viewBox="0 0 {width:g} {height:g}">'
        f'<rect width="100%" height="100%" fill="#f9f5ec"/>{"".join(parts)}</svg>\n'
    )


def measured_part(salt: str, takes: int, workers: int) -> str:
    """Return the measured part of the page for one set; pictures are drawn of the set held apart."""
    placed, moved = evaluated(salt, takes, workers)
    lines = [*table(placed, moved), "", *sentences(moved), "", *by_kind(placed)]
    if salt == "held apart":
        lines += pictures(PICTURES)
    lines += ["", _LIFTED, "", "| recorded as | speech after lifting | noise after lifting | between them |"]
    lines.append("| --- | ---: | ---: | ---: |")
    for encoding, speech, noise in lifted_noise():
        lines.append(f"| {encoding} | {speech:.1f} dBFS | {noise:.1f} dBFS(A) | {speech - noise:.0f} dB |")
    return "\n".join(lines)


def main() -> int:
    """Run one set; of the set held apart write the measured part of the page, print the other."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=[*SETS], default="held apart")
    parser.add_argument("--takes", type=int, default=TAKES, help="of each kind")
    parser.add_argument("--workers", type=int, default=2)
    wanted = parser.parse_args()
    try:
        part = measured_part(wanted.set, wanted.takes, wanted.workers)
    except SourceError as error:
        print(f"Nothing was evaluated: {error}", file=sys.stderr)
        return 2
    if wanted.set == "tuned":
        print(part)
        return 0
    before, _, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    PAGE.write_text(f"{before}{BEGIN}\n{part}\n{END}{after}", encoding="utf-8")
    print(f"wrote the measured part of {PAGE}")
    return 0


_LIFTED = (
    "A passage recorded 60 dB low, lifted by 60 dB: what the encoding alone leaves (common practice, no source, says that a "
    "fixed-point copy is unusably noisy then and a float one is not; with 24 bits the recorder's own noise decides, with 16 the "
    "rounding does):"
)


if __name__ == "__main__":
    sys.exit(main())
