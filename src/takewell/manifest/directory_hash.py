"""What are the hashes of a folder, made from those of what lies in it?

The content hash changes with the bytes of any file, the structure hash also with any name. Both are
"hashes of hashes": the children's digests are sorted as text, their raw bytes joined, and that is hashed
(ASC MHL specification, section on directory hashes). A child of the structure hash is the hash of its UTF-8 name followed by the
raw bytes of the file's digest, or of the folder's structure digest.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from takewell.manifest.hashing import hash_bytes, raw_digest


@dataclass(frozen=True)
class DirectoryHash:
    """The two digests of one folder in one format."""

    content: str
    structure: str


def directory_hashes(
    files: Mapping[str, str], hash_format: str, folders: Iterable[str] = ()
) -> dict[str, DirectoryHash]:
    """Return path -> hashes of every folder, the root as ``"."``.

    Parameters
    ----------
    files : mapping of str to str
        Digest of every file under the root, by relative path with "/".
    hash_format : str
        Their one format.
    folders : iterable of str
        Folders that must appear even if they hold no file.

    Examples
    --------
    An empty folder has the hash of no bytes.

    >>> directory_hashes({}, "xxh64")["."].content
    'ef46db3751d8e999'
    """
    content: dict[str, list[str]] = {".": []}
    structure: dict[str, list[str]] = {".": []}
    for path in [*folders, *(_parent(file) for file in files)]:
        for place in [PurePosixPath(path), *PurePosixPath(path).parents]:
            content.setdefault(str(place), [])
            structure.setdefault(str(place), [])
    for path, digest in files.items():
        parent = _parent(path)
        content[parent].append(digest)
        structure[parent].append(_named(path, digest, hash_format))
    found: dict[str, DirectoryHash] = {}
    # Deepest first, so that a folder is complete before its parent asks for it.
    for folder in sorted(content, key=lambda path: -len(PurePosixPath(path).parts)):
        found[folder] = DirectoryHash(
            _hash_of_hashes(content[folder], hash_format), _hash_of_hashes(structure[folder], hash_format)
        )
        if folder != ".":
            parent = _parent(folder)
            content[parent].append(found[folder].content)
            structure[parent].append(_named(folder, found[folder].structure, hash_format))
    return found


def _parent(path: str) -> str:
    return str(PurePosixPath(path).parent)


def _named(path: str, digest: str, hash_format: str) -> str:
    return hash_bytes(PurePosixPath(path).name.encode() + raw_digest(digest, hash_format), hash_format)


def _hash_of_hashes(digests: Iterable[str], hash_format: str) -> str:
    return hash_bytes(b"".join(raw_digest(d, hash_format) for d in sorted(digests)), hash_format)
