"""Several recorders side by side: which figures, and which curves as drawings?

One row a figure, one column a recorder; where a recorder has several channels, the worse one stands (the lower of what is
better higher), and with it which. Figures of one key under different conditions are different rows.
"""

import math
from dataclasses import dataclass

from takewell.bench.figures import DataSheet, Figure
from takewell.draw import PAPER, Palette
from takewell.draw.curves import PlottedCurve, curve_drawing
from takewell.errors import SettingError

LABELS = {
    "dynamic_range": "Dynamic range",
    "ein": "EIN",
    "ein_a": "EIN",
    "ein_ccir_rms": "EIN",
    "noise": "Noise in the file",
    "noise_a": "Noise in the file",
    "noise_ccir_rms": "Noise in the file",
    "thd_n": "THD+N, best",
    "thd": "THD, best",
    "two_tone": "Difference tones 18 + 20 kHz",
    "modulation": "Modulation 41 Hz + 7993 Hz",
    "multitone": "Multitone distortion and noise",
    "gain": "Gain, player to file",
    "gain_error": "Gain error",
    "gain_step_thd_n": "THD+N per gain step",
    "gain_step_noise": "Noise, gain taken away",
    "crosstalk": "Crosstalk at 1 kHz",
    "maximum_file_level": "Highest level in the file",
    "maximum_input": "Maximum input",
    "full_scale_input": "Input for 0 dBFS",
    "clipping": "Largest sample",
    "overload_thd_n": "THD+N 3 dB over the maximum",
    "recovery": "Recovery from overload",
    "limiter_threshold": "Limiter threshold",
    "limiter_threshold_input": "Limiter threshold",
    "limiter_ratio": "Limiter ratio",
    "limiter_attack": "Limiter attack",
    "limiter_release": "Limiter release",
    "limiter_reduction": "Limiter reduction",
    "handover_level": "Handover, rising",
    "handover_level_falling": "Handover, falling",
    "handover_noise_step": "Handover, step of noise",
    "handover_noise_above": "Noise above the handover",
    "handover_gain_step": "Handover, step of gain",
    "delay": "Delay to channel 1",
    "polarity": "Polarity to channel 1",
    "clock_error": "Clock error",
    "pre_record": "Pre-record",
    "lost_at_power_cut": "Lost at a power cut",
    "current": "Current",
    "power": "Power",
}
"""Names of figures, in the order of a data sheet."""

DRAWN = (
    ("frequency_response", "Frequency response", "Hz", "dB re 997 Hz", True),
    ("thd_n_by_level", "THD+N against level", "dBFS in the file", "dB", False),
    ("thd_n_by_frequency", "THD+N against frequency", "Hz", "dB", True),
    ("linearity", "Deviation from linearity", "dBFS in the file", "dB", False),
    ("noise_by_level", "Noise beside a rising tone", "dBFS in the file", "dBFS", False),
    ("crosstalk", "Crosstalk", "Hz", "dB", True),
    ("gain_error", "Gain error", "dB set", "dB", False),
)
"""Curves that are drawn: key, title, x and y axis, whether x is logarithmic."""


@dataclass(frozen=True)
class ComparedFigure:
    """One figure of several recorders, in their order; None where one lacks it."""

    key: str
    label: str
    unit: str
    at: str
    figures: tuple[Figure | None, ...]


def compare(sheets: tuple[DataSheet, ...]) -> tuple[ComparedFigure, ...]:
    """Return the figures of recorders side by side.

    Raises
    ------
    SettingError
        If two recorders have one name, or there is none.
    """
    names = [sheet.name for sheet in sheets]
    if not names or len(set(names)) < len(names):
        raise SettingError(
            "to compare recorders, give data sheets of different names (bench measure --name)."
        )
    rows: dict[tuple[str, str, str], list[Figure | None]] = {}
    for index, sheet in enumerate(sheets):
        for figure in sheet.figures:
            row = rows.setdefault((figure.key, figure.unit, _condition(figure)), [None] * len(sheets))
            row[index] = _worse(row[index], figure)
    order = list(LABELS)
    keys = sorted(rows, key=lambda row: order.index(row[0]) if row[0] in LABELS else len(order))
    return tuple(
        ComparedFigure(key, LABELS.get(key, key), unit, at, tuple(rows[key, unit, at]))
        for key, unit, at in keys
    )


def comparison_drawings(
    sheets: tuple[DataSheet, ...], palette: Palette = PAPER, *, width: float = 760
) -> dict[str, str]:
    """Return drawings of the recorders' curves, SVG by key."""
    drawings = {}
    for key, title, x_label, y_label, logarithmic in DRAWN:
        plotted = []
        for sheet in sheets:
            curves = [curve for curve in sheet.curves if curve.key == key]
            # The first channel and condition stand for the recorder; alone on the page, it shows all it has.
            for curve in curves if len(sheets) == 1 else curves[:1]:
                channel = f"channel {curve.channel}" if curve.channel else ""
                name = " ".join(w for w in (channel, curve.at) if w) if len(sheets) == 1 else sheet.name
                plotted.append(PlottedCurve(name, curve.x, curve.y))
        if plotted:
            drawings[key] = curve_drawing(
                plotted,
                title=title,
                x_label=x_label,
                y_label=y_label,
                palette=palette,
                logarithmic=logarithmic,
                width=width,
            )
    return drawings


def _condition(figure: Figure) -> str:
    """Return the part of a figure's condition that makes it a figure of its own: a gain setting, a terminator, a level played."""
    return figure.at if figure.key.startswith(("gain_", "noise", "ein")) else ""


def _worse(one: Figure | None, other: Figure) -> Figure:
    if one is None or one.value is None:
        return other
    if other.value is None:
        return one
    if other.better == "higher" or other.key == "maximum_input":
        return min(one, other, key=lambda f: f.value if f.value is not None else math.inf)
    if other.better == "lower" or other.key.startswith(("noise", "ein")):
        return max(one, other, key=lambda f: f.value if f.value is not None else -math.inf)
    return max(one, other, key=lambda f: abs(f.value) if f.value is not None else 0.0)
