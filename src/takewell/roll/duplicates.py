"""Which files are the same recording twice, as when a card was copied two times or a recorder wrote to two slots?

Conventions: equal hashes prove it. Where hashes are not known, files of one name and size whose headers agree
in every field are taken for copies if a header holds something that no second recording has: a time stamp with
a date, a file's own identifier, or a unique material identifier (UMID).
"""

from collections import defaultdict
from collections.abc import Hashable, Sequence

from takewell.roll.names import natural_order
from takewell.roll.said import FileHeader


def drop_duplicates(
    headers: Sequence[FileHeader],
) -> tuple[tuple[FileHeader, ...], tuple[tuple[FileHeader, FileHeader], ...]]:
    """Return the files without copies, and each copy with the file it is a copy of.

    The file with the shortest path is kept, so that a second copy in a deeper folder never displaces the first.
    """
    kept: dict[Hashable, list[FileHeader]] = defaultdict(list)
    copies: dict[str, FileHeader] = {}
    for header in sorted(headers, key=lambda h: (len(h.folders), natural_order(h.path))):
        name = header.path.rpartition("/")[2].lower()
        places = [kept[name, header.size_bytes, header.info.length_samples]]
        if header.digest:
            places.append(kept[header.digest])
        original = next(
            (other for place in places for other in place if _same_recording(other, header)), None
        )
        if original is not None:
            copies[header.path] = original
        else:
            for place in places:
                place.append(header)
    return (
        tuple(header for header in headers if header.path not in copies),
        tuple((header, copies[header.path]) for header in headers if header.path in copies),
    )


def _same_recording(one: FileHeader, two: FileHeader) -> bool:
    """Return whether two files of one hash, or of one name, size and length, are the same recording."""
    if one.digest and two.digest:
        return one.digest == two.digest
    a, b = one.info, two.info
    same_format = (a.rate, a.channels, a.encoding, a.length_samples) == (b.rate, b.channels, b.encoding, b.length_samples)  # fmt: skip
    if not same_format or a.bext != b.bext or a.ixml != b.ixml:
        return False
    dated = a.bext is not None and bool(a.bext.time_reference) and bool(a.bext.origination_date)
    identified = a.bext is not None and any(a.bext.umid)
    return dated or identified or (a.ixml is not None and bool(a.ixml.file_uid))
