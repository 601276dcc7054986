"""What do the curves of a profile look like: polar plot, cold, the most an input takes, what the bench found?"""

from takewell.draw import Palette
from takewell.draw.curves import PlottedCurve, curve_drawing
from takewell.kit.values import Profile

AXES = {
    "off_axis": ("Off axis", "degrees", "dB", False),
    "max_input": ("Highest input", "gain, dB", "dBu", False),
    "cold": ("In the cold", "°C", "% of the energy at 20 °C", False),
    "frequency_response": ("Frequency response", "Hz", "dB re 997 Hz", True),
    "thd_n_by_level": ("THD+N against level", "dBFS", "dB", False),
    "gain_error": ("Gain error", "dB set", "dB", False),
}
"""Fields of pairs that are drawn: title, x and y axis, whether x is logarithmic."""


def profile_drawings(profile: Profile, palette: Palette, *, width: float = 520) -> dict[str, str]:
    """Return a profile's curves as SVG, by field; those with one point are left to the figures."""
    drawings = {}
    for field, (title, x_label, y_label, logarithmic) in AXES.items():
        points = getattr(profile, field, None)
        if not points or len(points) < 2:
            continue
        origin = "measured" if field in profile.measured else "data sheet"
        curve = PlottedCurve(origin, *zip(*points, strict=True))
        drawings[field] = curve_drawing(
            [curve],
            title=title,
            x_label=x_label,
            y_label=y_label,
            palette=palette,
            logarithmic=logarithmic,
            width=width,
            height=240,
        )
    return drawings
