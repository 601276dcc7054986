"""What does an iXML document say, and how is one written or changed?

Conventions: root BWFXML, every element optional, element names in capitals (the open iXML specification,
versions 1.52 and 2.10; it has no official schema). Read leniently: wild values are kept as text, a broken
document gives what can be understood and a sentence about it. Written strictly: fractions, TRUE/FALSE, the
dictionary's words. A document that came from a file is edited, so that what is not known here stays.
"""

import re
from dataclasses import replace
from typing import Any

from lxml import etree

from takewell.errors import SettingError
from takewell.wave.sample_format import SAMPLE_BYTES
from takewell.wave.values import Bext, Encoding, Ixml, IxmlTrack

LARGEST_DOCUMENT = 4 << 20
"""Bytes; iXML of real recorders has a few kilobytes, padded to some tens."""
VERSION = "2.10"

_TEXTS = {
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
_TRUTHS = {"circled": "CIRCLED", "wild_track": "WILD_TRACK", "no_good": "NO_GOOD"}
_NUMBERS = {
    "file_sample_rate": "SPEED/FILE_SAMPLE_RATE",
    "digitizer_sample_rate": "SPEED/DIGITIZER_SAMPLE_RATE",
    "timestamp_sample_rate": "SPEED/TIMESTAMP_SAMPLE_RATE",
    "total_files": "FILE_SET/TOTAL_FILES",
}
_STAMP_HIGH = "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI"
_STAMP_LOW = "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"
_PATTERNS = {
    "timecode_rate": (r"\d+/\d+", "a fraction such as 25/1 or 30000/1001"),
    "timecode_flag": (r"NDF|DF", "NDF or DF"),
    "ubits": (r"[0-9A-Fa-f]{8}", "eight hexadecimal digits"),
}
TAKE_TYPES = (
    "DEFAULT", "NO_GOOD", "FALSE_START", "WILD_TRACK", "PICKUP", "REHEARSAL", "ANNOUNCEMENT", "SOUND_GUIDE",
)  # fmt: skip


def parse_ixml(payload: bytes) -> tuple[Ixml, tuple[str, ...]]:
    """Return what an ``iXML`` payload says, and sentences about what is odd in it.

    Never fails. Entities are not expanded, nothing outside the document is read, and a document with a
    document type or above 4 MiB is kept but not read.
    """
    document = payload.rstrip(b"\0 \t\r\n")
    if not document:
        return Ixml(xml=payload), ("The iXML chunk is empty.",)
    root, oddity = _root(document)
    if root is None:
        return Ixml(xml=payload), (oddity,)
    return _read(root, payload), ((oddity,) if oddity else ())


def _root(document: bytes) -> tuple[Any, str]:
    if len(document) > LARGEST_DOCUMENT:
        return (
            None,
            f"The iXML chunk has {len(document)} bytes, above {LARGEST_DOCUMENT}; it was kept but not read.",
        )
    if b"<!DOCTYPE" in document or b"<!ENTITY" in document:
        return (
            None,
            "The iXML document declares a document type, which iXML has not; it was kept but not read.",
        )
    document = document.lstrip(b"\0 \t\r\n")
    oddity = ""
    try:
        root = etree.fromstring(document, _parser(recover=False))
    except (etree.XMLSyntaxError, ValueError, LookupError) as error:
        oddity = (
            f"The iXML document is malformed ({_first_line(error)}); what could be understood of it was read."
        )
        root = _salvaged(document)
    if root is None or _name(root) != "BWFXML":
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


def _name(element: Any) -> str:
    return etree.QName(element).localname.upper() if isinstance(element.tag, str) else ""


def _child(element: Any, name: str) -> Any:
    return next((child for child in element if _name(child) == name), None)


def _find(root: Any, path: str) -> Any:
    element = root
    for name in path.split("/"):
        element = None if element is None else _child(element, name)
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
    low = _number(root, _STAMP_LOW)
    return None if low is None else ((_number(root, _STAMP_HIGH) or 0) << 32) + low


def _read(root: Any, payload: bytes) -> Ixml:
    types = _text(root, "TAKE_TYPE").split(",")
    track_list = _child(root, "TRACK_LIST")
    elements = [] if track_list is None else [child for child in track_list if _name(child) == "TRACK"]
    values: dict[str, Any] = {name: _text(root, path) for name, path in _TEXTS.items()}
    values |= {name: _truth(root, path) for name, path in _TRUTHS.items()}
    values |= {name: _number(root, path) for name, path in _NUMBERS.items()}
    return Ixml(
        **values,
        take_type=tuple(word.strip() for word in types if word.strip()),
        timestamp_samples=_stamp(root),
        tracks=tuple(_track(element, place) for place, element in enumerate(elements, start=1)),
        xml=payload,
    )


def _track(element: Any, place: int) -> IxmlTrack:
    return IxmlTrack(
        channel_index=_number(element, "CHANNEL_INDEX"),
        interleave_index=_number(element, "INTERLEAVE_INDEX") or place,
        name=_text(element, "NAME"),
        function=_text(element, "FUNCTION"),
    )


_ORDER = (
    "IXML_VERSION", "PROJECT", "SCENE", "TAPE", "TAKE", "TAKE_TYPE", "NO_GOOD", "FALSE_START", "WILD_TRACK",
    "CIRCLED", "FILE_UID", "UBITS", "NOTE", "SYNC_POINT_LIST", "SPEED", "MASTER_SPEED", "CURRENT_SPEED",
    "TIMECODE_RATE", "TIMECODE_FLAG", "FILE_SAMPLE_RATE", "AUDIO_BIT_DEPTH", "DIGITIZER_SAMPLE_RATE",
    "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO", "TIMESTAMP_SAMPLE_RATE",
    "LOUDNESS", "HISTORY", "ORIGINAL_FILENAME", "PARENT_FILENAME", "PARENT_UID", "FILE_SET", "TOTAL_FILES",
    "FAMILY_UID", "FAMILY_NAME", "FILE_SET_INDEX", "TRACK_LIST", "TRACK_COUNT", "TRACK", "CHANNEL_INDEX",
    "INTERLEAVE_INDEX", "NAME", "FUNCTION", "BEXT", "USER", "LOCATION",
)  # fmt: skip
_RANK = {name: rank for rank, name in enumerate(_ORDER)}
"""The specification's order, kept where elements are added."""
_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def build_ixml(
    ixml: Ixml, *, bext: Bext | None = None, encoding: Encoding | None = None, rate: int | None = None
) -> bytes:
    """Return the ``iXML`` payload for `ixml`, in UTF-8.

    Parameters
    ----------
    ixml : Ixml
        Where ``ixml.xml`` holds a readable document, that document is edited: only fields that differ from it
        are touched, and it comes back byte by byte where nothing differs.
    bext : Bext or None
        The broadcast extension beside it, which the document's own copy then follows, if it has one.
    encoding, rate : Encoding, int
        Of newly written audio; the document's word length, rate and loudness then follow the file.

    Raises
    ------
    SettingError
        If a changed field is not what the specification allows.
    """
    root, oddity = _root(ixml.xml.rstrip(b"\0 \t\r\n")) if ixml.xml else (None, "")
    if root is None:
        root = etree.Element("BWFXML")
        _set(root, "IXML_VERSION", VERSION)
    before = etree.tostring(root)
    if encoding is not None and rate is not None:
        ixml = _following_format(root, ixml, encoding, rate)
    _write_fields(root, ixml, _read(root, b""))
    if bext is not None:
        _follow_bext(root, bext, new_audio=encoding is not None)
    if ixml.xml and not oddity and etree.tostring(root) == before:
        return ixml.xml
    if not ixml.xml:
        etree.indent(root)
    return bytes(etree.tostring(root, xml_declaration=True, encoding="UTF-8"))


def _write_fields(root: Any, new: Ixml, old: Ixml) -> None:
    for name, path in _TEXTS.items():
        value = getattr(new, name)
        if value != getattr(old, name):
            pattern, wanted = _PATTERNS.get(name, ("", ""))
            if value and pattern and not re.fullmatch(pattern, value):
                raise SettingError(f"iXML's {name} {value!r} is not {wanted}.")
            _set(root, path, value)
    for name, path in _TRUTHS.items():
        truth = getattr(new, name)
        if truth != getattr(old, name):
            _set(root, path, "" if truth is None else "TRUE" if truth else "FALSE")
    for name, path in _NUMBERS.items():
        number = getattr(new, name)
        if number != getattr(old, name):
            _set(root, path, _digits(name, number))
    if new.take_type != old.take_type:
        wrong = [word for word in new.take_type if word not in TAKE_TYPES]
        if wrong:
            raise SettingError(f"iXML's take type {wrong[0]!r} is none of {', '.join(TAKE_TYPES)}.")
        _set(root, "TAKE_TYPE", ",".join(new.take_type))
    if new.timestamp_samples != old.timestamp_samples:
        stamp = new.timestamp_samples
        _set(root, _STAMP_HIGH, _digits("timestamp_samples", None if stamp is None else stamp >> 32))
        _set(root, _STAMP_LOW, _digits("timestamp_samples", None if stamp is None else stamp & 0xFFFFFFFF))
    if new.tracks != old.tracks:
        _write_tracks(root, new.tracks)


def _digits(name: str, number: int | None) -> str:
    if number is None:
        return ""
    if number < 0 or (name == "timestamp_samples" and number >> 32):
        raise SettingError(f"iXML's {name} is out of range.")
    return str(number)


def _set(root: Any, path: str, text: str) -> None:
    """Give the element at `path` a text, adding what is missing; an empty text removes it."""
    element = root
    for name in path.split("/"):
        child = _child(element, name)
        if child is None:
            if not text:
                return
            child = _added(element, name)
        element = child
    if text:
        element.text = _NO_XML.sub(" ", text)
    else:
        element.getparent().remove(element)


def _added(parent: Any, name: str) -> Any:
    child = etree.Element(name)
    later = [place for place, other in enumerate(parent) if _RANK.get(_name(other), 0) > _RANK.get(name, len(_RANK))]
    parent.insert(later[0] if later else len(parent), child)
    return child


def _write_tracks(root: Any, tracks: tuple[IxmlTrack, ...]) -> None:
    track_list = _child(root, "TRACK_LIST")
    if track_list is None:
        track_list = _added(root, "TRACK_LIST")
    old = {}
    for place, element in enumerate([e for e in track_list if _name(e) == "TRACK"], start=1):
        old[_track_key(_track(element, place))] = element
        track_list.remove(element)
    _set(track_list, "TRACK_COUNT", str(len(tracks)))
    for track in tracks:
        if track.interleave_index < 1 or (track.channel_index is not None and track.channel_index < 1):
            raise SettingError(f"iXML track {track.name!r} has an index below 1.")
        element = old.pop(_track_key(track), None)
        element = etree.Element("TRACK") if element is None else element
        track_list.append(element)
        _set(element, "CHANNEL_INDEX", "" if track.channel_index is None else str(track.channel_index))
        _set(element, "INTERLEAVE_INDEX", str(track.interleave_index))
        _set(element, "NAME", track.name)
        _set(element, "FUNCTION", track.function)


def _track_key(track: IxmlTrack) -> tuple[str, int]:
    """What a track is known by when its place in the file changes: the recorder's channel, where it is given."""
    if track.channel_index is not None:
        return "channel", track.channel_index
    return "interleave", track.interleave_index


def _following_format(root: Any, ixml: Ixml, encoding: Encoding, rate: int) -> Ixml:
    if _child(root, "SPEED") is not None or ixml.timecode_rate:
        _set(root, "SPEED/AUDIO_BIT_DEPTH", str(SAMPLE_BYTES[encoding] * 8))
    return ixml if ixml.file_sample_rate is None else replace(ixml, file_sample_rate=rate)


def _follow_bext(root: Any, bext: Bext, *, new_audio: bool) -> None:
    copy = _child(root, "BEXT")
    texts = {
        "DESCRIPTION": bext.description,
        "ORIGINATOR": bext.originator,
        "ORIGINATOR_REFERENCE": bext.originator_reference,
        "ORIGINATION_DATE": bext.origination_date,
        "ORIGINATION_TIME": bext.origination_time,
        "TIME_REFERENCE_LOW": str(bext.time_reference & 0xFFFFFFFF),
        "TIME_REFERENCE_HIGH": str(bext.time_reference >> 32),
        "VERSION": "2",
        "UMID": bext.umid.hex().upper(),
        "CODING_HISTORY": bext.coding_history,
    }
    loudness = {
        "LOUDNESS_VALUE": bext.loudness_value_lufs,
        "LOUDNESS_RANGE": bext.loudness_range_lu,
        "MAX_TRUE_PEAK_LEVEL": bext.max_true_peak_dbtp,
        "MAX_MOMENTARY_LOUDNESS": bext.max_momentary_lufs,
        "MAX_SHORT_TERM_LOUDNESS": bext.max_short_term_lufs,
    }
    levels = {name: "" if value is None else f"{value:.2f}" for name, value in loudness.items()}
    if copy is not None:
        for name, text in (texts | (levels if new_audio else {})).items():
            if _child(copy, f"BWF_{name}") is not None:
                _set(copy, f"BWF_{name}", text)
    if new_audio and _child(root, "LOUDNESS") is not None:
        for name, text in levels.items():
            _set(root, f"LOUDNESS/{name}", text)
