"""How does a folder get its next manifest?

Each call adds one generation to the folder's history, and to the nested histories that speak for some of
the files, and enters it in the chain. Written to the ASC MHL v2 schema: element order, names, paths
relative with "/". A folder's own hashes are written only where every file below it was hashed for this
generation, so that they never rest on a digest nobody made today.
"""

import os
import re
import socket
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from lxml import etree

import takewell
from takewell.errors import DestinationError, FileError, SettingError
from takewell.files import atomic_path, destination_error, make_folder, write_bytes
from takewell.manifest.directory_hash import DirectoryHash, directory_hashes
from takewell.manifest.hashing import DEFAULT_FORMATS, HASH_FORMATS, check_formats, hash_file, same_digests
from takewell.manifest.ignore import HISTORY_FOLDER, PATTERNS, IgnoreRule
from takewell.manifest.reading import (
    CHAIN_FILE,
    CHAIN_NAMESPACE,
    GENERATION_NAME,
    MANIFEST_NAMESPACE,
    read_history,
    read_manifest,
)
from takewell.manifest.tree import FolderContents, folder_contents
from takewell.manifest.values import Action, HashedFile, History, Process, Reference

_LONGEST_NAME_BYTES = 255  # of one path component on the file systems in use (NAME_MAX)
_NOT_WRITABLE = re.compile("[^\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""XML 1.0, production Char, without tabs and line ends: an indenting writer would bend those."""


def can_be_recorded(path: str) -> bool:
    """Return whether a manifest can hold the name: no control characters, no broken Unicode."""
    return not _NOT_WRITABLE.search(path)


def write_generation(
    folder: str | os.PathLike[str],
    entries: Iterable[HashedFile],
    *,
    process: Process = "transfer",
    author: str | None = None,
    comment: str | None = None,
    ignore: Iterable[str] = (),
) -> Path:
    """Add one generation to the manifest history of `folder` and return the manifest's path.

    Parameters
    ----------
    folder : path
        The folder the manifest belongs to.
    entries : iterable of HashedFile
        The files hashed now, each path once. A file the history knows is marked ``verified`` or ``failed``, a
        new one ``original``.
    process : {"transfer", "in-place"}
        Whether the files were hashed while they were copied here, or where they lay.
    author, comment : str, optional
        Go into the manifest as they are.
    ignore : iterable of str
        Patterns to leave out besides `PATTERNS` and those of the latest generation.

    Raises
    ------
    SettingError
        If there is nothing to record, a path is no relative path, stands twice or cannot be
        written in XML, or a file is known only in formats in which it was not hashed now.
    FileError
        If the existing history is damaged.
    DestinationError
        If the manifest cannot be written.
    """
    root = Path(folder)
    files = _checked(entries)
    history = read_history(root)
    patterns = tuple(dict.fromkeys([*history.ignore, *PATTERNS, *ignore]))
    contents = folder_contents(root, IgnoreRule(patterns))
    folders = _whole_folders(files, contents)
    created = datetime.now(UTC)
    written: dict[str, Reference] = {}
    manifest: Path | None = None
    for place, owner in history.histories():
        own_files = [file for path, file in files.items() if history.owner(path)[0] == place]
        own_folders = {path: h for path, h in folders.items() if history.owner(path)[0] == place}
        below = {path: reference for path, reference in written.items() if _is_below(path, place)}
        if place and not own_files:
            continue
        head = _head(created, process, author, comment, folders.get(place or "."), patterns)
        body = _body(own_files, own_folders, owner, place)
        chain = _chain_of(owner)
        manifest = _manifest_path(owner.folder, len(chain) + 1, created)
        _write(manifest, head, body, [_relative(r, place) for r in below.values()])
        c4 = hash_file(manifest, ["c4"])["c4"]
        _write_chain(manifest.parent, [*chain, (manifest.name, c4)])
        written = {path: r for path, r in written.items() if path not in below}
        written[place] = Reference("/".join(filter(None, [place, HISTORY_FOLDER, manifest.name])), c4)
    assert manifest is not None  # the folder's own history comes last and is always written
    return manifest


def seal_folder(
    folder: str | os.PathLike[str],
    formats: Iterable[str] = DEFAULT_FORMATS,
    *,
    author: str | None = None,
    comment: str | None = None,
    ignore: Iterable[str] = (),
    progress: Callable[[int], None] | None = None,
) -> Path:
    """Hash every file below `folder` where it lies, add the generation, and return the manifest's path.

    Parameters
    ----------
    formats : iterable of str
        From `HASH_FORMATS`; a file its history knows otherwise is hashed that way, too.
    author, comment, ignore
        As `write_generation`.
    progress : callable, optional
        Called with the number of bytes of each block hashed.

    Raises
    ------
    SettingError, FileError, DestinationError
        As `write_generation`; FileError also where a file cannot be read.
    """
    root = Path(folder)
    wanted = check_formats(formats)
    history = read_history(root)
    contents = folder_contents(root, IgnoreRule([*history.ignore, *PATTERNS, *ignore]))
    entries = []
    for path in contents.files:
        known = history.first(path)
        try:
            stat = (root / path).stat()
            digests = hash_file(
                root / path, formats_for(wanted, known.hashes if known else {}), progress=progress
            )
        except OSError as error:
            raise FileError(
                f"{root / path} cannot be read ({error.strerror or error}), so the folder cannot be sealed."
            ) from error
        modified = datetime.fromtimestamp(stat.st_mtime, UTC)
        entries.append(HashedFile(path, stat.st_size, modified, digests, datetime.now(UTC)))
    return write_generation(root, entries, process="in-place", author=author, comment=comment, ignore=ignore)


def formats_for(wanted: Sequence[str], known: Mapping[str, str]) -> tuple[str, ...]:
    """Return the formats to hash a file in: the wanted ones, plus one the history can be held against.

    Parameters
    ----------
    wanted : sequence of str
        The formats asked for.
    known : mapping of str to str
        The digests on record.
    """
    if not known or set(wanted) & set(known):
        return tuple(wanted)
    fastest = next(name for name in ("xxh128", "xxh3", "xxh64", "sha1", "md5", "c4") if name in known)
    return check_formats([*wanted, fastest])


def _checked(entries: Iterable[HashedFile]) -> dict[str, HashedFile]:
    files: dict[str, HashedFile] = {}
    for entry in entries:
        pure = PurePosixPath(entry.path)
        if pure.is_absolute() or ".." in pure.parts or str(pure) != entry.path or entry.path == ".":
            raise SettingError(f"{entry.path!r} is no plain path inside the folder of the manifest.")
        if not can_be_recorded(entry.path):
            raise SettingError(f"{entry.path!r} holds characters a manifest cannot hold; rename the file.")
        if entry.path in files:
            raise SettingError(f"{entry.path} stands twice among the files to record.")
        check_formats(entry.hashes)
        files[entry.path] = entry
    if not files:
        raise SettingError("there is no file to record in a manifest.")
    return files


def _whole_folders(
    files: Mapping[str, HashedFile], contents: FolderContents
) -> dict[str, dict[str, DirectoryHash]]:
    """Return folder -> format -> hashes for every folder whose files were all hashed."""
    formats = [name for name in HASH_FORMATS if all(name in file.hashes for file in files.values())]
    partly = {"."} if set(contents.files) - files.keys() else set()
    for path in set(contents.files) - files.keys():
        partly |= {str(parent) for parent in PurePosixPath(path).parents}
    found: dict[str, dict[str, DirectoryHash]] = {}
    folders = [folder for folder in contents.folders if can_be_recorded(folder)]
    for name in formats:
        digests = {path: file.hashes[name] for path, file in files.items()}
        for folder, hashes in directory_hashes(digests, name, folders).items():
            if folder not in partly:
                found.setdefault(folder, {})[name] = hashes
    return found


def _is_below(path: str, place: str) -> bool:
    return path.startswith(f"{place}/") if place else True


def _relative(reference: Reference, place: str) -> Reference:
    return Reference(reference.path[len(place) + 1 :] if place else reference.path, reference.c4)


def _manifest_path(folder: Path, number: int, created: datetime) -> Path:
    name = folder.resolve().name or "root"
    if not can_be_recorded(name):
        name = "roll"
    ending = f"_{created:%Y-%m-%d_%H%M%SZ}.mhl"
    room = _LONGEST_NAME_BYTES - len(f"{number:04d}_{ending}")
    short = name.encode()[:room].decode(errors="ignore")
    return folder / HISTORY_FOLDER / f"{number:04d}_{short}{ending}"


def _chain_of(history: History) -> list[tuple[str, str]]:
    """Return the chain, with a manifest that was written whole but never entered because the writer was stopped."""
    folder = history.folder / HISTORY_FOLDER
    chain = [(generation.file_name, generation.c4) for generation in history.generations]
    if not folder.is_dir():
        return chain
    for path in sorted(folder.glob(f"{len(chain) + 1:04d}_*.mhl")):
        if GENERATION_NAME.fullmatch(path.name):
            c4 = hash_file(path, ["c4"])["c4"]
            read_manifest(path, number=len(chain) + 1, c4=c4)
            return [*chain, (path.name, c4)]
    return chain


def _head(
    created: datetime,
    process: Process,
    author: str | None,
    comment: str | None,
    root: Mapping[str, DirectoryHash] | None,
    patterns: Iterable[str],
) -> Iterator[Any]:
    creator = etree.Element("creatorinfo")
    _add(creator, "creationdate", _date(created))
    _add(creator, "hostname", _plain(socket.gethostname()))
    _add(creator, "tool", "takewell").set("version", takewell.__version__)
    if author:
        _add(creator, "author", _plain(author))
    if comment:
        _add(creator, "comment", _plain(comment))
    yield creator
    info = etree.Element("processinfo")
    _add(info, "process", process)
    if root:
        _add_folder_hashes(etree.SubElement(info, "roothash"), root)
    ignore = etree.SubElement(info, "ignore")
    for pattern in patterns:
        _add(ignore, "pattern", pattern)
    yield info


def _body(
    files: Iterable[HashedFile],
    folders: Mapping[str, Mapping[str, DirectoryHash]],
    history: History,
    place: str,
) -> Iterator[Any]:
    cut = len(place) + 1 if place else 0
    elements: dict[str, HashedFile | Mapping[str, DirectoryHash]] = {f.path[cut:]: f for f in files}
    elements |= {path[cut:]: hashes for path, hashes in folders.items() if path != "."}
    for path in sorted(elements):
        found = elements[path]
        if isinstance(found, HashedFile):
            yield _file_element(path, found, history)
        else:
            element = etree.Element("directoryhash")
            _add(element, "path", path)
            _add_folder_hashes(element, found)
            yield element


def _file_element(path: str, file: HashedFile, history: History) -> Any:
    element = etree.Element("hash")
    named = _add(element, "path", path)
    named.set("size", str(file.size_bytes))
    named.set("lastmodificationdate", _date(file.modified))
    for name in HASH_FORMATS:
        if name in file.hashes:
            digest = _add(element, name, file.hashes[name])
            digest.set("action", _action(path, name, file, history))
            digest.set("hashdate", _date(file.hashed))
    return element


def _action(path: str, hash_format: str, file: HashedFile, history: History) -> Action:
    known = history.own_files.get(path)
    if known is None or not known.hashes:
        return "original"
    same = same_digests(file.hashes, known.hashes)
    if same is None:
        raise SettingError(
            f"{path} is on record as {', '.join(known.hashes)} but was hashed as {', '.join(file.hashes)}; hash it in a format on record, too."
        )
    if hash_format in known.hashes:
        same = same_digests({hash_format: file.hashes[hash_format]}, known.hashes)
    return "verified" if same else "failed"


def _write(path: Path, head: Iterable[Any], body: Iterable[Any], references: Sequence[Reference]) -> None:
    make_folder(path.parent)
    with atomic_path(path, replace=False) as temporary:
        try:
            with temporary.open("wb") as handle:
                handle.write(b'<?xml version="1.0" encoding="UTF-8"?>\n')
                handle.write(f'<hashlist version="2.0" xmlns="{MANIFEST_NAMESPACE}">\n'.encode())
                for element in head:
                    handle.write(_lines(element, 1))
                first = True
                for element in body:
                    handle.write(b"  <hashes>\n" if first else b"")
                    handle.write(_lines(element, 2))
                    first = False
                handle.write(b"" if first else b"  </hashes>\n")
                if references:
                    handle.write(_lines(_references(references), 1))
                handle.write(b"</hashlist>\n")
        except DestinationError:
            raise
        except OSError as error:
            raise destination_error(path, error) from error


def _references(references: Iterable[Reference]) -> Any:
    element = etree.Element("references")
    for reference in references:
        entry = etree.SubElement(element, "hashlistreference")
        _add(entry, "path", reference.path)
        _add(entry, "c4", reference.c4)
    return element


def _write_chain(folder: Path, chain: Iterable[tuple[str, str]]) -> None:
    lines = [
        b'<?xml version="1.0" encoding="UTF-8"?>\n',
        f'<ascmhldirectory xmlns="{CHAIN_NAMESPACE}">\n'.encode(),
    ]
    for number, (name, c4) in enumerate(chain, 1):
        entry = etree.Element("hashlist", sequencenr=str(number))
        _add(entry, "path", name)
        _add(entry, "c4", c4)
        lines.append(_lines(entry, 1))
    write_bytes(folder / CHAIN_FILE, b"".join([*lines, b"</ascmhldirectory>\n"]))


def _add(parent: Any, name: str, text: str) -> Any:
    element = etree.SubElement(parent, name)
    element.text = text
    return element


def _add_folder_hashes(element: Any, hashes: Mapping[str, DirectoryHash]) -> None:
    for kind in ("content", "structure"):
        holder = etree.SubElement(element, kind)
        for name in HASH_FORMATS:
            if name in hashes:
                _add(holder, name, getattr(hashes[name], kind))


def _lines(element: Any, depth: int) -> bytes:
    etree.indent(element, space="  ", level=depth)
    text: bytes = etree.tostring(element, encoding="UTF-8", xml_declaration=False)
    return b"  " * depth + text + b"\n"


def _date(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")


def _plain(text: str) -> str:
    return _NOT_WRITABLE.sub("�", text)
