"""How exactly are recordings and clips lined up, how often wrongly, and does it know how sure it is?

Real voices in simulated rooms, two devices each (`sync_rooms`), written as files and lined up as a day: all recordings
against all clips, nothing told beforehand. The logistic curve of `takewell.sync.confidence` was fitted to what ``--set tuned``
gave; ``docs/sync-accuracy.md`` is written from the voices held apart.

Right is a pair whose recording is the right one and whose lag, in the middle of what both heard, is right within 20 ms (half
a picture). Errors are taken there too: the direct sound's, as the camera hears it.
"""

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import soundfile
from evaluation.corpus import rng_of
from evaluation.sources import HELD_APART, RATE, TUNED, Source, SourceError
from evaluation.sync_rooms import Device, Meeting, meet, with_noise
from numpy.typing import NDArray
from scipy.stats import beta

from takewell.roll import loose
from takewell.sync import Pairing, Recording, line_up, read_clips

PAGE = Path(__file__).parent.parent / "docs" / "sync-accuracy.md"
SETS = {"tuned": TUNED, "held apart": HELD_APART}

CLIPS_PER_MEETING = 10
LENGTHS_S = (1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 40.0)
SNRS_DB = (-5.0, 0.0, 5.0, 10.0, 20.0)
RIGHT_S = 0.02
LEAST_OVERLAP_S = 1.0
LONELY = 8
"""Every so many meetings the recorder did not run."""

ROOMS = 24


@dataclass(frozen=True)
class Row:
    """What became of one clip."""

    length_s: float
    snr_db: float
    overlap_s: float
    """Seconds that a recording shares with it; 0 where none does."""
    confidence: float
    paired: bool
    right: bool
    error_s: float | None = None
    uncertainty_s: float | None = None
    drift_error_ppm: float | None = None
    drift_uncertainty_ppm: float | None = None


@dataclass(frozen=True)
class _Truth:
    meeting: int
    length_s: float
    snr_db: float
    offset_s: float
    drift_ppm: float
    overlap_s: float


def day(voices: list[Source], salt: str, meetings: int, folder: Path) -> dict[str, _Truth]:
    """Write the recordings and clips of a day; return the truth by the clip's name."""
    truths: dict[str, _Truth] = {}
    for k in range(meetings):
        rng = rng_of(salt, "meeting", k)
        room = int(rng.integers(ROOMS))
        of_room = rng_of("room", room)
        distances = (float(of_room.choice([0.25, 0.4, 0.8])), float(of_room.choice([1.2, 2.0, 3.0])))
        errors = rng.uniform(-100, 100, 2)
        speakers = [voices[int(rng.integers(len(voices)))] for _ in range(2)]
        both = meet(
            speakers,
            Device(distances[0], 10 + float(rng.uniform(0, 3)), float(errors[0]), 70.0),
            Device(distances[1], float(rng.uniform(0, 1)), float(errors[1]), 92.0),
            rng,
            rt60_s=float(of_room.choice([0.25, 0.4, 0.6])),
            room_seed=room,
        )
        alone = k % LONELY == LONELY - 1
        if not alone:
            own = with_noise(both.recording, float(rng.uniform(10, 30)), rng)
            soundfile.write(folder / f"take {k}.wav", own, RATE, subtype="PCM_24")
        for j in range(CLIPS_PER_MEETING):
            name = f"clip {k}-{j}.wav"
            truths[name] = _clip(both, k, alone, rng, folder / name)
    return truths


def _clip(both: Meeting, k: int, alone: bool, rng: np.random.Generator, path: Path) -> _Truth:
    length_s, snr_db = float(rng.choice(LENGTHS_S)), float(rng.choice(SNRS_DB))
    first = int(rng.integers(0, len(both.clip) - round(length_s * RATE)))
    part = both.clip[first : first + round(length_s * RATE)]
    # The noise is set against the loudest fifth of all the camera heard, not of this part.
    whole = with_noise(both.clip, snr_db, rng)[first : first + len(part)]
    soundfile.write(path, whole, RATE, subtype="PCM_16")
    offset_s = both.offset_s - first / RATE
    overlap = min(length_s, offset_s + 70.0) - max(0.0, offset_s)
    return _Truth(k, length_s, snr_db, offset_s, both.drift_ppm, 0.0 if alone else max(overlap, 0.0))


def rows(truths: dict[str, _Truth], folder: Path) -> Iterator[Row]:
    """Line up a day and yield what became of each clip."""
    recordings = [Recording(folder, loose([path]).takes[0]) for path in sorted(folder.glob("take *.wav"))]
    clips, refused = read_clips(sorted(folder.glob("clip *.wav")))
    assert not refused, refused
    report = line_up(recordings, clips)
    assert not report.unreadable, report.unreadable
    seen: set[str] = set()
    for pairing in report.pairings:
        if pairing.clip.name not in seen:
            seen.add(pairing.clip.name)
            best = max((p for p in report.pairings if p.clip is pairing.clip), key=lambda p: p.confidence)
            yield _row(best, truths[pairing.clip.name])


def _row(pairing: Pairing, truth: _Truth) -> Row:
    if pairing.recording is None or pairing.offset_s is None:
        return Row(truth.length_s, truth.snr_db, truth.overlap_s, pairing.confidence, False, False)
    start_s = max(0.0, -truth.offset_s)
    middle_s = start_s + truth.overlap_s / 2
    true_s = truth.offset_s + middle_s / (1 + truth.drift_ppm * 1e-6)
    error_s = pairing.clip_time_s(middle_s) - true_s
    right = (
        pairing.recording.take.files[0].path == f"take {truth.meeting}.wav"
        and truth.overlap_s > 0
        and abs(error_s) < RIGHT_S
    )
    told = pairing.drift_ppm is not None
    return Row(
        truth.length_s,
        truth.snr_db,
        truth.overlap_s,
        pairing.confidence,
        True,
        right,
        error_s if right else None,
        pairing.offset_uncertainty_s,
        (pairing.drift_ppm or 0.0) - truth.drift_ppm if told and right else None,
        pairing.drift_uncertainty_ppm if told and right else None,
    )


def evaluated(name: str, meetings: int) -> list[Row]:
    """Return what became of all clips of a day made from a set of voices."""
    voices = [source for source in SETS[name] if source.kind == "speech"]
    with tempfile.TemporaryDirectory() as folder:
        truths = day(voices, f"sync {name}", meetings, Path(folder))
        return list(rows(truths, Path(folder)))


def main() -> int:
    """Run the evaluation; write the page from the voices held apart."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=SETS, default="held apart")
    parser.add_argument("--meetings", type=int, default=115)
    parser.add_argument("--rows", type=Path, help="also keep the rows as JSON")
    given = parser.parse_args()
    began = time.monotonic()
    try:
        found = evaluated(given.set, given.meetings)
    except SourceError as error:
        print(error, file=sys.stderr)
        return 2
    if given.rows:
        given.rows.write_text(json.dumps([asdict(row) for row in found]))
    print(f"{len(found)} clips in {time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
