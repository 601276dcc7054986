"""What are the hashes of some bytes, under the names ASC MHL gives them?

Conventions: a digest is text, lower-case hexadecimal in big-endian (canonical) order with seed 0, or a C4
identifier. ``xxh3`` is the 64-bit XXH3, ``xxh128`` the 128-bit one. Sources: the xxHash specification, RFC 1321 (MD5),
FIPS 180-4 (SHA), the ASC MHL v2 schema (names and their order).
"""

import hashlib
import os
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import xxhash

from takewell.errors import SettingError
from takewell.manifest.c4 import c4_from_sha512, sha512_from_c4
from takewell.manifest.read_back import read_blocks

HASH_FORMATS = ("c4", "md5", "sha1", "xxh128", "xxh3", "xxh64")
"""Every format of ASC MHL, in the order its schema asks for."""

DEFAULT_FORMATS = ("xxh128",)

_MAKERS: dict[str, Callable[[], Any]] = {
    "c4": hashlib.sha512,
    "md5": lambda: hashlib.md5(usedforsecurity=False),
    "sha1": lambda: hashlib.sha1(usedforsecurity=False),
    "xxh128": xxhash.xxh3_128,
    "xxh3": xxhash.xxh3_64,
    "xxh64": xxhash.xxh64,
}


def check_formats(formats: Iterable[str]) -> tuple[str, ...]:
    """Return `formats` once each, in the schema's order.

    Raises
    ------
    SettingError
        If there is none, or one is not a format of ASC MHL.
    """
    wanted = set(formats)
    unknown = sorted(wanted - set(HASH_FORMATS))
    if unknown or not wanted:
        named = f"hash {unknown[0]!r} is unknown" if unknown else "no hash was named"
        raise SettingError(f"{named}; choose from {', '.join(HASH_FORMATS)}.")
    return tuple(name for name in HASH_FORMATS if name in wanted)


class Hasher:
    """Hashes a run of bytes in several formats at once; feed it in any pieces.

    Parameters
    ----------
    formats : iterable of str
        From `HASH_FORMATS`.

    Raises
    ------
    SettingError
        As `check_formats`.

    Examples
    --------
    >>> hasher = Hasher(["md5"])
    >>> hasher.update(b"ab")
    >>> hasher.update(b"c")
    >>> hasher.hexdigests()
    {'md5': '900150983cd24fb0d6963f7d28e17f72'}
    """

    def __init__(self, formats: Iterable[str] = DEFAULT_FORMATS) -> None:
        self.formats = check_formats(formats)
        self._states = {name: _MAKERS[name]() for name in self.formats}

    def update(self, data: bytes | memoryview) -> None:
        """Take the next bytes in; the interpreter is free for other threads meanwhile."""
        for state in self._states.values():
            state.update(data)

    def hexdigests(self) -> dict[str, str]:
        """Return format -> digest of everything so far; more bytes may follow."""
        return {
            name: c4_from_sha512(state.digest()) if name == "c4" else state.hexdigest()
            for name, state in self._states.items()
        }


def hash_bytes(data: bytes, hash_format: str) -> str:
    """Return the digest of `data` in one format."""
    hasher = Hasher([hash_format])
    hasher.update(data)
    return hasher.hexdigests()[hash_format]


def hash_file(
    path: str | os.PathLike[str],
    formats: Iterable[str] = DEFAULT_FORMATS,
    *,
    progress: Callable[[int], None] | None = None,
) -> dict[str, str]:
    """Return format -> digest of a file, read from its medium rather than from memory where that is possible.

    Parameters
    ----------
    path : path
        The file.
    formats : iterable of str
        From `HASH_FORMATS`.
    progress : callable, optional
        Called with the number of bytes of each block read.

    Raises
    ------
    SettingError
        As `check_formats`.
    OSError
        If the file cannot be read.
    """
    hasher = Hasher(formats)
    for block in read_blocks(path):
        hasher.update(block)
        if progress is not None:
            progress(len(block))
    return hasher.hexdigests()


def raw_digest(digest: str, hash_format: str) -> bytes:
    """Return the bytes a digest stands for.

    Raises
    ------
    ValueError
        If the text is no digest of that format.
    """
    return sha512_from_c4(digest) if hash_format == "c4" else bytes.fromhex(digest)


def same_digests(found: Mapping[str, str], recorded: Mapping[str, str]) -> bool | None:
    """Return whether two sets of digests agree in every format they share; None where they share none.

    Hexadecimal digests compare without regard to case; C4 identifiers by the letter.
    """
    shared = found.keys() & recorded.keys()
    if not shared:
        return None
    return all(
        found[name] == recorded[name] if name == "c4" else found[name].lower() == recorded[name].lower()
        for name in shared
    )
