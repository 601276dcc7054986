"""How is the sound field of a take handed on, rather than heard?

Each group of four capsules, or of four channels of B-format, becomes a Broadcast Wave file of B-format in one convention, after the
moves, the correction of the capsules and the turn. Channel order and normalisation stand in its metadata: in bext's
description and coding history and in iXML's track names and functions (``W-SOUNDFIELD`` ...), because the file's channels alone
do not tell.

Conventions: 32-bit float, so nothing can clip; the first sample is that of the take.
"""

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from takewell import __version__, files
from takewell.mix.desk import Desk
from takewell.roll import Roll, TrackReader
from takewell.shape import GainBank
from takewell.shape.a_format import LATENCY, AFormat
from takewell.shape.b_format import NORMALISATIONS, ORDERS, Convention, conversion, rotation
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, append_history, history_row

BLOCK_SAMPLES = 16_384
FIELDS = ("a-format", "b-format", "ambix")
NAMES: dict[Convention, str] = {"ambix": "AmbiX (ACN)", "fuma": "FuMa"}


def write_fields(
    roll: Roll, desk: Desk, folder: Path, convention: Convention, bext: Bext
) -> tuple[Path, ...]:
    """Write the sound fields of a take, and return the files.

    Parameters
    ----------
    roll : Roll
    desk : Desk
        The take's, for its groups and moves.
    folder : Path
        Where the files go.
    convention : {"ambix", "fuma"}
    bext : Bext
        Whose date and time the files bear.

    Raises
    ------
    FileError
        If a file cannot be read.
    DestinationError
        If the place cannot be written.
    """
    written: list[Path] = []
    for source in desk.sources:
        if source.kind in FIELDS:
            tag = "" if not written else f"_{len(written) + 1}"
            stem = re.sub(r'[\\/:*?"<>|\x00-\x1f]', "_", desk.take.id)
            target = files.make_folder(folder) / f"{stem}_{convention}{tag}.wav"
            _write(roll, desk, source.columns, source.kind, target, convention, bext)
            written.append(target)
    return tuple(written)


def _write(
    roll: Roll,
    desk: Desk,
    columns: Sequence[int],
    kind: str,
    target: Path,
    convention: Convention,
    bext: Bext,
) -> None:
    take, settings = desk.take, desk.settings
    numbers = [desk.tracks[column].number for column in columns]
    names = " ".join(ORDERS[convention])
    said = f"{NAMES[convention]} order {names}, {NORMALISATIONS[convention]}"
    history = history_row(
        "float32", take.rate, 4, f"Takewell {__version__} B-format of tracks {' '.join(map(str, numbers))}: {said}"
    )  # fmt: skip
    start = bext.time_reference
    own = Bext(
        description=f"B-format of take {take.id}: {said}",
        originator="Takewell",
        origination_date=bext.origination_date,
        time_reference=start,
    )
    ixml = Ixml(
        project=take.project,
        scene=take.scene,
        take=take.take,
        tape=take.tape,
        note=f"B-format: {said}",
        tracks=tuple(
            IxmlTrack(at + 1, at + 1, name, f"{name}-SOUNDFIELD")
            for at, name in enumerate(ORDERS[convention])
        ),
    )
    turned = rotation(*settings.turn_deg) @ conversion("ambix", convention)
    matrix = conversion("fuma", "ambix") @ turned if kind == "b-format" else turned
    late = LATENCY if kind == "a-format" else 0
    field = AFormat(take.rate, settings.capsule_radius_mm / 1000) if kind == "a-format" else None
    bank = GainBank([desk.bank.envelopes[column] for column in columns])
    with (
        TrackReader(roll.folder, take) as reader,
        BroadcastWriter(
            target,
            rate=take.rate,
            channels=4,
            encoding="float32",
            bext=append_history(own, history),
            ixml=ixml,
        ) as writer,
    ):
        position = 0
        for block in reader.blocks(numbers, BLOCK_SAMPLES):
            finite = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
            shaped = bank.apply(finite, position)
            out = shaped if field is None else field.apply(shaped)
            writer.write((out @ matrix)[max(late - position, 0) :])
            position += len(block)
        if field is not None:
            writer.write((field.apply(np.zeros((late, 4))) @ matrix)[max(late - position, 0) :])
