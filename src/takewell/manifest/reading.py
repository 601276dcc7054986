"""What does the ASC MHL history of a folder say?

Reads ``ascmhl/ascmhl_chain.xml`` and every manifest it names, holds each against its C4 identifier, and
finds the histories nested below. XML is read with entities, document types and the network off.
"""

import os
import re
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any, cast

from lxml import etree

from takewell.errors import FileError
from takewell.manifest.directory_hash import DirectoryHash
from takewell.manifest.hashing import HASH_FORMATS, hash_file, raw_digest
from takewell.manifest.ignore import HISTORY_FOLDER
from takewell.manifest.values import Action, Generation, History, RecordedFile, RecordedHash, Reference

MANIFEST_NAMESPACE = "urn:ASC:MHL:v2.0"
CHAIN_NAMESPACE = "urn:ASC:MHL:DIRECTORY:v2.0"
CHAIN_FILE = "ascmhl_chain.xml"
GENERATION_NAME = re.compile(r"(\d{4,})_.*\.mhl", re.DOTALL)
"""``NNNN_<folder>_YYYY-MM-DD_HHMMSSZ.mhl``; older writers leave the date out or the Z."""


def read_history(folder: str | os.PathLike[str]) -> History:
    """Return the manifest history of a folder; without generations where it has none.

    Raises
    ------
    FileError
        If the chain or a manifest is missing, changed since it was written, or not what it should be.
    """
    root = Path(folder)
    nested = {
        path.relative_to(root).as_posix(): read_history(path) for path in _nested_folders(root, top=True)
    }
    history = root / HISTORY_FOLDER
    if not history.is_dir():
        return History(root, (), nested)
    chain = read_chain(history / CHAIN_FILE)
    generations = []
    for number, (name, c4) in enumerate(chain, 1):
        path = history / name
        try:
            found = hash_file(path, ["c4"])["c4"]
        except OSError as error:
            raise FileError(
                f"{path} is named in the manifest chain but cannot be read ({error.strerror or error}); bring it back from another copy."
            ) from error
        if found != c4:
            raise FileError(
                f"{path} was changed after it was written: the chain beside it expects {c4[:12]}…, found {found[:12]}…; bring it back from another copy."
            )
        generations.append(read_manifest(path, number=number, c4=c4))
    return History(root, tuple(generations), nested)


def read_chain(path: Path) -> list[tuple[str, str]]:
    """Return (manifest file name, C4 identifier) of every generation, oldest first.

    Raises
    ------
    FileError
        If the file is missing or not a chain with the numbers 1, 2, 3, …
    """
    found: list[tuple[str, str]] = []
    for element in _elements(path, CHAIN_NAMESPACE, "ascmhldirectory", {"hashlist"}):
        number, name, c4 = element.get("sequencenr"), _text(element, "path"), _text(element, "c4")
        if number != str(len(found) + 1) or not name or "/" in name or not c4:
            raise FileError(
                f"{path} is no whole manifest chain: entry {len(found) + 1} is missing or out of order; bring it back from another copy."
            )
        found.append((name, c4))
    return found


def read_manifest(path: Path, *, number: int, c4: str) -> Generation:
    """Return one manifest.

    Raises
    ------
    FileError
        If it cannot be read, is not an ASC MHL v2 manifest, or names a path outside its folder.
    """
    created, process = "", ""
    ignore: tuple[str, ...] = ()
    files: list[RecordedFile] = []
    folders: dict[str, dict[str, DirectoryHash]] = {}
    references: list[Reference] = []
    wanted = {"creatorinfo", "processinfo", "hash", "directoryhash", "hashlistreference"}
    for element in _elements(path, MANIFEST_NAMESPACE, "hashlist", wanted):
        kind = etree.QName(element).localname
        if kind == "creatorinfo":
            created = _text(element, "creationdate")
        elif kind == "processinfo":
            process = _text(element, "process")
            root = element.find(_tag("roothash"))
            if root is not None:
                folders["."] = _folder_hashes(root)
            ignore = tuple(p.text for p in element.iterfind(f"{_tag('ignore')}/{_tag('pattern')}") if p.text)
        elif kind == "hash":
            files.append(_file(element, path))
        elif kind == "directoryhash":
            folders[_path(element, path)] = _folder_hashes(element)
        else:
            references.append(Reference(_path(element, path), _text(element, "c4")))
    return Generation(
        number, path.name, c4, created, process, tuple(files), folders, ignore, tuple(references)
    )


def _nested_folders(root: Path, *, top: bool) -> Iterator[Path]:
    try:
        folders = sorted(
            Path(entry.path) for entry in os.scandir(root) if entry.is_dir(follow_symlinks=False)
        )
    except OSError:
        # Whoever lists the folder's files meets the same trouble and says so.
        return
    if not top and root / HISTORY_FOLDER in folders:
        yield root
        return
    for folder in folders:
        if folder.name != HISTORY_FOLDER:
            yield from _nested_folders(folder, top=False)


def _elements(path: Path, namespace: str, root: str, wanted: set[str]) -> Iterator[Any]:
    """Yield the finished elements of the `wanted` kinds and forget each afterwards, so memory stays bounded."""
    try:
        with path.open("rb") as handle:
            context = etree.iterparse(
                handle, events=("start", "end"), resolve_entities=False, no_network=True, load_dtd=False
            )
            first = True
            inside: Any = None
            tags = {f"{{{namespace}}}{name}" for name in wanted}
            for event, element in context:
                if first:
                    first = False
                    if element.tag != f"{{{namespace}}}{root}":
                        raise FileError(
                            f"{path} is not an ASC MHL version 2 file; its first element is {element.tag}."
                        )
                    if element.getroottree().docinfo.doctype:
                        raise FileError(
                            f"{path} declares a document type, which a manifest must not; take it from another copy."
                        )
                if event == "start" and inside is None and element.tag in tags:
                    inside = element
                elif event == "end" and element is inside:
                    yield element
                    inside = None
                    element.clear()
    except OSError as error:
        raise FileError(f"{path} cannot be read: {error.strerror or error}.") from error
    except etree.XMLSyntaxError as error:
        raise FileError(f"{path} is damaged: {error.msg}; bring it back from another copy.") from error


def _tag(name: str) -> str:
    return f"{{{MANIFEST_NAMESPACE}}}{name}"


def _text(element: Any, name: str) -> str:
    return element.findtext(f"{{{etree.QName(element).namespace}}}{name}") or ""


def _path(element: Any, manifest: Path) -> str:
    path = _text(element, "path")
    pure = PurePosixPath(path)
    if not path or pure.is_absolute() or ".." in pure.parts:
        raise FileError(f"{manifest} names {path!r}, which is no path inside its folder.")
    return str(pure)


def _file(element: Any, manifest: Path) -> RecordedFile:
    path = _path(element, manifest)
    size = element.find(_tag("path")).get("size")
    if size is not None and not size.isdecimal():
        raise FileError(f"{manifest} gives {path} the size {size!r}, which is no number of bytes.")
    hashes = {}
    for name in HASH_FORMATS:
        found = element.find(_tag(name))
        if found is not None:
            action = found.get("action")
            known = action if action in ("original", "verified", "failed") else None
            hashes[name] = RecordedHash(_digest(found, name, manifest), cast(Action | None, known))
    return RecordedFile(
        path, None if size is None else int(size), hashes, element.findtext(_tag("previousPath")) or None
    )


def _folder_hashes(element: Any) -> dict[str, DirectoryHash]:
    found = {}
    for name in HASH_FORMATS:
        content = element.findtext(f"{_tag('content')}/{_tag(name)}")
        structure = element.findtext(f"{_tag('structure')}/{_tag(name)}")
        if content and structure:
            found[name] = DirectoryHash(content, structure)
    return found


def _digest(element: Any, hash_format: str, manifest: Path) -> str:
    digest = (element.text or "").strip()
    try:
        raw_digest(digest, hash_format)
    except ValueError as error:
        raise FileError(f"{manifest} holds {digest!r}, which is no {hash_format} digest.") from error
    return digest
