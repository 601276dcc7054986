"""Is this a take with picture, a wild track, room tone or a line-up tone?

Conventions: iXML's WILD_TRACK and TAKE_TYPE go first, then words in scene, take, note and file name, which are
common practice, no source. A note that mentions room tone among other things does not make a take room tone.
"""

import re
from collections.abc import Sequence

from takewell.roll.values import Role, TakeKind

LONGEST_LABEL = 4
"""Words a note may have and still be taken for the name of what was recorded."""

_ROOM_TONE = re.compile(
    r"\b(?:room[\s_\-]*tones?|rm[\s_\-]*tone|buzz[\s_\-]*track|atmos?|ambien(?:ce|t)|rt\s?\d{0,2})\b",
    re.IGNORECASE,
)
_WILD = re.compile(r"\b(?:wild(?:[\s_\-]*(?:track|line|sound)s?)?|wt\s?\d{0,3})\b", re.IGNORECASE)
_TONE = re.compile(
    r"\b(?:line[\s_\-]*up(?:[\s_\-]*tone)?|(?:ref(?:erence)?|test)[\s_\-]*tone|bars\s*(?:and|&)\s*tone|1\s?k(?:hz)?|tone)\b",
    re.IGNORECASE,
)


def take_kind(*, wild: bool, scene: str, take: str, note: str, stem: str, roles: Sequence[Role]) -> TakeKind:
    """Return what a take was recorded for.

    Parameters
    ----------
    wild : bool
        Whether the file itself says that it is a wild track.
    scene, take, note, stem : str
        The take's texts and its first file's name.
    roles : sequence of Role
        Roles of its tracks.
    """
    labels = [text.replace("_", " ") for text in (scene, take, stem, note if _is_label(note) else "")]
    if any(_ROOM_TONE.search(label) for label in labels):
        return "room_tone"
    if wild or any(_WILD.search(label) for label in labels):
        return "wild"
    sounding = [role for role in roles if role not in ("unused", "timecode")]
    if any(_TONE.search(label) for label in labels) or (
        sounding and all(role == "tone" for role in sounding)
    ):
        return "tone"
    return "take"


def _is_label(note: str) -> bool:
    """Return whether a note is short and begins with what was recorded, as a name would."""
    begins = any(pattern.match(note.strip()) for pattern in (_ROOM_TONE, _WILD, _TONE))
    return begins and len(note.split()) <= LONGEST_LABEL
