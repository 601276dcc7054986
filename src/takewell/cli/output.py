"""How results reach a person or a program: tables and sentences, or JSON; progress on stderr.

Nothing here computes; numbers are only put into words. Colour appears on a terminal and never under NO_COLOR.
"""

import dataclasses
import json
import math
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console

Progress = Callable[[int, int, str], None]
"""Called with what is done, the whole (0 = unknown) and a word about what is at hand."""

PROGRESS_EVERY_S = 0.2
"""How often a program that looks is told."""

json_option = click.option(
    "--json", "as_json", is_flag=True, help="Results on stdout as JSON, messages on stderr."
)


def plain(value: object) -> object:
    """Return a value as JSON knows it; dataclasses become objects, numbers that do not exist become null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    return str(value)


def print_json(value: object) -> None:
    """Print one JSON document on one line."""
    print(json.dumps(plain(value), ensure_ascii=False, allow_nan=False), flush=True)


def say(sentence: str) -> None:
    """Say something that is no result: on stderr."""
    print(sentence, file=sys.stderr, flush=True)


def console(*, stderr: bool = False) -> "Console":
    """Return a terminal writer; wide enough for tables when the output goes to a file."""
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() or "COLUMNS" in os.environ else 120
    return Console(stderr=stderr, width=width, highlight=False, emoji=False, markup=False)


def figure(value: float | None, digits: int = 1) -> str:
    """Return a number as tables show it: true minus, en dash where there is none."""
    if value is None:
        return "–"
    text = f"{value:.{digits}f}"
    return (text[1:] if text.startswith("-") and float(text) == 0 else text).replace("-", "−")


def print_table(
    headings: Sequence[str], rows: Iterable[Sequence[str]], *, numbers: Sequence[int] = (), title: str = ""
) -> None:
    """Print a table of plain text; columns listed in `numbers` are set flush right."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(
        box=box.SIMPLE_HEAD,
        title=Text(title, style="bold") if title else None,
        title_justify="left",
        pad_edge=False,
    )
    for index, heading in enumerate(headings):
        table.add_column(
            Text(heading),
            justify="right" if index in numbers else "left",
            overflow="fold",
            no_wrap=index == 0,
        )
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console().print(table)


@contextmanager
def progress(what: str, *, wanted: bool = True) -> Iterator[Progress | None]:
    """Show a bar on stderr while something long runs; None where nobody is looking.

    With ``TAKEWELL_PROGRESS=lines`` a program is looking: each step is a line of JSON, a few a second.
    """
    if wanted and os.environ.get("TAKEWELL_PROGRESS") == "lines":
        yield _progress_lines()
        return
    if not wanted or not sys.stderr.isatty():
        yield None
        return
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
    )
    with Bar(*columns, console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)

        def show(done: int, whole: int, word: str) -> None:
            bar.update(
                task, completed=done, total=whole or None, description=f"{what}  {word}" if word else what
            )

        yield show


def _progress_lines() -> Progress:
    told_at = 0.0

    def show(done: int, whole: int, word: str) -> None:
        nonlocal told_at
        if time.monotonic() - told_at > PROGRESS_EVERY_S:
            told_at = time.monotonic()
            say(json.dumps({"progress": [done, whole], "at": word}))

    return show


def existing(_context: click.Context, _parameter: click.Parameter, value: Any) -> Any:
    """Refuse paths that are not there, in one sentence each."""
    from takewell.errors import FileError

    for path in value if isinstance(value, tuple) else (value,):
        if path is not None and not Path(path).exists():
            raise FileError(f"{path} is not there; check the name, or whether the disk is connected.")
    return value
