"""Rows about what lies between tracks: the gain and sign between copies, the delay between microphones in rooms.

Copies: one voice on an ISO and a copy, each with noise of its own 70 dB under the speech, the gain moved twice. Rooms: two
talkers in turn in a shoe box (pyroomacoustics, image sources), each with a lavalier 0.2 m from the mouth, and a boom at 0.6
to 1.2 m; every second boom is reversed. The boom's noise is set by its signal-to-noise ratio, the
lavaliers' lies 40 dB under their own voice. The true delay is the difference of the paths over pyroomacoustics's own
speed of sound.
"""

from collections.abc import Iterator, Sequence

import numpy as np
import pyroomacoustics
from evaluation.corpus import noise, rng_of, speech_track, stored
from evaluation.rows import Aim, Job, Planted, Row
from evaluation.sources import RATE, Source
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from takewell.engine import Meter
from takewell.examine.between import find_between
from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.pairs import pairs_of
from takewell.examine.twins import find_twins
from takewell.roll.values import MediaFile, Piece, Role, Take, Track
from takewell.units import SINE_CREST_DB, amplitude

F64 = NDArray[np.float64]

TITLE = "Between tracks: gain and sign of copies, delay of microphones"

CLEAN: tuple[str, ...] = ()

AIMS = (
    Aim("gain between copies within 0.1 dB", "pair gain", 0.0, most_off=0.1),
    Aim("sign of copies right", "pair sign", 0.0),
    Aim("delay between microphones within one sample, SNR of 10 dB or more", "delay", 10.0, most_off=1.0),
    Aim("polarity of microphones right, SNR of 10 dB or more", "polarity", 10.0),
)

COPY_S = 20.0
ROOM_S = 24.0
COPIES = 26
ROOMS = 7
SNRS_DB = (0.0, 5.0, 10.0, 15.0, 25.0)
SOUND_M_S = 343.0
"""What pyroomacoustics reckons with (its own constant)."""


def jobs(salt: str, voices: Sequence[Source]) -> Iterator[Job]:
    """Return the work of one set."""
    for voice in voices:
        for k in range(COPIES):
            yield Job(copies, (salt, voice, k))
    for k in range(ROOMS):
        for snr_db in SNRS_DB:
            for n, voice in enumerate(voices):
                yield Job(room, (salt, voice, voices[(n + 1) % len(voices)], snr_db, k))


class _Arrays:
    def __init__(self, tracks: Sequence[NDArray[np.float32]]) -> None:
        self._tracks = tracks

    def read(self, track_numbers: Sequence[int], start_samples: int, count: int) -> NDArray[np.floating]:
        return np.stack(
            [self._tracks[n - 1][start_samples : start_samples + count] for n in track_numbers], 1
        )


def heard_take(tracks: Sequence[F64], roles: Sequence[Role], encodings: Sequence[str]) -> TakeEvidence:
    """Return a take of arrays, measured as files are."""
    arrays = [stored(x, e).astype(np.float32) for x, e in zip(tracks, encodings, strict=True)]
    reader = _Arrays(arrays)
    length = len(arrays[0])
    listed = tuple(
        Track(k, f"Track {k}", role, encoding, (Piece("a.wav", k, 0, length),))
        for k, (role, encoding) in enumerate(zip(roles, encodings, strict=True), 1)
    )
    file = MediaFile("a.wav", 0, "WAVE", "float32", RATE, len(arrays), length, None)
    take = Take("1-1", "1", "1", "take", RATE, length, None, None, None, (file,), listed)
    evidence = []
    for track, array in zip(listed, arrays, strict=True):
        meter = Meter(RATE, 1, encoding=track.encoding)
        for start in range(0, length, 1 << 16):
            meter.add(array[start : start + (1 << 16), None])
        result = meter.finish()
        evidence.append(
            TrackEvidence(take, track, result.traces[0], ((track.pieces[0], result.tracks[0]),), reader)
        )
    return TakeEvidence(take, tuple(evidence), reader)


def copies(salt: str, voice: Source, k: int) -> list[Row]:
    """Return what became of the gains and the sign of one pair."""
    rng = rng_of(salt, voice.name, "copies", k)
    track, _ = speech_track(voice, COPY_S, rng)
    n = len(track)
    level_db = 20 * np.log10(np.sqrt(np.mean(track**2))) + SINE_CREST_DB
    gains_db = rng.uniform(-30, 6, 3)
    moves = np.array([7.0, 13.0]) + rng.uniform(-1, 1, 2)
    gain_db = np.select(
        [np.arange(n) < moves[0] * RATE, np.arange(n) < moves[1] * RATE], gains_db[:2], gains_db[2]
    )
    sign = -1.0 if k % 2 else 1.0
    copy = sign * (track * amplitude(gain_db)) + noise(n, level_db - 70 + float(gains_db.min()), rng)
    iso = track + noise(n, level_db - 70, rng)
    heard = heard_take([iso, copy], ("iso", "safety"), ("float32", "float32"))
    twins = find_twins(heard.tracks)
    found = pairs_of(heard.tracks, twins, {})
    if not found:
        return [Planted("pair gain", "moved twice", 0.0, found=False, unit="gain, dB") for _ in gains_db]
    pair = found[0].pair
    rows: list[Row] = [Planted("pair sign", "copies", 0.0, found=(pair.correlation < 0) == (sign < 0))]
    middles = (moves[0] / 2, moves.mean(), (moves[1] + COPY_S) / 2)
    for at_s, true_db in zip(middles, gains_db, strict=True):
        told = next((p.gain_db for p in pair.passages if p.start_s <= at_s < p.end_s), np.nan)
        rows.append(
            Planted("pair gain", "moved twice", 0.0, True, off=float(abs(told - true_db)), unit="gain, dB")
        )
    return rows


def room(salt: str, one: Source, two: Source, snr_db: float, k: int) -> list[Row]:
    """Return what became of the boom's delays to two lavaliers."""
    rng = rng_of(salt, one.name, two.name, "room", snr_db, k)
    n = round(ROOM_S * RATE)
    turn = (np.arange(n) // (6 * RATE)) % 2
    dry = [speech_track(v, ROOM_S, rng)[0] * (turn == j) for j, v in enumerate((one, two))]
    size = rng.uniform((4.0, 3.2, 2.4), (8.0, 6.0, 3.4))
    absorption, _ = pyroomacoustics.inverse_sabine(float(rng.uniform(0.3, 0.6)), size)
    shoebox = pyroomacoustics.ShoeBox(
        size, fs=RATE, materials=pyroomacoustics.Material(absorption), max_order=10
    )
    middle = size[:2] / 2 + rng.uniform(-0.3, 0.3, 2)
    apart = rng.uniform(0.45, 0.8)
    mouths = [
        np.array([middle[0] + side * apart, middle[1], 1.2 + rng.uniform(-0.1, 0.1)]) for side in (-1, 1)
    ]
    lavs = [m + np.array([0.0, -0.08, -0.19]) for m in mouths]
    boom = np.array([middle[0], middle[1] - rng.uniform(0.1, 0.5), mouths[0][2] + rng.uniform(0.35, 0.8)])
    places = [*lavs, boom]
    for mouth in mouths:
        shoebox.add_source(mouth)
    shoebox.add_microphone_array(np.array(places).T)
    shoebox.compute_rir()
    tracks = []
    for m in range(3):
        heard = [oaconvolve(dry[v], shoebox.rir[m][v])[:n] for v in range(2)]
        loud = np.sort(np.add.reduceat(sum(heard) ** 2, np.arange(0, n, 4800)) / 4800)[
            -n // 4800 // 2 :
        ].mean()
        level_db = 10 * np.log10(loud) + SINE_CREST_DB
        tracks.append(sum(heard) + noise(n, level_db - (snr_db if m == 2 else 40.0), rng))
    sign = -1 if k % 2 else 1
    tracks[2] = sign * tracks[2]
    found, _ = find_between(heard_take(tracks, ("iso",) * 3, ("float32",) * 3), {})
    told = {f.track: f.evidence for f in found if f.kind == "delay"}
    rows: list[Row] = []
    for v in range(2):
        for m, rank, words in (
            (2, snr_db, f"boom {snr_db:g} dB over its noise"),
            (1 - v, 26.0, "the other lavalier"),
        ):
            paths = [float(np.linalg.norm(mouths[v] - place)) for place in (places[m], lavs[v])]
            true = (paths[0] - paths[1]) / SOUND_M_S * RATE
            said = told.get(m + 1, {}).get(f"delay_samples_to_track_{v + 1}")
            off = None if said is None else float(abs(float(said) - true))
            rows.append(Planted("delay", words, rank, said is not None, off=off, unit="delay, samples"))
            upside = told.get(m + 1, {}).get(f"polarity_to_track_{v + 1}")
            rows.append(Planted("polarity", words, rank, upside == (sign if m == 2 else 1)))
    return rows
