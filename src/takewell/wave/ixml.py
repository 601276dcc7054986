"""What does an iXML document say, and how is one written or changed?

Conventions: root BWFXML, every element optional, element names in capitals (the open iXML specification,
versions 1.52 and 2.10; it has no official schema). Read leniently: wild values are kept as text, a broken
document gives what can be understood and a sentence about it. Written strictly: fractions, TRUE/FALSE, the
dictionary's words. A document that came from a file is edited, so that what is not known here stays.
"""

import re
from typing import Any

from lxml import etree

from takewell.wave.values import Ixml, IxmlTrack

LARGEST_DOCUMENT = 4 << 20
"""Bytes; iXML of real recorders has a few kilobytes, padded to some tens."""

TEXTS = {
    "project": "PROJECT",
    "scene": "SCENE",
    "take": "TAKE",
    "tape": "TAPE",
    "note": "NOTE",
    "file_uid": "FILE_UID",
    "ubits": "UBITS",
    "timecode_rate": "SPEED/TIMECODE_RATE",
    "timecode_flag": "SPEED/TIMECODE_FLAG",
    "family_uid": "FILE_SET/FAMILY_UID",
    "family_name": "FILE_SET/FAMILY_NAME",
    "file_set_index": "FILE_SET/FILE_SET_INDEX",
    "original_filename": "HISTORY/ORIGINAL_FILENAME",
    "parent_filename": "HISTORY/PARENT_FILENAME",
}
TRUTHS = {"circled": "CIRCLED", "wild_track": "WILD_TRACK", "no_good": "NO_GOOD"}
NUMBERS = {
    "file_sample_rate": "SPEED/FILE_SAMPLE_RATE",
    "digitizer_sample_rate": "SPEED/DIGITIZER_SAMPLE_RATE",
    "timestamp_sample_rate": "SPEED/TIMESTAMP_SAMPLE_RATE",
    "total_files": "FILE_SET/TOTAL_FILES",
}
STAMP_HIGH = "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI"
STAMP_LOW = "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"

_DOCTYPE = "The iXML document declares a document type, which iXML has not; it was kept but not read."


def parse_ixml(payload: bytes) -> tuple[Ixml, tuple[str, ...]]:
    """Return what an ``iXML`` payload says, and sentences about what is odd in it.

    Never fails. Entities are not expanded, nothing outside the document is read, and a document with a
    document type or above 4 MiB is kept but not read.
    """
    document = trimmed(payload)
    if not document:
        return Ixml(xml=payload), ("The iXML chunk is empty.",)
    root, oddity = root_of(document)
    if root is None:
        return Ixml(xml=payload), (oddity,)
    return read_fields(root, payload), ((oddity,) if oddity else ())


def trimmed(payload: bytes) -> bytes:
    """Return a document without the padding that recorders leave around it for later."""
    if payload[:2] in (b"\xff\xfe", b"\xfe\xff"):  # UTF-16: half of its bytes may be zero
        document = payload[: len(payload) // 2 * 2]
        while document.endswith(b"\0\0"):
            document = document[:-2]
        return document
    return payload.strip(b"\0 \t\r\n")


def root_of(document: bytes) -> tuple[Any, str]:
    if len(document) > LARGEST_DOCUMENT:
        return (
            None,
            f"The iXML chunk has {len(document)} bytes, above {LARGEST_DOCUMENT}; it was kept but not read.",
        )
    if b"<!DOCTYPE" in document or b"<!ENTITY" in document:
        return None, _DOCTYPE
    oddity = ""
    try:
        root = etree.fromstring(document, _parser(recover=False))
    except (etree.XMLSyntaxError, ValueError, LookupError) as error:
        oddity = (
            f"The iXML document is malformed ({_first_line(error)}); what could be understood of it was read."
        )
        root = _salvaged(document)
    if root is not None and root.getroottree().docinfo.internalDTD is not None:
        return None, _DOCTYPE
    if root is None or name_of(root) != "BWFXML":
        return None, "The iXML chunk holds no iXML document; it was kept but not read."
    return root, oddity


def _parser(*, recover: bool, encoding: str | None = None) -> Any:
    return etree.XMLParser(
        recover=recover,
        encoding=encoding,
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        huge_tree=False,
        remove_comments=False,
    )


def _salvaged(document: bytes) -> Any:
    """A wrongly declared code page first (the document is well formed in another), then what can be saved."""
    attempts = [(False, "cp1252"), (True, None), (True, "cp1252")]
    for recover, encoding in attempts:
        try:
            root = etree.fromstring(document, _parser(recover=recover, encoding=encoding))
        except (etree.XMLSyntaxError, ValueError, LookupError):
            continue
        if root is not None:
            return root
    return None


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")


def name_of(element: Any) -> str:
    return element.tag.rsplit("}", 1)[-1].upper() if isinstance(element.tag, str) else ""


def child_of(element: Any, name: str) -> Any:
    return next((child for child in element if name_of(child) == name), None)


def _find(root: Any, path: str) -> Any:
    element = root
    for name in path.split("/"):
        element = None if element is None else child_of(element, name)
    return element


def _text(root: Any, path: str) -> str:
    element = _find(root, path)
    return "" if element is None else (element.text or "").strip()


def _number(root: Any, path: str) -> int | None:
    text = _text(root, path)
    return int(text) if re.fullmatch(r"[0-9]{1,20}", text) else None


def _truth(root: Any, path: str) -> bool | None:
    return {"TRUE": True, "YES": True, "1": True, "FALSE": False, "NO": False, "0": False}.get(
        _text(root, path).upper()
    )


def _stamp(root: Any) -> int | None:
    low = _number(root, STAMP_LOW)
    return None if low is None else ((_number(root, STAMP_HIGH) or 0) << 32) + low


def read_fields(root: Any, payload: bytes) -> Ixml:
    types = _text(root, "TAKE_TYPE").split(",")
    track_list = child_of(root, "TRACK_LIST")
    elements = [] if track_list is None else [child for child in track_list if name_of(child) == "TRACK"]
    values: dict[str, Any] = {name: _text(root, path) for name, path in TEXTS.items()}
    values |= {name: _truth(root, path) for name, path in TRUTHS.items()}
    values |= {name: _number(root, path) for name, path in NUMBERS.items()}
    return Ixml(
        **values,
        take_type=tuple(word.strip() for word in types if word.strip()),
        timestamp_samples=_stamp(root),
        tracks=tuple(read_track(element, place) for place, element in enumerate(elements, start=1)),
        xml=payload,
    )


def read_track(element: Any, place: int) -> IxmlTrack:
    return IxmlTrack(
        channel_index=_number(element, "CHANNEL_INDEX"),
        interleave_index=_number(element, "INTERLEAVE_INDEX") or place,
        name=_text(element, "NAME"),
        function=_text(element, "FUNCTION"),
    )
