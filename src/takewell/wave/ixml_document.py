"""How is an iXML document written, or changed without losing what we do not know?

Conventions: as `ixml`. Written strictly: fractions, TRUE and FALSE, the words of the specification's
dictionaries. A document that came from a file is edited in place.
"""

import re
from dataclasses import replace
from typing import Any

from lxml import etree

from takewell.errors import SettingError
from takewell.wave.ixml import (
    NUMBERS,
    STAMP_HIGH,
    STAMP_LOW,
    TEXTS,
    TRUTHS,
    child_of,
    name_of,
    read_fields,
    read_track,
    root_of,
    trimmed,
)
from takewell.wave.sample_format import SAMPLE_BYTES
from takewell.wave.values import Bext, Encoding, Ixml, IxmlTrack

VERSION = "2.10"

_PATTERNS = {
    "timecode_rate": (r"\d+/\d+", "a fraction such as 25/1 or 30000/1001"),
    "timecode_flag": (r"NDF|DF", "NDF or DF"),
    "ubits": (r"[0-9A-Fa-f]{8}", "eight hexadecimal digits"),
}
TAKE_TYPES = (
    "DEFAULT", "NO_GOOD", "FALSE_START", "WILD_TRACK", "PICKUP", "REHEARSAL", "ANNOUNCEMENT", "SOUND_GUIDE",
)  # fmt: skip


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
    """Return the ``iXML`` payload for `ixml`, in UTF-8 and of even length.

    Parameters
    ----------
    ixml : Ixml
        Where ``ixml.xml`` holds a readable document, that document is edited: only fields that differ from it
        are touched, and it comes back byte by byte (and a line end where its length is odd) where nothing differs.
        What is written is well formed, also where that document was not.
    bext : Bext or None
        The broadcast extension beside it, which the document's own copy then follows, if it has one.
    encoding, rate : Encoding, int
        Of newly written audio; the document's word length, rate and loudness then follow the file.

    Raises
    ------
    SettingError
        If a changed field is not what the specification allows.
    """
    root, oddity = root_of(trimmed(ixml.xml)) if ixml.xml else (None, "")
    if root is None:
        root = etree.Element("BWFXML")
        _set(root, "IXML_VERSION", VERSION)
    before = etree.tostring(root)
    if encoding is not None and rate is not None:
        ixml = _following_format(root, ixml, encoding, rate)
    _write_fields(root, ixml, read_fields(root, b""))
    if bext is not None:
        _follow_bext(root, bext, new_audio=encoding is not None)
    if ixml.xml and not oddity and etree.tostring(root) == before:
        document = ixml.xml
    else:
        if not ixml.xml:
            etree.indent(root)
        document = etree.tostring(root, xml_declaration=True, encoding="UTF-8")
        if oddity and root_of(document)[1]:  # what was saved of a malformed document need not be well formed
            return build_ixml(replace(ixml, xml=b""), bext=bext, encoding=encoding, rate=rate)
    return document + b"\n" * (len(document) % 2)  # libsndfile 1.2 does not skip a pad byte in RF64


def _write_fields(root: Any, new: Ixml, old: Ixml) -> None:
    for name, path in TEXTS.items():
        value = getattr(new, name)
        if value != getattr(old, name):
            pattern, wanted = _PATTERNS.get(name, ("", ""))
            if value and pattern and not re.fullmatch(pattern, value):
                raise SettingError(f"iXML's {name} {value!r} is not {wanted}.")
            _set(root, path, value)
    for name, path in TRUTHS.items():
        truth = getattr(new, name)
        if truth != getattr(old, name):
            _set(root, path, "" if truth is None else "TRUE" if truth else "FALSE")
    for name, path in NUMBERS.items():
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
        _set(root, STAMP_HIGH, _digits("timestamp_samples", None if stamp is None else stamp >> 32))
        _set(root, STAMP_LOW, _digits("timestamp_samples", None if stamp is None else stamp & 0xFFFFFFFF))
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
        child = child_of(element, name)
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
    later = [
        place
        for place, other in enumerate(parent)
        if _RANK.get(name_of(other), 0) > _RANK.get(name, len(_RANK))
    ]
    parent.insert(later[0] if later else len(parent), child)
    return child


def _write_tracks(root: Any, tracks: tuple[IxmlTrack, ...]) -> None:
    track_list = child_of(root, "TRACK_LIST")
    if track_list is None:
        track_list = _added(root, "TRACK_LIST")
    old = {}
    for place, element in enumerate([e for e in track_list if name_of(e) == "TRACK"], start=1):
        old[_track_key(read_track(element, place))] = element
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
    if child_of(root, "SPEED") is not None or ixml.timecode_rate:
        _set(root, "SPEED/AUDIO_BIT_DEPTH", str(SAMPLE_BYTES[encoding] * 8))
    return ixml if ixml.file_sample_rate is None else replace(ixml, file_sample_rate=rate)


def _follow_bext(root: Any, bext: Bext, *, new_audio: bool) -> None:
    copy = child_of(root, "BEXT")
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
            if child_of(copy, f"BWF_{name}") is not None:
                _set(copy, f"BWF_{name}", text)
    if new_audio and child_of(root, "LOUDNESS") is not None:
        for name, text in levels.items():
            _set(root, f"LOUDNESS/{name}", text)
