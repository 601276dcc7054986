"""Loudness: ITU-R BS.1770-5, EBU Tech 3341 and EBU Tech 3342."""

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.signal import sosfreqz

from accuracy.check import Check, within, worst
from accuracy.readings import F64, FIVE_CHANNELS, loudness_history, measured
from accuracy.signals import sine, steps, stereo
from accuracy.tables import document
from takewell.engine import MeterResult, Programme
from takewell.measure.k_weighting import k_weighting_sos

RATES = (44_100, 48_000, 96_000, 192_000)
K_FILTER = document("bs1770_k_weighting_48k.json")
CASES_3341 = {case["case"]: case for case in document("ebu_tech3341_test_signals.json")["cases"]}
CASES_3342 = document("ebu_tech3342_test_signals.json")

MOMENTARY_S, SHORT_TERM_S = 0.4, 3.0
FIRST_TONES = (1, 2)
"""Cases in which momentary, short-term and integrated loudness are all asked for."""


def rows() -> list[Check]:
    """Return the chapter's rows."""
    made = _k_filter_rows() + _anchor_rows()
    for rate in RATES:
        made += _rows_3341(rate) + _rows_3342(rate)
    return made


def _k_filter_rows() -> list[Check]:
    chapter, source = "K weighting", "ITU-R BS.1770-5, Annex 1, Tables 1 and 2"
    tables = np.concatenate([K_FILTER[part][side] for part in _PARTS for side in "ba"])
    made = [
        Check(
            chapter, "coefficients at 48 kHz, largest difference", source, 0.0, **within(plus_minus=1e-10),
            unit="", ours=lambda: float(np.abs(k_weighting_sos(48_000).ravel() - tables).max()), decimals=12,
        )
    ]  # fmt: skip
    made += [
        Check(
            chapter, f"gain at {hz} Hz, 48 kHz", source + ", computed from the tables", gain,
            **within(plus_minus=0.001), unit="dB", ours=_k_gain(float(hz)), decimals=4,
        )
        for hz, gain in K_FILTER["magnitude_response_db_computed"].items()
        if hz in ("20", "100", "997", "1000", "2000", "10000", "20000")
    ]  # fmt: skip
    made += [
        Check(
            chapter, f"response at {rate / 1000:g} kHz against 48 kHz, largest difference 20 Hz to 20 kHz",
            "ITU-R BS.1770-5, Annex 1 (same response at other rates); tolerance of EBU Tech 3341 meters",
            0.0, **within(plus_minus=0.1), unit="dB", ours=_k_difference(rate), decimals=4,
        )
        for rate in (44_100, 96_000, 192_000)
    ]  # fmt: skip
    return made


_PARTS = ("stage1_shelf", "stage2_highpass")


def _k_gain(hz: float) -> Callable[[], float]:
    return lambda: float(_response_db(k_weighting_sos(48_000), np.array([hz]), 48_000)[0])


def _k_difference(rate: int) -> Callable[[], float]:
    def ours() -> float:
        at = np.geomspace(20, 20_000, 200)
        tables = np.array([K_FILTER[part]["b"] + K_FILTER[part]["a"] for part in _PARTS])
        return float(
            np.abs(_response_db(k_weighting_sos(rate), at, rate) - _response_db(tables, at, 48_000)).max()
        )

    return ours


def _response_db(sos: F64, at: F64, rate: int) -> F64:
    return np.asarray(20 * np.log10(np.abs(sosfreqz(sos, at, fs=rate)[1])))


def _anchor_rows() -> list[Check]:
    """A 997 Hz tone of 0 dBFS, 20 s, alone in one channel of a layout."""
    places = [
        ("one front channel", 1, None, (0,), -3.01, "Annex 1, text under equation 2"),
        ("left and right", 2, None, (0, 1), 0.00, "Annex 1, equation 2, computed"),
        ("left surround of 5.1", 6, 0x3F, (4,), -3.01 + 1.4922, "Annex 1, Table 3 (1.41)"),
        ("side left of 7.1", 8, 0x63F, (6,), -3.01 + 1.4922, "Annex 3, Tables 4 and 5 (1.41)"),
        ("back left of 7.1", 8, 0x63F, (4,), -3.01, "Annex 3, Tables 4 and 5 (1.0)"),
        ("low-frequency effects of 5.1", 6, 0x3F, (3,), None, "Annex 1, Table 3 (left out)"),
    ]

    def reading(channels: int, mask: int | None, used: tuple[int, ...]) -> Callable[[], float | None]:
        def ours() -> float | None:
            samples = np.zeros((20 * 48_000, channels))
            samples[:, used] = sine(997, 0, 20, 48_000)[:, None]
            programme = measured(samples, 48_000, channel_mask=mask).programme
            assert programme is not None
            return programme.integrated_lufs

        return ours

    made = [
        Check(
            "Loudness: anchors", f"997 Hz, 0 dBFS, {place}", f"ITU-R BS.1770-5, {source}", expected,
            **within(plus_minus=0.01), unit="LUFS", ours=reading(channels, mask, used), decimals=3,
        )
        for place, channels, mask, used, expected, source in places
    ]  # fmt: skip
    made.append(
        Check(
            "Loudness: anchors", "silence", "ITU-R BS.1770-5, Annex 1 (no block passes the gate)", None, 0, 0, "LUFS",
            lambda: measured(np.zeros((5 * 48_000, 1)), 48_000).tracks[0].integrated_lufs,
        )
    )  # fmt: skip
    return made


def _rows_3341(rate: int) -> list[Check]:
    chapter = f"Loudness: EBU Tech 3341 at {rate / 1000:g} kHz"

    def row(case: int, quantity: str, expected: float, ours: Callable[[], float | None]) -> Check:
        text = f"{case}, {quantity}"
        return Check(
            chapter, text, "EBU Tech 3341, Table 1", expected, **within(plus_minus=0.1), unit="LUFS",
            ours=ours, decimals=3,
        )  # fmt: skip

    made = []
    for case in (*FIRST_TONES, 3, 4, 5, 6):
        for wanted in CASES_3341[case]["expected"]:
            made.append(
                row(case, wanted["quantity"], wanted["value"], _programme(case, rate, wanted["quantity"]))
            )
    for case, window_s, settled_s in ((9, SHORT_TERM_S, 3.0), (12, MOMENTARY_S, 1.0)):
        name = CASES_3341[case]["expected"][0]["quantity"]
        for side, extreme in (("lowest", np.min), ("highest", np.max)):
            made.append(
                row(
                    case,
                    f"{name}, {side} once constant",
                    -23.0,
                    _settled(case, rate, window_s, settled_s, extreme),
                )
            )
    for case, window_s in ((10, SHORT_TERM_S), (13, MOMENTARY_S)):
        name = CASES_3341[case]["expected"][0]["quantity"]
        made.append(row(case, f"{name}, worst of 20 files", -23.0, _files(case, rate, window_s)))
    for case, window_s in ((11, SHORT_TERM_S), (14, MOMENTARY_S)):
        made.append(
            row(
                case,
                f"{CASES_3341[case]['expected'][0]['quantity']}, worst of 20 as offset",
                0.0,
                _live(case, rate, window_s),
            )
        )
    return made


def _parts(segments: Any) -> list[tuple[float | None, float]]:
    """Return (level, seconds) of a case's pattern."""
    return [(part.get("level_dbfs"), part["seconds"]) for part in segments]


def programme_case(case: int, rate: int) -> Programme:
    """Return the programme's numbers for a case of EBU Tech 3341."""
    programme = _case(case, rate).programme
    assert programme is not None
    return programme


@lru_cache(maxsize=2)
def _case(case: int, rate: int) -> MeterResult:
    segments = CASES_3341[case]["segments"]
    if case == 6:
        channels = [
            sine(1000, segments[name], segments["seconds"], rate) for name in ("L", "R", "C", "Ls", "Rs")
        ]
        return measured(np.stack(channels, axis=1), rate, channel_mask=FIVE_CHANNELS)
    pattern = (
        _parts(segments) if isinstance(segments, list) else _parts(segments["pattern"]) * segments["repeat"]
    )
    return measured(stereo(steps(pattern, rate)), rate)


def _programme(case: int, rate: int, quantity: str) -> Callable[[], float | None]:
    field = {"I": "integrated_lufs", "M": "momentary_max_lufs", "S": "short_term_max_lufs"}[quantity]
    return lambda: getattr(programme_case(case, rate), field)


def _settled(case: int, rate: int, window_s: float, settled_s: float, extreme: Any) -> Callable[[], float]:
    """Windows that end after `settled_s`."""

    def ours() -> float:
        history = loudness_history(_case(case, rate), window_s)
        return float(extreme(history[max(round((settled_s - window_s) * 100), 0) :]))

    return ours


def _files(case: int, rate: int, window_s: float) -> Callable[[], float]:
    pause_s = {10: 0.15, 13: 0.02}[case]
    field = {10: "short_term_max_lufs", 13: "momentary_max_lufs"}[case]

    def ours() -> float:
        readings = []
        for i in range(20):
            tone = steps([(None, i * pause_s), (-23.0, window_s), (None, 1.0)], rate)
            readings.append(getattr(measured(stereo(tone), rate).programme, field))
        return -23.0 + worst(readings, [-23.0] * 20)

    return ours


def _live(case: int, rate: int, window_s: float) -> Callable[[], float]:
    pause_s = {11: 0.15, 14: 0.02}[case]
    levels = CASES_3341[case]["expected"][0]["value"]

    def ours() -> float:
        parts: list[tuple[float | None, float]] = []
        for i, level in enumerate(levels):
            parts += [(None, i * pause_s), (float(level), window_s), (None, window_s - i * pause_s)]
        history = loudness_history(measured(stereo(steps(parts, rate)), rate), window_s)
        length = round(2 * window_s * 100)
        readings = [float(history[: (i + 1) * length - round(window_s * 100) + 1].max()) for i in range(20)]
        return worst(readings, levels)

    return ours


@lru_cache(maxsize=2)
def range_case(case: int, rate: int) -> Programme:
    """Return the programme's numbers for a case of EBU Tech 3342."""
    wanted = next(entry for entry in CASES_3342["cases"] if entry["case"] == case)
    tones = steps([(level, wanted["segment_s"]) for level in wanted["levels_dbfs"]], rate)
    programme = measured(stereo(tones), rate).programme
    assert programme is not None
    return programme


def _rows_3342(rate: int) -> list[Check]:
    def ours(case: int) -> Callable[[], float | None]:
        return lambda: range_case(case, rate).loudness_range_lu

    return [
        Check(
            f"Loudness range: EBU Tech 3342 at {rate / 1000:g} kHz",
            f"{case['case']}: " + ", ".join(f"{level}" for level in case["levels_dbfs"]) + " dBFS",
            "EBU Tech 3342, Table 1", case["expected_LRA"], **within(plus_minus=CASES_3342["tolerance_LU"]),
            unit="LU", ours=ours(case["case"]), decimals=2,
        )
        for case in CASES_3342["cases"]
    ]  # fmt: skip
