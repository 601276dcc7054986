"""Where does wind blow on the microphone?

Wind is noise from below: strong under 100 Hz, falling with frequency, without any tone in it, and restless, for gusts come
and go within a second. The traces point to stretches that the low band rules (`low_band`); there the low band has to swing and
its spectrum has to be that of noise. A steady low noise is `rumble`, a lone push is `thump` or `plosive`, an instrument has tones.

No recording of wind on a microphone is free to be shipped or fetched; the thresholds rest on a model (evaluation) of the
published spectra: flat or gently falling up to some tens of hertz, then by 12 to 20 dB an octave (textbook turbulence, from memory).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from takewell.examine.evidence import TrackEvidence
from takewell.examine.low_band import LowBand, low_band, low_steps, speech_dbfs
from takewell.examine.spans import merged, runs
from takewell.examine.wording import level, when
from takewell.roll.values import Finding, Severity

KIND = "wind"

F64 = NDArray[np.float64]

DENSE_S = 1.0
"""Steps that the low band rules count over a second."""

DENSE_SHARE = 0.2
"""Share of that second from which it may be a gust."""

LULL_S = 4.0
"""Gusts nearer than this are one finding."""

LEAST_S = 1.0
"""Shortest stretch told; less is a push."""

LOOK_S = 20.0
"""Longest piece read at once; of a longer stretch every piece is looked at by itself."""

ASIDE_S = 1.0
"""How much is read before and after, to see the gust rise and fall."""

SWING_DB = 11.0
"""Least distance between the tenth and the ninetieth percentile of the low band. Steady noise between 20 and 80 Hz has twelve
degrees of freedom in 100 ms: its levels spread over 5 dB so (chi-square)."""

STRONG_DB = -12.0
"""Least level of the low band, at its ninetieth percentile, against the speech: from there on it is told."""

MINOR_DB = -6.0
"""From here on more than a note. Weaker gusts a low cut takes, and the low end of electronic music can be as restless."""

TONE_DB = 12.0
"""How far the highest line between 20 and 80 Hz may stand out of the middle one, in the median of half-second looks. Noise
gives 7 dB (the largest of twenty exponential variates against their median), a bass note or a drum mostly more than 13."""

RISE_DB = 6.0
"""A gust is seen to rise by this; a struck note at a file's start only dies away."""

BEAT_S = (0.2, 1.5)
BEAT = 0.6
"""How far the correlation of the low band's level with itself may climb again at a lag of a beat: drums by 1 and more, modelled gusts by up to 0.5."""

LEVEL_RANGE_DB = 25.0
"""What lies farther under the highest level counts as silence there."""

SEGMENT = 512
"""Samples at 1 kHz."""

MAJOR_DB = 0.0
"""Low band over the speech: words are gone, or the input was overdriven."""


@dataclass(frozen=True)
class _Gust:
    start_s: float
    end_s: float
    low_dbfs: float
    over_speech_db: float
    swing_db: float
    tone_db: float


def find_wind(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each stretch of wind."""
    if heard.take.kind not in ("take", "wild"):
        return []
    gusts = []
    for start_s, end_s in _stretches(heard):
        gusts += [g for g in (_gust(heard, *piece) for piece in _pieces(start_s, end_s)) if g is not None]
    groups: list[list[_Gust]] = []
    for gust in gusts:
        if groups and gust.start_s - groups[-1][-1].end_s <= LULL_S:
            groups[-1].append(gust)
        else:
            groups.append([gust])
    return [_told(heard, group) for group in groups]


def _stretches(heard: TrackEvidence) -> list[tuple[float, float]]:
    marked = low_steps(heard)
    if not marked.any():
        return []
    width = round(DENSE_S * 100)
    share = uniform_filter1d(marked.astype(np.float64), width, mode="constant")
    dense = merged(runs(share >= DENSE_SHARE), round(LULL_S * 100))
    found = []
    for first, last in dense.tolist():
        inside = np.flatnonzero(marked[first:last]) + first
        if len(inside) and (inside[-1] + 1 - inside[0]) / 100 >= LEAST_S:
            found.append((float(inside[0] / 100), float((inside[-1] + 1) / 100)))
    return found


def _pieces(start_s: float, end_s: float) -> list[tuple[float, float]]:
    parts = max(1, int(np.ceil((end_s - start_s) / LOOK_S)))
    edges = np.linspace(start_s, end_s, parts + 1).tolist()
    return list(pairwise(edges))


def _gust(heard: TrackEvidence, start_s: float, end_s: float) -> _Gust | None:
    band = low_band(heard, start_s - ASIDE_S, end_s + ASIDE_S)
    if band is None:
        return None
    speech = float(speech_dbfs(heard, np.array([(start_s + end_s) / 2]))[0])
    tenths = band.low_dbfs[: len(band.low_dbfs) // 10 * 10].reshape(-1, 10)
    levels = 10 * np.log10(np.mean(10 ** (tenths / 10), axis=1))
    if not np.isfinite(speech) or len(levels) < 8:
        return None
    low, high = np.percentile(levels, [10, 90])
    tone_db = _tone_db(band)
    if (
        high < speech + STRONG_DB
        or high - low < SWING_DB
        or tone_db > TONE_DB
        or not _rises(levels)
        or _beat(band.low_dbfs) > BEAT
    ):
        return None
    return _Gust(start_s, end_s, float(high), float(high - speech), float(high - low), tone_db)


def _rises(levels: F64) -> bool:
    return bool((levels - np.minimum.accumulate(levels)).max() >= RISE_DB)


def _beat(low_dbfs: F64) -> float:
    """Return how far the level's correlation with itself climbs again after it has fallen: the mark of a beat."""
    high = low_dbfs.max()
    x = np.maximum(low_dbfs, high - LEVEL_RANGE_DB)
    x = x - x.mean()
    lags = np.arange(1, min(round(BEAT_S[1] * 100), len(x) // 3))
    whole = float(x @ x)
    if not len(lags) or whole <= 0:
        return 0.0
    alike = np.array([x[:-lag] @ x[lag:] / whole * len(x) / (len(x) - lag) for lag in lags.tolist()])
    climbs = alike - np.minimum.accumulate(alike)
    return float(climbs[round(BEAT_S[0] * 100) :].max(initial=0.0))


def _tone_db(band: LowBand) -> float:
    """Return how far the highest line stands out of the middle one, in the median of the louder looks."""
    wave = band.wave
    if len(wave) < SEGMENT:
        wave = np.pad(wave, (0, SEGMENT - len(wave)))
    looks = np.lib.stride_tricks.sliding_window_view(wave, SEGMENT)[:: SEGMENT // 2]
    power = np.abs(np.fft.rfft(looks * np.hanning(SEGMENT), axis=1)) ** 2
    hertz = np.fft.rfftfreq(SEGMENT, 1e-3)
    power = power[:, (hertz >= 20) & (hertz <= 80)]
    loud = power.sum(axis=1) >= np.median(power.sum(axis=1))
    power = power[loud] * hertz[(hertz >= 20) & (hertz <= 80)] ** 2
    ratios = power.max(axis=1) / np.maximum(np.median(power, axis=1), 1e-30)
    return float(10 * np.log10(np.median(ratios)))


def _told(heard: TrackEvidence, group: list[_Gust]) -> Finding:
    worst = max(group, key=lambda g: g.over_speech_db)
    start_s, end_s = group[0].start_s, group[-1].end_s
    severity: Severity = "note"
    if worst.over_speech_db >= MINOR_DB:
        severity = "major" if worst.over_speech_db >= MAJOR_DB else "minor"
    against = f"{level(abs(worst.over_speech_db), 0)} dB {'over' if worst.over_speech_db >= 0 else 'under'}"
    return heard.finding(
        KIND,
        start_s,
        end_s,
        confidence=0.8,
        severity=severity,
        sentence=f"wind {when(start_s, end_s)}, gusts at 20 to 80 Hz {against} the speech",
        remedy="Prefer a sheltered microphone there; else low-cut at 100 Hz. On set, a wind shield.",
        low_dbfs=worst.low_dbfs,
        over_speech_db=worst.over_speech_db,
        swing_db=worst.swing_db,
        tone_db=worst.tone_db,
    )
