"""How does a finding say a time, a level or a count to a tired person?

Conventions: times are read from the take's first sample, as m:ss or h:mm:ss; a true minus sign stands before
negative levels; one decimal for levels, none for counts.
"""

import math


def clock(seconds: float) -> str:
    """Return a time of the take, ``0:51`` or ``1:02:07``.

    Examples
    --------
    >>> clock(51.2), clock(3727)
    ('0:51', '1:02:07')
    """
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, second = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{second:02d}" if hours else f"{minutes}:{second:02d}"


def when(start_s: float, end_s: float) -> str:
    """Return where a stretch lies: ``at 0:51`` within one second, else ``between 0:51 and 1:20``."""
    start, end = clock(start_s), clock(end_s)
    return f"at {start}" if start == end else f"between {start} and {end}"


def level(value_db: float, digits: int = 1) -> str:
    """Return a level with a true minus sign, ``−8.1``; ``no signal`` where there is none.

    Examples
    --------
    >>> level(-8.13), level(0.04), level(float("-inf"))
    ('−8.1', '0.0', 'no signal')
    """
    if not math.isfinite(value_db):
        return "no signal"
    text = f"{value_db:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")


def signed(value_db: float, digits: int = 1) -> str:
    """Return a level or gain with its sign, ``+8.1``."""
    text = level(value_db, digits)
    return text if text.startswith(("−", "n")) else f"+{text}"


def count(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun, ``1 place``, ``14 places``, thousands grouped."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def duration(seconds: float) -> str:
    """Return a length a person can picture: ``3 ms``, ``1.2 s``, ``4:05 min``."""
    if seconds < 1:
        return f"{seconds * 1000:.3g} ms"
    return f"{seconds:.1f} s" if seconds < 60 else f"{clock(seconds)} min"
