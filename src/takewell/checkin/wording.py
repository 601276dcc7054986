"""How are amounts and names put into a sentence?"""

import os

_STEPS = ("bytes", "kB", "MB", "GB", "TB")


def amount(size_bytes: int) -> str:
    """Return a number of bytes for a person, in powers of ten as disks are sold.

    >>> amount(999), amount(4_300_000_000)
    ('999 bytes', '4.3 GB')
    """
    size, step = float(size_bytes), 0
    # 999.95 would round to four digits, so the next unit begins there.
    while size >= 999.95 and step + 1 < len(_STEPS):
        size, step = size / 1000, step + 1
    return f"{size_bytes} byte{'' if size_bytes == 1 else 's'}" if step == 0 else f"{size:.1f} {_STEPS[step]}"


def count_of(number: int, noun: str) -> str:
    """Return "1 file", "2 files"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def shown(path: str | os.PathLike[str]) -> str:
    r"""Return a path that can be printed: bytes that are no text become ``\xNN``, control characters ``\n`` and the like."""
    text = os.fsencode(path).decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
