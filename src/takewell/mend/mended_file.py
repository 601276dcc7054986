"""What stands beside a mended track, so that a person can read what was joined and a program can find it?

A JSON text file named like the track with ``.mended.json`` behind. A roll's mended tracks lie in
``takewell/mended``; the hand-over delivers from there what still belongs to the media it was made from.

Conventions: positions are samples of the take and of the file, which begins with the take's first sample.
"""

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from takewell import __version__, files
from takewell.mend.values import MendedFile, MendedTrack
from takewell.roll import Roll, derived_folder

FOLDER = "mended"
SUFFIX = ".mended.json"


def sidecar_of(target: Path) -> Path:
    """Return where the text file of a mended track lies."""
    return target.with_name(target.name + SUFFIX)


def write_sidecar(roll: Roll, mended: MendedTrack, target: Path) -> None:
    """Write the text file beside a mended track.

    Raises
    ------
    DestinationError
        If it cannot be written.
    """
    document = {
        "what": "mended track",
        "written_by": f"Takewell {__version__}",
        "take": mended.take,
        "track": mended.track.number,
        "name": mended.track.name,
        "sentence": mended.sentence,
        "twin_take": mended.twin_take,
        "twin_track": mended.twin.number,
        "sample_rate_hz": mended.rate,
        "length_samples": mended.length_samples,
        "encoding": mended.encoding,
        "sources": _sources(roll, mended),
        "joins": [_join(asdict(each), mended.rate) for each in mended.joins],
    }
    files.write_text(sidecar_of(target), json.dumps(document, indent=1, ensure_ascii=False) + "\n")


def mended_files(roll: Roll) -> tuple[MendedFile, ...]:
    """Return the mended tracks of a roll that still belong to its media, in order of name.

    One whose media were changed or taken away since, or whose take the roll has no more, is left out.
    """
    if not roll.keeps:
        return ()
    takes = {take.id for take in roll.takes}
    sizes = {file.path: file.size_bytes for take in roll.takes for file in take.files}
    found = []
    for sidecar in sorted(derived_folder(roll, None, FOLDER).glob(f"*{SUFFIX}")):
        target = sidecar.with_name(sidecar.name.removesuffix(SUFFIX))
        document = _read(sidecar)
        if document is None or document["take"] not in takes or not target.is_file():
            continue
        if all(sizes.get(source["file"]) == source["size_bytes"] for source in document["sources"]):
            found.append(_file(document, target))
    return tuple(found)


def mended_file(mended: MendedTrack, target: Path) -> MendedFile:
    """Return what is told of a mended track that was written."""
    seconds = sum(j.end_samples - j.start_samples for j in mended.joins) / mended.rate
    return MendedFile(
        mended.take,
        mended.track.number,
        mended.track.name,
        target,
        len(mended.joins),
        seconds,
        mended.sentence,
    )


def _sources(roll: Roll, mended: MendedTrack) -> list[dict[str, Any]]:
    paths: list[str] = [piece.file for track in (mended.track, mended.twin) for piece in track.pieces]
    sizes = {file.path: file.size_bytes for take in roll.takes for file in take.files}
    return [{"file": path, "size_bytes": sizes[path]} for path in dict.fromkeys(paths)]


def _join(values: dict[str, Any], rate: int) -> dict[str, Any]:
    return {
        "start_s": round(values["start_samples"] / rate, 9),
        "end_s": round(values["end_samples"] / rate, 9),
        **values,
    }


def _read(sidecar: Path) -> dict[str, Any] | None:
    try:
        document = json.loads(sidecar.read_text(encoding="utf-8"))
        wanted: Sequence[str] = ("take", "track", "name", "sentence", "sources", "joins", "sample_rate_hz")
        return document if all(key in document for key in wanted) else None
    except (OSError, ValueError, TypeError):
        return None


def _file(document: dict[str, Any], target: Path) -> MendedFile:
    joins = document["joins"]
    seconds = sum(j["end_samples"] - j["start_samples"] for j in joins) / document["sample_rate_hz"]
    return MendedFile(
        document["take"],
        int(document["track"]),
        document["name"],
        target,
        len(joins),
        seconds,
        document["sentence"],
    )
