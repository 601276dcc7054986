"""Does chunk follow chunk, from here to the end of the file?

Conventions: positions are those of chunk headers, in bytes from the start of the file. A name of four printable
characters and a size that fits make a chunk likely; a chain of them that ends exactly with the file makes it
certain enough: a mebibyte of random bytes has 3000 likely names, and each of their sizes hits the end with a
probability of 3 in 2^32, so random audio is mistaken twice in a million files. Common practice, no source.
"""

import re

from takewell.wave.byte_source import ByteSource

MOST_CHUNKS = 10_000
PRINTABLE = re.compile(rb"[ -~]{4}")
KNOWN = (
    b"bext", b"iXML", b"LIST", b"cue ", b"fact", b"fmt ", b"data", b"axml", b"chna", b"bxml", b"sxml", b"ds64",
    b"r64m", b"JUNK", b"junk", b"PAD ", b"FLLR", b"PEAK", b"levl", b"mext", b"qlty", b"link", b"ubxt", b"cart",
    b"plst", b"smpl", b"inst", b"id3 ", b"ID3 ",
)  # fmt: skip
"""Names of the standards (Tech 3285 and its supplements, BS.2088, AES46, the Multimedia Programming Interface)
and of common fillers."""

_KNOWN_TAIL_BYTES, _ANY_TAIL_BYTES = 8 << 20, 1 << 20
"""How far before the end chunks behind unfinished audio are looked for: known names, and any likely name."""
_KNOWN_NAME = re.compile(b"|".join(re.escape(name) for name in KNOWN))
_ANY_NAME = re.compile(rb"(?=[A-Za-z][A-Za-z0-9_]{2}[A-Za-z0-9_ ])")


def is_chunk(source: ByteSource, position: int) -> bool:
    """Return whether a printable name and a size that fits into the file stand at `position`."""
    head = source.read(position, 8)
    return (
        len(head) == 8
        and PRINTABLE.fullmatch(head[:4]) is not None
        and position + 8 + int.from_bytes(head[4:], "little") <= source.size + 1
    )


def likeness(source: ByteSource, position: int) -> int:
    """Return how much `position` looks like a chunk's header, 0 to 3: by name, and by a size that fits."""
    return 2 * (source.read(position, 4) in KNOWN) + is_chunk(source, position)


def ends_well(source: ByteSource, position: int) -> bool:
    """Return whether at least one chunk follows, and chunks run exactly to the end of the file."""
    return source.size - position >= 8 and _runs_to_the_end(source, position, {})


def trailing_chunks(source: ByteSource, offset: int) -> int:
    """Return where the chunks behind unfinished audio start, which begins at `offset`.

    That is the first place near the end from which chunks run exactly to the end; the end itself where there is
    none.
    """
    start = max(offset, source.size - _KNOWN_TAIL_BYTES)
    tail = source.read(start, source.size - start)
    near = max(0, len(tail) - _ANY_TAIL_BYTES)
    judged: dict[int, bool] = {}
    for pattern, reach in ((_KNOWN_NAME, 0), (_ANY_NAME, near)):
        for match in pattern.finditer(tail, reach):
            place = match.start()
            size = int.from_bytes(tail[place + 4 : place + 8], "little")
            if place + 8 + size <= len(tail) + 1 and _runs_to_the_end(source, start + place, judged):
                break
    found = [position for position, good in judged.items() if good]
    return min(found, default=source.size)


def _runs_to_the_end(source: ByteSource, position: int, judged: dict[int, bool]) -> bool:
    """Whether chunk follows chunk from `position` on until exactly the end; what is seen is kept in `judged`."""
    passed: list[int] = []
    while position not in judged:
        if abs(source.size - position) <= 1:
            judged[position] = True
        elif not is_chunk(source, position) or len(passed) > MOST_CHUNKS:
            judged[position] = False
        else:
            passed.append(position)
            size = int.from_bytes(source.read(position + 4, 4), "little")
            position += 8 + size + size % 2
    judged.update(dict.fromkeys(passed, judged[position]))
    return judged[position]
