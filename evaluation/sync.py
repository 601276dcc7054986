"""How exactly are recordings and clips lined up, how often wrongly, and does it know how sure it is?

Real voices in simulated rooms, two devices each (`sync_rooms`), written as files and lined up as a day: all recordings
against all clips, nothing told beforehand. The logistic curve of `takewell.sync.confidence` was fitted to what ``--set tuned``
gave; the measured part of ``docs/sync.md`` is written from the voices held apart.

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
from evaluation.sync_rooms import Device, Meeting, active_rms, meet, with_noise
from scipy.stats import beta

from takewell.roll import loose
from takewell.sync import Pairing, Recording, line_up, read_clips
from takewell.sync.clock_line import SPEED_OF_SOUND_M_S
from takewell.sync.values import SURE

PAGE = Path(__file__).parent.parent / "docs" / "sync.md"
BEGIN, END = "<!-- measured: written by `python -m evaluation.sync` -->", "<!-- end -->"
SETS = {"tuned": TUNED, "held apart": HELD_APART}

CLIPS_PER_MEETING = 50
LENGTHS_S = (1.0, 2.0, 3.0, 5.0, 10.0, 20.0)
SNRS_DB = (-5.0, 0.0, 5.0, 10.0, 20.0)
RIGHT_S = 0.02
LONELY = 8
"""Every so many meetings the recorder did not run."""

AT_ONCE = 4
"""Meetings made and lined up at a time."""

TAKE_S, CLIP_S = 70.0, 92.0
HOUR_S = 3600.0

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


def day(voices: list[Source], salt: str, meetings: range, folder: Path) -> dict[str, _Truth]:
    """Write the recordings and clips of some meetings; return the truth by the clip's name."""
    truths: dict[str, _Truth] = {}
    for k in meetings:
        rng = rng_of(salt, "meeting", k)
        room = int(rng.integers(ROOMS))
        of_room = rng_of("room", room)
        distances = (float(of_room.choice([0.25, 0.4, 0.8])), float(of_room.choice([1.2, 2.0, 3.0])))
        errors = rng.uniform(-100, 100, 2)
        speakers = [voices[int(rng.integers(len(voices)))] for _ in range(2)]
        both = meet(
            speakers,
            Device(distances[0], 10 + float(rng.uniform(0, 3)), float(errors[0]), TAKE_S),
            Device(distances[1], float(rng.uniform(0, 1)), float(errors[1]), CLIP_S),
            rng,
            rt60_s=float(of_room.choice([0.25, 0.4, 0.6])),
            room_seed=room,
        )
        alone = k % LONELY == LONELY - 1
        # Noise is set against the loudest fifth of all that the camera heard, not of each clip.
        loud = active_rms(both.clip)
        if not alone:
            own = with_noise(both.recording, active_rms(both.recording), float(rng.uniform(10, 30)), rng)
            soundfile.write(folder / f"take {k}.wav", own, RATE, subtype="PCM_24")
        for j in range(CLIPS_PER_MEETING):
            name = f"clip {k}-{j}.wav"
            truths[name] = _clip(both, k, loud, alone, rng, folder / name)
    return truths


def _clip(both: Meeting, k: int, loud: float, alone: bool, rng: np.random.Generator, path: Path) -> _Truth:
    length_s, snr_db = float(rng.choice(LENGTHS_S)), float(rng.choice(SNRS_DB))
    first = int(rng.integers(0, len(both.clip) - round(length_s * RATE)))
    part = both.clip[first : first + round(length_s * RATE)]
    soundfile.write(path, with_noise(part, loud, snr_db, rng), RATE, subtype="PCM_16")
    offset_s = both.offset_s - first / RATE
    overlap = min(length_s, offset_s + TAKE_S) - max(0.0, offset_s)
    return _Truth(k, length_s, snr_db, offset_s, both.drift_ppm, 0.0 if alone else max(overlap, 0.0))


def rows(truths: dict[str, _Truth], folder: Path) -> Iterator[Row]:
    """Line up clips with all recordings that lie in the folder and yield what became of each."""
    recordings = [Recording(folder, loose([path]).takes[0]) for path in sorted(folder.glob("take *.wav"))]
    clips, refused = read_clips(folder / name for name in truths)
    assert not refused, refused
    report = line_up(recordings, clips, workers=1)
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


@dataclass(frozen=True)
class Hour:
    """A pair of an hour, and what was found of it."""

    snr_db: float
    drift_ppm: float
    error_s: float
    drift_error_ppm: float
    uncertainty_ppm: float
    walked_ppm: float
    """What a metre's walk would have been taken for."""
    seconds: float


def an_hour(voices: list[Source], salt: str, snr_db: float) -> Hour:
    """Return what is found of a pair of an hour in which nothing moves."""
    rng = rng_of(salt, "hour", snr_db)
    errors = rng.uniform(-100, 100, 2)
    both = meet(
        voices,
        Device(0.4, 10.0, float(errors[0]), HOUR_S),
        Device(2.0, 3.0, float(errors[1]), HOUR_S + 10),
        rng,
        rt60_s=0.4,
        room_seed=ROOMS,
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, sound, snr in (("take.wav", both.recording, 20.0), ("clip.wav", both.clip, snr_db)):
            noisy = with_noise(sound, active_rms(sound), snr, rng)
            soundfile.write(folder / file, noisy, RATE, subtype="PCM_24")
        began = time.process_time()
        recordings = [Recording(folder, loose([folder / "take.wav"]).takes[0])]
        (pairing,) = line_up(recordings, read_clips([folder / "clip.wav"])[0], workers=1).pairings
        took = time.process_time() - began
    middle_s = HOUR_S / 2
    true_s = both.offset_s + middle_s / (1 + both.drift_ppm * 1e-6)
    return Hour(
        snr_db,
        both.drift_ppm,
        pairing.clip_time_s(middle_s) - true_s,
        (pairing.drift_ppm or 0.0) - both.drift_ppm,
        pairing.drift_uncertainty_ppm or float("inf"),
        1e6 / SPEED_OF_SOUND_M_S / HOUR_S,
        took,
    )


def evaluated(name: str, meetings: int, until: float) -> tuple[list[Row], int]:
    """Return what became of all clips made from a set of voices, and how many meetings there were by the time `until`."""
    voices = [source for source in SETS[name] if source.kind == "speech"]
    found: list[Row] = []
    done = 0
    with tempfile.TemporaryDirectory() as folder:
        while done < meetings and (not done or time.monotonic() < until):
            some = range(done, min(done + AT_ONCE, meetings))
            # Clips are looked for along the recordings of all meetings so far.
            found += rows(day(voices, f"sync {name}", some, Path(folder)), Path(folder))
            done = some.stop
    return found, done


def measured(found: list[Row], hours: list[Hour], meetings: int) -> str:
    """Return the measured part of the page."""
    sure = [row for row in found if row.paired and row.confidence >= SURE]
    wrong = [row for row in sure if not row.right]
    least_wrong = float(beta.ppf(0.95, len(wrong) + 1, max(len(sure) - len(wrong), 1)))
    lines = [
        f"{len(found)} clips of 1 to 20 s from {meetings} meetings of two voices in {ROOMS} simulated rooms (0.25 to 0.6 s reverberation), "
        "voices and languages that nothing was tuned on; two devices 0.25 to 0.8 m and 1.2 to 3 m away, clocks up to 200 ppm apart, "
        "recordings of 70 s, each clip looked for along all recordings of its meeting and those before. In one meeting of eight the recorder did not run. Signal to noise is "
        "the loudest fifth of the speech at the camera against its noise.",
        "",
        f"**Wrong matches.** {len(sure)} pairs were called at least 99 % sure; {len(wrong)} of them were wrong "
        f"(with 95 % certainty less than {least_wrong:.2%} are).",
        "",
        *_shares(found),
        "",
        *_errors(found),
        "",
        *_calibration(found),
    ]
    if hours:
        lines += ["", *_hours(hours)]
    return "\n".join(lines)


def _shares(found: list[Row]) -> list[str]:
    """Return a table: of clips that a recording covers, how many were rightly paired, by length and noise."""
    lines = [
        "**Found.** Of the clips that a recording covers wholly, paired rightly and called 99 % sure; the rest is left open, or paired less surely:",
        "",
        "| clip | " + " | ".join(f"{snr:+.0f} dB" for snr in SNRS_DB) + " |",
        "| ---: |" + " ---: |" * len(SNRS_DB),
    ]
    for length in LENGTHS_S:
        cells = []
        for snr in SNRS_DB:
            own = [
                r for r in found if (r.length_s, r.snr_db) == (length, snr) and r.overlap_s >= length - 0.01
            ]
            good = sum(r.right and r.confidence >= SURE for r in own)
            cells.append(f"{good} of {len(own)}" if own else "–")
        lines.append(f"| {length:g} s | " + " | ".join(cells) + " |")
    alone = [r for r in found if r.overlap_s == 0]
    held = sum(not r.paired for r in alone)
    lines += ["", f"Of {len(alone)} clips that no recording covers, {held} were left without a partner."]
    return lines


def _errors(found: list[Row]) -> list[str]:
    """Return a table of offset errors by noise."""
    lines = [
        "**Offset**, of right pairs, in the middle of what both heard, against the direct sound:",
        "",
        "| signal to noise | pairs | median error | within 0.1 ms | 95 of 100 within | inside its own interval |",
        "| ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for snr in SNRS_DB:
        own = [r for r in found if r.right and r.snr_db == snr and r.confidence >= SURE]
        if own:
            errors = np.abs([r.error_s or 0.0 for r in own])
            inside = np.mean([abs(r.error_s or 0.0) <= (r.uncertainty_s or 0.0) for r in own])
            lines.append(
                f"| {snr:+.0f} dB | {len(own)} | {np.median(errors) * RATE:.2f} samples | {np.mean(errors <= 1e-4):.1%} "
                f"| {np.quantile(errors, 0.95) * 1000:.3f} ms | {inside:.1%} |"
            )
    return lines


def _calibration(found: list[Row]) -> list[str]:
    """Return a table of what was called how sure, and how often it was right."""
    lines = [
        "**How sure.** Pairs by what they were called:",
        "",
        "| called | pairs | right |",
        "| ---: | ---: | ---: |",
    ]
    for low, high in ((0.5, 0.8), (0.8, 0.95), (0.95, 0.99), (0.99, 1.01)):
        own = [r for r in found if r.paired and low <= r.confidence < high]
        if own:
            name = "99 % and more" if high > 1 else f"{low:.0%} to {high:.0%}".replace("%", " %")
            lines.append(f"| {name} | {len(own)} | {np.mean([r.right for r in own]):.1%} |")
    return lines


def _hours(hours: list[Hour]) -> list[str]:
    """Return a table of the pairs of an hour."""
    return [
        "**An hour**, nothing moving (a metre's walk would look like "
        f"{hours[0].walked_ppm:.2f} ppm, and the interval holds that):",
        "",
        "| signal to noise | true drift | error of drift | its interval | error of offset | core time |",
        "| ---: | ---: | ---: | ---: | ---: | ---: |",
        *(
            f"| {h.snr_db:+.0f} dB | {h.drift_ppm:+.1f} ppm | {h.drift_error_ppm:+.3f} ppm | ± {h.uncertainty_ppm:.2f} ppm "
            f"| {h.error_s * 1e6:+.0f} µs | {h.seconds:.0f} s |"
            for h in hours
        ),
    ]


def main() -> int:
    """Run the evaluation; the page is written from the voices held apart."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=SETS, default="held apart")
    parser.add_argument("--meetings", type=int, default=28)
    parser.add_argument("--minutes", type=float, default=60.0, help="no meetings are begun after so many")
    parser.add_argument("--hours", type=int, default=2, help="pairs of an hour")
    parser.add_argument("--rows", type=Path, help="also keep the rows as JSON")
    given = parser.parse_args()
    began = time.monotonic()
    try:
        voices = [source for source in SETS[given.set] if source.kind == "speech"]
        found, meetings = evaluated(given.set, given.meetings, began + 60 * given.minutes)
        hours = [an_hour(voices, f"sync {given.set}", snr) for snr in (0.0, 10.0)[: given.hours]]
    except SourceError as error:
        print(error, file=sys.stderr)
        return 2
    if given.rows:
        given.rows.write_text(json.dumps([asdict(row) for row in found]))
    text = measured(found, hours, meetings)
    print(f"{text}\n\n{len(found)} clips in {time.monotonic() - began:.0f} s")
    if given.set == "held apart":
        page = PAGE.read_text(encoding="utf-8")
        head, rest = page.split(BEGIN, 1)
        PAGE.write_text(f"{head}{BEGIN}\n\n{text}\n\n{END}{rest.split(END, 1)[1]}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
