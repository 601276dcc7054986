"""The style sheet and the scripts."""

from pathlib import PurePosixPath
from typing import Literal

from fastapi import APIRouter
from fastapi.responses import FileResponse

from takewell.page.view import HERE

router = APIRouter()

Name = Literal["page.css", "page.js", "take.js", "plan.js", "mark.svg"]
_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


@router.get("/ink/{name}")
def ink(name: Name) -> FileResponse:
    """Return one of the page's own files."""
    kind = _TYPES[PurePosixPath(name).suffix]
    return FileResponse(HERE / "ink" / name, media_type=kind, headers={"cache-control": "no-cache"})
