"""How does a screen become HTML, with everything that comes from files escaped?

Conventions: templates lie in ``paper/``; only drawings of our own, whose words are escaped where they are drawn, go
in as markup. A request with the header ``X-Fragment`` gets the part of a screen that changed, any other the
whole screen, so that everything works without the script, too.
"""

import math
import zlib
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from takewell.draw.track import signed

HERE = Path(__file__).parent


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(HERE / "paper"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    environment.filters |= {
        "figure": figure,
        "gain": gain,
        "moment": moment,
        "q": query,
        "drawing": Markup,
        "list_id": list_id,
    }
    return environment


def page(name: str, values: Mapping[str, Any], status: int = 200) -> HTMLResponse:
    """Return a template as an answer."""
    return HTMLResponse(text(name, values), status_code=status)


def text(name: str, values: Mapping[str, Any]) -> str:
    """Return a template as text."""
    return _environment().get_template(name).render(values)


def wants_fragment(request: Request) -> bool:
    """Return whether the script asks for a part only."""
    return "x-fragment" in request.headers


def figure(value: float | None, digits: int = 1) -> str:
    """Return a number with a true minus, a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    return signed(value, digits).removeprefix("+")


def gain(value: float) -> str:
    """Return a gain with its sign."""
    return signed(value, 1)


def moment(seconds: float) -> str:
    """Return a time of the take to a tenth of a second."""
    tenths = round(seconds * 10)
    hours, minutes, rest = tenths // 36000, tenths // 600 % 60, tenths % 600
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{head}:{rest // 10:02d}.{rest % 10}"


def list_id(words: Sequence[str]) -> str:
    """Return what tells one list of words from another."""
    return f"{zlib.crc32('|'.join(words).encode()):08x}"


def query(value: object) -> str:
    """Return a value as it stands in the query of an address."""
    return quote(str(value), safe="")
