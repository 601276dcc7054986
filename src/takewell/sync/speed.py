"""Is a drift a clock's own, or one of the ratios of the trade, and what will it do in plain words?

Conventions: ppm of the recording's clock against the clip's, positive when it runs fast. 1 ppm is 3.6 ms an hour.
"""

from fractions import Fraction

from takewell.sync.values import Speed

PULLED: dict[Speed, Fraction] = {
    "pulled up 0.1 %": Fraction(1001, 1000),
    "pulled down 0.1 %": Fraction(1000, 1001),
}
"""How fast a pulled recording's clock runs."""

CLOCKS_PPM = 150.0
"""Two ordinary crystals, cold and old, run no further apart; a pulled recording lies this near to its ratio."""

_SAFE_HOURS = 12.0


def pulled(drift_ppm: float, uncertainty_ppm: float) -> Speed | None:
    """Return the pull-up or pull-down that a drift is, None where it is none or cannot be told."""
    if uncertainty_ppm > 3 * CLOCKS_PPM:
        return None
    for name, ratio in PULLED.items():
        if abs((1 + drift_ppm * 1e-6) / float(ratio) - 1) * 1e6 <= CLOCKS_PPM:
            return name
    return None


def frame_out_after_s(drift_ppm: float, frame_rate: Fraction | float) -> float:
    """Return after how many seconds two clocks are one picture apart, infinite for clocks that agree.

    Examples
    --------
    One ppm at 25 pictures a second: after 11.1 hours.

    >>> round(frame_out_after_s(1.0, 25) / 3600, 3)
    11.111
    """
    return 1 / float(frame_rate) / (abs(drift_ppm) * 1e-6) if drift_ppm else float("inf")


def drift_sentence(drift_ppm: float, uncertainty_ppm: float, frame_rate: Fraction | None) -> str:
    """Return what a drift does, in plain words."""
    speed = pulled(drift_ppm, uncertainty_ppm)
    if speed is not None:
        way = "48 048 played at 48 000" if "up" in speed else "47 952 played at 48 000"
        return f"the recording is {speed} ({way}, or its like); it needs the same pull as the picture, or a corrected copy."
    rate = float(frame_rate or 25)
    if abs(drift_ppm) <= uncertainty_ppm:
        worst = frame_out_after_s(abs(drift_ppm) + uncertainty_ppm, rate)
        return f"the clocks agree as far as can be told; a frame out after {duration(worst)} at the earliest."
    after = frame_out_after_s(drift_ppm, rate)
    if after > _SAFE_HOURS * 3600:
        return f"the clocks agree: a frame out only after {duration(after)}."
    way = "fast" if drift_ppm > 0 else "slow"
    return f"the recording's clock runs {way}: it will be one frame out after {duration(after)}."


def duration(seconds: float) -> str:
    """Return a length of time in words: 40 seconds, 23 minutes, 11 hours."""
    for unit_s, word, limit in ((1.0, "second", 100), (60.0, "minute", 100), (3600.0, "hour", 100)):
        count = seconds / unit_s
        if count < limit:
            whole = max(1, round(count))
            return f"{whole} {word}{'' if whole == 1 else 's'}"
    return f"{round(seconds / 86400)} days" if seconds < 1e7 else "months"
