"""What is the C4 identifier of some bytes?

A SHA-512 digest written in base 58, left-padded with "1" to 88 places, behind the prefix "c4": 90
characters (C4 ID, SMPTE ST 2114). ASC MHL refers to manifests by it.
"""

import re

_ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
_PREFIX = "c4"
_PLACES = 88  # 58**88 is the first power of 58 above 2**512
_FORM = re.compile(f"{_PREFIX}[{_ALPHABET}]{{{_PLACES}}}")


def c4_from_sha512(digest: bytes) -> str:
    """Return the identifier of a raw SHA-512 digest of 64 bytes."""
    number = int.from_bytes(digest, "big")
    places = []
    for _ in range(_PLACES):
        number, place = divmod(number, len(_ALPHABET))
        places.append(_ALPHABET[place])
    return _PREFIX + "".join(reversed(places))


def sha512_from_c4(identifier: str) -> bytes:
    """Return the raw SHA-512 digest of an identifier.

    Raises
    ------
    ValueError
        If `identifier` is not one.
    """
    if not _FORM.fullmatch(identifier):
        raise ValueError(f"{identifier!r} is not a C4 identifier")
    number = 0
    for place in identifier[len(_PREFIX) :]:
        number = number * len(_ALPHABET) + _ALPHABET.index(place)
    return number.to_bytes(64, "big")
