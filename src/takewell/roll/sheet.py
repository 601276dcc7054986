"""How does a table that a person edited in a spreadsheet or an editor come in and go out unharmed?

Conventions: a table is CSV to RFC 4180 (commas, CRLF) with a header line, written as UTF-8.
Reading forgives what spreadsheets do: a byte-order mark, UTF-16, an old 8-bit code page, semicolons or tabs,
any line ends, a ``sep=`` line, decimal commas, capitals and any order in the header, columns left out, empty lines.
What it cannot make sense of is one `SettingError` with file and line.

Text that a spreadsheet would run as a formula (it begins with ``= + - @``, a tab or a line end) is
written behind an apostrophe and read back without it; apostrophes already in front are kept by one more.
Source of the list: OWASP, "CSV Injection".
"""

import csv
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from takewell import files
from takewell.errors import SettingError

TEXT_FOLDER = "takewell"
"""The folder inside a roll's folder where its text files lie."""

_FORMULA = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")
_YES = {"yes", "y", "true", "1", "x"}
_NO = {"no", "n", "false", "0"}
_MINUS = str.maketrans({"\u2212": "-", "\u00a0": None, "\u202f": None})


@dataclass(frozen=True)
class Row:
    """One line of a table: its cells by column, and where it stands for the sentence about it."""

    path: Path
    line: int
    cells: Mapping[str, str]

    def wrong(self, column: str, what: str) -> SettingError:
        """Return the error that names file, line, column and cell."""
        cell = self.cells.get(column, "")
        return SettingError(f"{self.path}, line {self.line}: {column} {cell!r} {what}.")

    def text(self, column: str) -> str:
        """Return a text cell as it was written, empty when the column is missing."""
        return shielded_text(self.cells.get(column, ""))

    def required(self, column: str) -> str:
        """Return a text cell without spaces around it, refusing an empty one."""
        text = self.text(column).strip()
        if not text:
            raise self.wrong(column, "is empty; fill it in or remove the line")
        return text

    def number(self, column: str, *, least: float = -math.inf) -> float | None:
        """Return a number (decimal point or comma), None for an empty cell."""
        text = self.cells.get(column, "").strip().lstrip("'").translate(_MINUS)
        if not text:
            return None
        if "." not in text and text.count(",") == 1:
            text = text.replace(",", ".")
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise self.wrong(column, "is not a number")
        if value < least:
            raise self.wrong(column, f"is less than {least:g}")
        return value

    def needed_number(self, column: str, *, least: float = -math.inf) -> float:
        """Return a number, refusing an empty cell."""
        value = self.number(column, least=least)
        if value is None:
            raise self.wrong(column, "is empty; a number is needed")
        return value

    def count(self, column: str) -> int:
        """Return a whole number of at least 1."""
        value = self.needed_number(column)
        if value < 1 or value != int(value):
            raise self.wrong(column, "is not a whole number from 1 up")
        return int(value)

    def flag(self, column: str) -> bool | None:
        """Return yes or no, None for an empty cell."""
        text = self.cells.get(column, "").strip().lower()
        if not text:
            return None
        if text not in _YES | _NO:
            raise self.wrong(column, "is neither yes nor no")
        return text in _YES


def shielded_text(cell: str) -> str:
    """Return the text of a cell that may have been shielded against being run as a formula."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def shield_text(text: str) -> str:
    """Return the cell for a text, behind an apostrophe where a spreadsheet would run it."""
    return f"'{text}" if _FORMULA.match(text) else text


def number_cell(value: float | None) -> str:
    """Return a number with nine decimals, or an empty cell."""
    return "" if value is None else f"{value:.9f}"


def read_sheet(path: Path, columns: Sequence[str], needed: Sequence[str]) -> list[Row]:
    """Return the lines of a table, none when there is no such file.

    Parameters
    ----------
    path : Path
        The file.
    columns : sequence of str
        Columns the table may have.
    needed : sequence of str
        Columns it must have.

    Raises
    ------
    SettingError
        If the file cannot be read as such a table.
    """
    try:
        raw = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as error:
        raise SettingError(f"{path} cannot be read: {error.strerror or error}.") from error
    text = _decoded(raw, path)
    hint = re.match(r"sep=(.)\r?\n", text, re.IGNORECASE)
    first_line = 1
    if hint:
        text, first_line = text[hint.end() :], 2
    delimiter = hint[1] if hint else _delimiter(text)
    rows: list[Row] = []
    header: list[str] | None = None
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = first_line
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                if header is None:
                    header = _header(cells, columns, needed, path, line)
                else:
                    rows.append(_row(cells, header, path, line))
            line = first_line + reader.line_num
    except csv.Error as error:
        raise SettingError(
            f"{path}, line {line}: {error}; check the quotation marks from here on."
        ) from error
    return rows


def write_sheet(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Write a table whole or not at all, making its folder when it is missing.

    Raises
    ------
    DestinationError
        If it cannot be written.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(columns)
    writer.writerows(rows)
    files.make_folder(path.parent)
    # A lone surrogate, which a name or a form can smuggle in, has no UTF-8; it becomes a question mark.
    files.write_bytes(path, out.getvalue().encode("utf-8", errors="replace"))


def _decoded(raw: bytes, path: Path) -> str:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    else:
        encoding = "utf-8-sig"
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError:
        if encoding == "utf-16" or b"\0" in raw:
            raise SettingError(
                f"{path} is not a text file; save it as CSV with the encoding UTF-8."
            ) from None
        # What remains are spreadsheets that save in the code page of their desk; 1252 is the common one.
        return raw.decode("cp1252", errors="replace")


def _delimiter(text: str) -> str:
    header = next((line for line in text.splitlines() if line.strip()), "")
    return max(",;\t", key=header.count)


def _header(
    cells: Sequence[str], columns: Sequence[str], needed: Sequence[str], path: Path, line: int
) -> list[str]:
    names = [re.sub(r"[\s\-]+", "_", cell.strip().lower()) for cell in cells]
    while names and not names[-1]:
        names.pop()
    for name in names:
        if name not in columns or names.count(name) > 1:
            what = "stands there twice" if name in columns else "is not known"
            raise SettingError(
                f"{path}, line {line}: the column {name!r} {what}; columns are {', '.join(columns)}."
            )
    for name in needed:
        if name not in names:
            raise SettingError(f"{path}, line {line}: the column {name!r} is missing from the first line.")
    return names


def _row(cells: Sequence[str], header: Sequence[str], path: Path, line: int) -> Row:
    if any(cell.strip() for cell in cells[len(header) :]):
        raise SettingError(
            f"{path}, line {line}: {len(cells)} cells where the first line names {len(header)} columns; "
            "put quotation marks around text that holds the separator."
        )
    return Row(path, line, dict(zip(header, cells, strict=False)))
