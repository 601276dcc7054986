"""Which tracks of a take belong together, so that nothing may treat them differently?

Linked are the mix tracks of one file, the ISOs of one group, and ISOs of one file whose names differ only in a last
word for left and right.
"""

import re
from collections.abc import Sequence

from takewell.roll.values import Track

_SIDE = re.compile(r"[\s._-]*(l|r|left|right)$", re.IGNORECASE)


def link_keys(tracks: Sequence[Track]) -> dict[int, tuple[str, ...]]:
    """Return for each track, by number, a key that linked tracks share."""
    keys: dict[int, tuple[str, ...]] = {}
    for track in tracks:
        stem = _SIDE.sub("", track.name)
        if track.role == "mix":
            keys[track.number] = ("mix", track.file)
        elif track.group:
            keys[track.number] = ("group", track.group, track.role)
        elif stem and stem != track.name:
            keys[track.number] = ("sides", track.file, stem.lower())
        else:
            keys[track.number] = (str(track.number),)
    return keys


def side_of(track: Track) -> int:
    """Return -1 for a track whose name ends with a word for left, 1 for right, 0 for neither."""
    found = _SIDE.search(track.name)
    if found is None or found.start() == 0:
        return 0
    return -1 if found[1].lower().startswith("l") else 1
