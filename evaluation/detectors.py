"""How many of the planted damages does the examination find, how exactly, and what does it find in clean sound?

``make evaluate`` runs this and writes ``docs/detection.md``: first on the voices and music that thresholds may be tuned
on, then on the set held apart, which has other voices, other languages, other music and other seeds.
"""

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from evaluation.corpus import FAMILIES, RATE, Case, clean_tracks, rng_of
from evaluation.sources import HELD_APART, TUNED, Source, SourceError, at_48k, decoded, files
from numpy.typing import NDArray
from scipy.stats import beta, chi2

from takewell.engine import Meter
from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.examination import examine_take
from takewell.roll.values import Finding, MediaFile, Piece, Take, Track

PAGE = Path(__file__).parent.parent / "docs" / "detection.md"
SETS = {"tuned": TUNED, "held apart": HELD_APART}

ALARMS = ("clipped", "dropout", "digital_silence", "dc_offset", "hum", "nonfinite", "dead_track")
"""Kinds that clean sound must not raise. Noise and level are left out: recordings have both, and nobody labelled them."""

CLEAN_TRACKS = 12
CLEAN_SECONDS = 60.0
MOST_FILES = 60
"""Recordings of a source examined one by one, as they come."""


@dataclass(frozen=True)
class Outcome:
    """What became of one case."""

    kind: str
    severity: str
    way: str
    found: bool
    timing_ms: float | None
    error: float | None
    """Of the number the kind is about: rail in dB, frequency in Hz, offset in dB."""


@dataclass(frozen=True)
class Clean:
    """Clean sound of one source and what was found in it."""

    source: str
    kind: str
    hours: float
    alarms: tuple[tuple[str, str, str], ...]
    """(kind, name of the recording, sentence)."""


class _Array:
    def __init__(self, samples: NDArray[np.floating]) -> None:
        self.samples = samples

    def read(self, track_numbers: Iterable[int], start_samples: int, count: int) -> NDArray[np.floating]:
        del track_numbers
        return self.samples[start_samples : start_samples + count]


def examined(samples: NDArray[np.float64], encoding: str, rate: int = RATE) -> tuple[Finding, ...]:
    """Return what the examination finds on one track."""
    meter = Meter(rate, 1, encoding=encoding)
    stored = samples.astype(np.float32)[:, None]
    for start in range(0, len(stored), 1 << 16):
        meter.add(stored[start : start + (1 << 16)])
    result = meter.finish()
    file = MediaFile("track.wav", 0, "WAVE", encoding, rate, 1, len(samples), None)
    track = Track(1, "Voice", "iso", encoding, (Piece("track.wav", 1, 0, len(samples)),))
    take = Take("1-1", "1", "1", "take", rate, len(samples), None, None, None, (file,), (track,))
    reader = _Array(stored)
    heard = TrackEvidence(take, track, result.traces[0], ((track.pieces[0], result.tracks[0]),), reader)
    return examine_take(TakeEvidence(take, (heard,), reader)).findings


def _told(done: int, whole: int) -> None:
    if done % 50 == 0 or done == whole:
        print(f"\r{done} of {whole} cases", end="", file=sys.stderr, flush=True)


def outcome(family: int, severity: float, way: str, source: Source, salt: str, k: int) -> Outcome | None:
    """Return what became of one case; None where the draw planted nothing that counts."""
    rng = rng_of(salt, source.name, FAMILIES[family].make.__name__, severity, way, k)
    case = FAMILIES[family].make(source, severity, way, rng)
    if case.truth.get("flats") == 0:
        return None
    found = [
        f
        for f in examined(case.samples, case.encoding)
        if f.kind == case.kind and f.start_s <= case.end_s + 0.05 and f.end_s >= case.start_s - 0.05
    ]
    if not found:
        return Outcome(case.kind, case.severity, way, False, None, None)
    nearest = min(found, key=lambda f: abs(f.start_s - case.start_s))
    timing_ms = (
        None if case.kind in ("hum", "dc_offset", "noisy") else 1000 * abs(nearest.start_s - case.start_s)
    )
    return Outcome(case.kind, case.severity, way, True, timing_ms, _error(case, nearest))


def clean(source: Source, salt: str) -> Clean:
    """Return what is found in clean sound of a source."""
    alarms: list[tuple[str, str, str]] = []
    samples = 0.0

    def look(name: str, sound: NDArray[np.float64], encoding: str, rate: int = RATE) -> None:
        nonlocal samples
        samples += len(sound) / rate
        alarms.extend((f.kind, name, f.sentence) for f in examined(sound, encoding, rate) if f.kind in ALARMS)

    for path in _spread(files(source), MOST_FILES):
        sound, rate = decoded(path)
        if len(sound) < rate // 2:
            continue
        if path.suffix == ".flac":
            look(path.name, sound, "float32", rate)
        else:
            look(path.name, at_48k(sound, rate), "float32")
    if source.kind == "speech":
        for k, (sound, encoding) in enumerate(clean_tracks(source, CLEAN_SECONDS, CLEAN_TRACKS, salt)):
            look(f"track {k}", sound, encoding)
    return Clean(source.name, source.kind, samples / 3600, tuple(alarms))


def evaluate(salt: str, workers: int) -> tuple[list[Outcome], list[Clean]]:
    """Run one set and return what became of every case and every clean source."""
    sources = SETS[salt]
    voices = [source for source in sources if source.kind == "speech"]
    jobs = [
        (f, severity, way, voice, salt, k)
        for voice in voices
        for f, family in enumerate(FAMILIES)
        for severity in family.severities
        for way in family.ways
        for k in range(family.repeats)
    ]
    for source in sources:
        files(source)  # fetched once, before the workers want it
    with ProcessPoolExecutor(workers) as pool:
        cleans = pool.map(clean, sources, [salt] * len(sources))
        outcomes = []
        for done, each in enumerate(pool.map(outcome, *zip(*jobs, strict=True), chunksize=8), start=1):
            _told(done, len(jobs))
            if each is not None:
                outcomes.append(each)
        return outcomes, list(cleans)


def page(results: dict[str, tuple[list[Outcome], list[Clean]]]) -> str:
    """Return the page of all sets that were run."""
    parts = [_INTRODUCTION]
    for name, (outcomes, cleans) in results.items():
        parts += [f"\n## {_TITLES[name]}\n", *_found_table(outcomes), *_clean_table(cleans)]
    return "\n".join(parts) + "\n"


def main() -> int:
    """Run the sets asked for and write the page when both were."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=[*SETS, "both"], default="both")
    parser.add_argument("--workers", type=int, default=2)
    wanted = parser.parse_args()
    names = list(SETS) if wanted.set == "both" else [wanted.set]
    try:
        text = page({name: evaluate(name, wanted.workers) for name in names})
    except SourceError as error:
        print(f"Nothing was evaluated: {error}", file=sys.stderr)
        return 2
    if wanted.set == "both":
        PAGE.write_text(text, encoding="utf-8")
        print(f"wrote {PAGE}")
    else:
        print(text)
    return 0


_INTRODUCTION = """# What the examination finds

Generated by `make evaluate`. Real speech over a noise floor, with damage planted at known places; each case is drawn
from a seed of its own. Thresholds were tuned on the first set alone and frozen before the second was run.
Found: a finding of that kind lies on the planted stretch; the bounds are Clopper and Pearson's, 95 %. Alarms in
clean sound: the bound is the Poisson one, 95 %, for what was found in that many hours."""

_TITLES = {
    "tuned": "Voices and music that thresholds were tuned on",
    "held apart": "Held apart: other voices, languages, music and seeds",
}

_ERRORS = {"clipped": "rail, dB", "hum": "frequency, Hz", "dc_offset": "offset, dB"}


def _error(case: Case, finding: Finding) -> float | None:
    evidence = finding.evidence
    if case.kind == "clipped":
        return abs(float(evidence["rail_dbfs"] or 0) - case.truth["rail_dbfs"])
    if case.kind == "hum":
        return abs(float(evidence["frequency_hz"] or 0) - case.truth["hertz"])
    if case.kind == "dc_offset":
        return abs(20 * float(np.log10(float(evidence["offset_fs"] or 0) / case.truth["offset"])))
    return None


def _found_table(outcomes: list[Outcome]) -> Iterator[str]:
    yield "| planted | how hard | found | at least, 95 % | begins off by (median, worst) | number off by (median, worst) |"
    yield "| --- | --- | ---: | ---: | ---: | ---: |"
    groups: dict[tuple[str, str], list[Outcome]] = defaultdict(list)
    for each in outcomes:
        groups[each.kind, each.severity].append(each)
    for (kind, severity), group in groups.items():
        hits = sum(o.found for o in group)
        least = beta.ppf(0.05, hits, len(group) - hits + 1) if hits else 0.0
        timing = _two([o.timing_ms for o in group if o.timing_ms is not None], "{:.2f} ms")
        error = _two([o.error for o in group if o.error is not None], "{:.3f}")
        unit = f" ({_ERRORS[kind]})" if kind in _ERRORS and error else ""
        yield f"| {kind} | {severity} | {hits} of {len(group)} | {100 * least:.1f} % | {timing} | {error}{unit} |"
    missed = defaultdict(int)
    for each in outcomes:
        if not each.found and each.kind == "clipped":
            missed[f"{each.severity} lost, {each.way}"] += 1
    if missed:
        yield "\nClipping that was missed: " + "; ".join(f"{n} × {what}" for what, n in missed.items()) + "."


def _clean_table(cleans: list[Clean]) -> Iterator[str]:
    yield "\n| clean sound | hours | " + " | ".join(ALARMS) + " |"
    yield "| --- | ---: |" + " ---: |" * len(ALARMS)
    for each in cleans:
        counts = [sum(kind == alarm for kind, _, _ in each.alarms) for alarm in ALARMS]
        yield f"| {each.source} | {each.hours:.2f} | " + " | ".join(map(str, counts)) + " |"
    hours = sum(each.hours for each in cleans)
    totals = [sum(kind == alarm for each in cleans for kind, _, _ in each.alarms) for alarm in ALARMS]
    yield f"| all | {hours:.2f} | " + " | ".join(map(str, totals)) + " |"
    most = [chi2.ppf(0.95, 2 * n + 2) / 2 / hours for n in totals]
    yield "| per hour, at most (95 %) | | " + " | ".join(f"{m:.2f}" for m in most) + " |"
    listed = [
        f"`{name}` ({each.source}): {kind}, {said}" for each in cleans for kind, name, said in each.alarms
    ]
    if listed:
        yield "\nEach of them:\n"
        yield from (f"- {line}" for line in listed[:60])
        if len(listed) > 60:
            yield f"- and {len(listed) - 60} more"


def _two(values: list[float], shape: str) -> str:
    return f"{shape.format(float(np.median(values)))}, {shape.format(max(values))}" if values else ""


def _spread(paths: list[Path], most: int) -> list[Path]:
    return paths[:: max(1, -(-len(paths) // most))]


if __name__ == "__main__":
    sys.exit(main())
