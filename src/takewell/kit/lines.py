"""On which line of a TOML text does a key stand?

Conventions: a place in a document is a tuple of keys and, inside arrays of tables, of numbers from 0:
``("setup", 1, "track", 0, "gain_db")``. Lines count from 1. The text has been read by a TOML reader before;
here only the line of each key and table is looked for. Keys inside inline tables stand on the line
of the key that holds them, the tables of an array in brackets each on its own. Source: TOML v1.0.0, the sections Keys, Table and Array of Tables.
"""

import re

Place = tuple[str | int, ...]

_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]\]?")
_KEY = re.compile(rf"\s*({_DOTTED})\s*=")


def key_lines(text: str) -> dict[Place, int]:
    """Return the line of every key and table of a well-formed TOML text.

    Examples
    --------
    >>> key_lines('name = "x"\\n[[setup]]\\nstart = 1\\n')
    {('name',): 1, ('setup', 0): 2, ('setup', 0, 'start'): 3}
    """
    lines: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    table: Place = ()
    value: Place = ()
    closing, depth, entries = "", 0, 0
    for number, line in enumerate(text.splitlines(), start=1):
        if not closing and not depth:
            header = _HEADER.match(line)
            if header:
                table = _table(_parts(header[2]), header[1] == "[[", counts)
                lines.setdefault(table, number)
                continue
            key = _KEY.match(line)
            if key:
                value, entries = table + _parts(key[1]), 0
                lines.setdefault(value, number)
                line = line[key.end() :]
        closing, depth, opened = _state(line, closing, depth)
        for _ in range(opened):
            lines.setdefault((*value, entries), number)
            entries += 1
    return lines


def line_of(lines: dict[Place, int], place: Place) -> int:
    """Return the line of a place, or of the nearest table around it that has one; 1 for the document."""
    while place and place not in lines:
        place = place[:-1]
    return lines.get(place, 1)


def place_on(lines: dict[Place, int], number: int) -> Place | None:
    """Return what stands on a line: the innermost place that begins there, None where none does.

    Examples
    --------
    >>> place_on(key_lines('name = "x"\\n[[setup]]\\nstart = 1\\n'), 3)
    ('setup', 0, 'start')
    """
    found = [place for place, line in lines.items() if line == number]
    return max(found, key=len) if found else None


def _parts(dotted: str) -> Place:
    return tuple(
        part[1:-1].encode().decode("unicode_escape") if part[0] == '"' else part.strip("'")
        for part in re.findall(_PART, dotted)
    )


def _table(parts: Place, is_array: bool, counts: dict[Place, int]) -> Place:
    """Return where a header leads: into the newest entry of every array on its way."""
    place: Place = ()
    for part in parts[:-1]:
        place += (part,)
        if place in counts:
            place += (counts[place],)
    place += (parts[-1],)
    if is_array:
        counts[place] = counts.get(place, -1) + 1
        place += (counts[place],)
    return place


def _state(line: str, closing: str, depth: int) -> tuple[str, int, int]:
    """Return what is still open behind a line (the quotes of a long string, how many brackets), and how many tables began right inside an array."""
    position, opened = 0, 0
    while position < len(line):
        if closing:
            end = line.find(closing, position)
            if end < 0:
                return closing, depth, opened
            position, closing = end + 3, ""
            continue
        sign = line[position]
        if sign == "#":
            break
        if line.startswith(('"""', "'''"), position):
            closing, position = line[position : position + 3], position + 3
        elif sign in "\"'":
            string = re.compile(r'"(?:[^"\\]|\\.)*"' if sign == '"' else r"'[^']*'").match(line, position)
            position = string.end() if string else len(line)
        else:
            opened += sign == "{" and depth == 1
            depth += (sign in "[{") - (sign in "]}")
            position += 1
    return closing, depth, opened
