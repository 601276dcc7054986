"""Frequency and time weightings: IEC 61672-1:2013 and ITU-R BS.468-4."""

from collections.abc import Callable
from typing import Literal

import numpy as np
from scipy.signal import sosfreqz

from accuracy.check import Check, within, worst
from accuracy.signals import burst_train, sine, tone_burst
from accuracy.tables import table
from takewell.measure.bs468 import bs468_sos, quasi_peak_dbfs
from takewell.measure.time_weighting import time_weighted_dbfs
from takewell.measure.weighting import weighting_db, weighting_sos

IEC = table("iec61672_weighting_table.csv")
BURSTS_IEC = table("iec61672_tone_bursts.csv")
CURVE_468 = table("bs468_weighting_table.csv")
SINGLE_468 = table("bs468_quasi_peak_single_bursts.csv")
TRAINS_468 = table("bs468_quasi_peak_burst_trains.csv")

RATE = 48_000
OTHER_RATES = (8_000, 16_000, 32_000, 44_100, 96_000, 192_000, 384_000)
RATES_468 = (32_000, 44_100, 48_000, 96_000, 192_000)
TIGHTEST_BURST_DB = 0.5
TIGHTEST_468_DB = 0.2
PRINTED_ROUNDING_DB = 0.05


def rows() -> list[Check]:
    """Return the chapter's rows."""
    return [
        *_iec_rows("A"),
        *_iec_rows("C"),
        *_other_rate_rows(),
        *_needle_rows(),
        *_curve_468_rows(),
        *_quasi_peak_rows(),
    ]


def _gain(sos: np.ndarray, hz: float, rate: int) -> float:
    return float(20 * np.log10(abs(sosfreqz(sos, [hz], fs=rate)[1][0])))


def _iec_rows(kind: Literal["A", "C"]) -> list[Check]:
    def ours(hz: float) -> Callable[[], float]:
        return lambda: _gain(weighting_sos(kind, RATE), hz, RATE)

    return [
        Check(
            f"{kind} weighting at 48 kHz", f"{row['nominal_hz']:g} Hz", "IEC 61672-1:2013, Table 3, class 1",
            row[f"{kind}_dB"], -row["class1_lower_dB"], row["class1_upper_dB"], "dB", ours(row["exact_hz"]),
        )
        for row in IEC
    ]  # fmt: skip


def _other_rate_rows() -> list[Check]:
    """At other rates one row each: the largest share of the class 1 limits that the filter takes, to the formula."""

    def ours(kind: Literal["A", "C"], rate: int) -> Callable[[], float]:
        def share() -> float:
            found = []
            for row in IEC:
                if row["exact_hz"] < rate / 2:
                    wanted = float(weighting_db(kind, np.array([row["exact_hz"]]))[0])
                    limit = min(row["class1_upper_dB"], -row["class1_lower_dB"])
                    found.append((_gain(weighting_sos(kind, rate), row["exact_hz"], rate) - wanted) / limit)
            return worst(found, [0.0] * len(found))

        return share

    return [
        Check(
            "A and C weighting at other rates",
            f"{kind} at {rate / 1000:g} kHz, 10 Hz to {min(20, rate / 2000):g} kHz, largest share of a limit",
            "IEC 61672-1:2013, Annex E and Table 3, class 1", 0.0, **within(plus_minus=1.0), unit="",
            ours=ours(kind, rate), decimals=3,
        )
        for kind in ("A", "C")
        for rate in OTHER_RATES
    ]  # fmt: skip


def _needle_rows() -> list[Check]:
    def ours(burst_s: float, weighting: Literal["F", "S"]) -> Callable[[], float]:
        def highest() -> float:
            burst = tone_burst(4000, burst_s, RATE)
            return float(time_weighted_dbfs(burst[:, None], RATE, weighting).max())

        return highest

    return [
        Check(
            f"Time weighting {weighting}", f"4 kHz burst of {row['burst_ms']:g} ms",
            "IEC 61672-1:2013, Table 4; the tightest class 1 limit of that table (from memory)",
            row[weighting], **within(plus_minus=TIGHTEST_BURST_DB), unit="dB", ours=ours(row["burst_ms"] / 1000, weighting),
        )
        for weighting in ("F", "S")
        for row in BURSTS_IEC
        if row[weighting] != "none"
    ]  # fmt: skip


def _curve_468_rows() -> list[Check]:
    def ours(hz: float, rate: int) -> Callable[[], float]:
        return lambda: _gain(bs468_sos(rate), hz, rate)

    def row_of(row: dict[str, float], rate: int) -> Check:
        allowed = row["tolerance_dB_pm"] or PRINTED_ROUNDING_DB
        text = "ITU-R BS.468-4, response table"
        if not row["tolerance_dB_pm"]:
            text += " (it prints a tolerance of 0; its own rounding is taken)"
        return Check(
            f"BS.468 weighting at {rate / 1000:g} kHz", f"{row['hz']:g} Hz", text, row["response_dB"],
            **within(plus_minus=allowed), unit="dB", ours=ours(row["hz"], rate),
        )  # fmt: skip

    def largest(rate: int) -> Callable[[], float]:
        def share() -> float:
            found = [
                (_gain(bs468_sos(rate), row["hz"], rate) - row["network_closed_form_dB"])
                / max(row["tolerance_dB_pm"], TIGHTEST_468_DB)
                for row in CURVE_468
                if row["hz"] < rate / 2
            ]
            return worst(found, [0.0] * len(found))

        return share

    made = [row_of(row, RATE) for row in CURVE_468 if row["hz"] < RATE / 2]
    made += [row_of(CURVE_468[-1], 96_000)]
    made += [
        Check(
            "BS.468 weighting at other rates",
            f"{rate / 1000:g} kHz, 31.5 Hz to {min(31.5, rate / 2000):g} kHz, largest share of the tolerance",
            "ITU-R BS.468-4, closed form of the network; 0.2 dB where the table prints 0", 0.0, **within(plus_minus=1.0),
            unit="", ours=largest(rate), decimals=3,
        )
        for rate in (32_000, 44_100, 96_000, 192_000, 384_000)
    ]  # fmt: skip
    return made


def _reading(channel: np.ndarray, rate: int) -> float:
    return float(quasi_peak_dbfs(channel[:, None], rate)[0])


def _quasi_peak_rows() -> list[Check]:
    source = "ITU-R BS.468-4, quasi-peak detector"

    def burst(burst_s: float, rate: int) -> Callable[[], float]:
        return lambda: _per_cent(tone_burst(5000, burst_s, rate), rate)

    def train(per_s: float, rate: int) -> Callable[[], float]:
        return lambda: _per_cent(burst_train(5000, 0.005, per_s, 3, rate), rate)

    def per_cent(case: str, row: dict[str, float], rate: int, ours: Callable[[], float]) -> Check:
        expected = row["reference_pct"]
        return Check(
            f"Quasi-peak at {rate / 1000:g} kHz", case, source, expected, expected - row["lower_pct"],
            row["upper_pct"] - expected, "% of steady", ours, decimals=1,
        )  # fmt: skip

    made = []
    for rate in RATES_468:
        for row in SINGLE_468:
            case = f"single 5 kHz burst of {row['burst_ms']:g} ms"
            made.append(per_cent(case, row, rate, burst(row["burst_ms"] / 1000, rate)))
        for row in TRAINS_468:
            case = f"5 ms bursts, {row['bursts_per_s']:g} a second"
            made.append(per_cent(case, row, rate, train(row["bursts_per_s"], rate)))
    made += [
        Check("Quasi-peak: conditions", "overload: 0.6 ms bursts over 20 dB, worst departure", source, 0.0,
              **within(plus_minus=1.0), unit="dB", ours=_overload),
        Check("Quasi-peak: conditions", "1 ms pulses turned over", source, 0.0, **within(plus_minus=0.5), unit="dB", ours=_polarity),
        Check("Quasi-peak: conditions", "1 kHz tone switched on, overshoot", source, 0.0, np.inf, 0.3, "dB", _overshoot),
        Check("Quasi-peak: conditions", "steady 1 kHz tone of 0 dBFS reads its RMS", source + " (0.775 V reads 0 dB); tolerance of the curve at 1 kHz",
              0.0, **within(plus_minus=0.5), unit="dBFS", ours=lambda: _reading(sine(1000, 0, 3, RATE), RATE)),
    ]  # fmt: skip
    return made


def _per_cent(channel: np.ndarray, rate: int) -> float:
    return float(100 * 10 ** ((_reading(channel, rate) - _reading(sine(5000, 0, 3, rate), rate)) / 20))


def _overload() -> float:
    burst = tone_burst(5000, 0.0006, RATE)
    readings = [_reading(burst * 10 ** (-down / 20), RATE) + down for down in range(0, 21, 2)]
    return worst(readings, [readings[0]] * len(readings))


def _polarity() -> float:
    pulses = np.zeros(2 * RATE)
    pulses[np.arange(0, 2 * RATE, RATE // 100)[:, None] + np.arange(RATE // 1000)] = 0.5
    return _reading(-pulses, RATE) - _reading(pulses, RATE)


def _overshoot() -> float:
    tone = sine(1000, 0, 4, RATE)
    return _reading(np.concatenate([np.zeros(RATE), tone]), RATE) - _reading(
        sine(1000, 0, 8, RATE)[-RATE:], RATE
    )
