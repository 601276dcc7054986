"""True peak: EBU Tech 3341, cases 15 to 23, and what ITU-R BS.1770-5, Annex 2 says an oversampling meter loses."""

from collections.abc import Callable

import numpy as np

from accuracy.check import Check, worst
from accuracy.readings import measured
from accuracy.signals import burst_between_samples, faded, stereo
from accuracy.tables import document, table

RATES = (44_100, 48_000, 96_000, 192_000)
CASES = {
    case["case"]: case for case in document("ebu_tech3341_test_signals.json")["cases"] if case["case"] >= 15
}
SECONDS = 1.0


def rows() -> list[Check]:
    """Return the chapter's rows."""
    made = []
    for rate in RATES:
        for case, text in CASES.items():
            wanted = text["expected"][0]
            made.append(
                Check(
                    f"True peak: EBU Tech 3341 at {rate / 1000:g} kHz", f"{case}: {_described(text['segments'])}",
                    "EBU Tech 3341, Table 1", wanted["value"], wanted["tol_minus"], wanted["tol_plus"], "dBTP",
                    _reading(case, rate), decimals=3,
                )
            )  # fmt: skip
    loss = next(row for row in table("bs1770_true_peak_underread.csv") if row["oversampling_ratio"] == 4)
    printed = loss["max_underread_dB_fnorm_0.45"]
    made.append(
        Check(
            "True peak: high tones", "tone at 0.45 of the rate, 0 dBFS, worst of 32 phases",
            "ITU-R BS.1770-5, Annex 2, attachment 1 (4x oversampling loses up to 0.554 dB); upper limit of EBU Tech 3341",
            0.0, printed, 0.2, "dBTP", _high_tones, decimals=3,
        )
    )  # fmt: skip
    return made


def _described(segments: dict[str, float]) -> str:
    if "burst_amp" in segments:
        return f"rate/6 with one period of rate/4, offset {segments['offset_samples_at_4fs']}"
    return f"rate/{1 / segments['f_over_fs']:.0f}, {segments['amplitude_ffs']:g} high, {segments['phase_deg']:g} degrees"


def _reading(case: int, rate: int) -> Callable[[], float | None]:
    return lambda: true_peak_case(case, rate)


def true_peak_case(case: int, rate: int) -> float | None:
    """Return the true peak in dBTP of a case of EBU Tech 3341."""
    segments = CASES[case]["segments"]
    if case >= 20:
        channel = burst_between_samples(segments["offset_samples_at_4fs"])
    else:
        angle = 2 * np.pi * segments["f_over_fs"] * np.arange(round(SECONDS * rate))
        tone = segments["amplitude_ffs"] * np.sin(angle + np.radians(segments["phase_deg"]))
        channel = faded(tone, segments["fade_s"], rate)
    programme = measured(stereo(channel), rate).programme
    assert programme is not None
    return programme.true_peak_dbtp


def _high_tones() -> float:
    n = np.arange(48_000)
    phases = np.pi * np.arange(32) / 32
    # 0.45 of the rate meets only twenty different points of its period: the phase decides what the samples show.
    tones = [faded(np.sin(2 * np.pi * 0.45 * n + phase), 0.1, 48_000) for phase in phases]
    readings = [measured(tone[:, None], 48_000).tracks[0].true_peak_dbtp for tone in tones]
    assert all(reading is not None for reading in readings)
    return worst([float(reading or 0.0) for reading in readings], [0.0] * len(readings))
