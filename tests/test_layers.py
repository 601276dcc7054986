"""The floors of the house: a room imports only from floors below its own, never from a neighbour."""

import ast
from pathlib import Path

import pytest

import takewell

ROOT = Path(takewell.__file__).parent

FLOORS = [
    {"units", "errors", "timecode", "files", "toml_table"},
    {"wave", "manifest"},
    {"measure", "shape", "draw"},
    {"engine"},
    {"plan", "kit"},
    {"roll"},
    {"checkin", "examine", "mend", "level", "mix", "sync", "handover", "whatif", "bench", "demo", "desk"},
    {"cli", "page"},
]
FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}
NEIGHBOURS = {
    ("files", "errors"),
    ("units", "errors"),
    ("timecode", "errors"),
    ("toml_table", "errors"),
    ("plan", "kit"),
    ("cli", "page"),
}
"""The only imports drawn inside a floor: (importer, imported)."""

OPENERS = {"open", "soundfile", "sqlite3", "os", "pathlib", "tempfile"}


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def imported_modules(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            raise AssertionError(f"{path.relative_to(ROOT)}: write imports in full, not relative to the file")
    return found


def rooms_imported(path: Path) -> set[str]:
    parts = (name.split(".") for name in imported_modules(path) if name.startswith("takewell."))
    return {name[1] for name in parts} & FLOOR_OF.keys()


MODULES = sorted(path for path in ROOT.rglob("*.py") if path.parent != ROOT or path.stem in FLOOR_OF)


def test_every_room_has_a_floor() -> None:
    rooms = {room_of(path) for path in MODULES}
    assert rooms, "no modules found"
    assert rooms <= FLOOR_OF.keys()


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_point_down(path: Path) -> None:
    room = room_of(path)
    wrong = {
        other
        for other in rooms_imported(path) - {room}
        if FLOOR_OF[other] >= FLOOR_OF[room] and (room, other) not in NEIGHBOURS
    }
    assert not wrong, f"{path.relative_to(ROOT)} imports {sorted(wrong)}"


@pytest.mark.parametrize("room", ["measure", "shape", "draw"])
def test_computing_rooms_open_nothing(room: str) -> None:
    for path in (ROOT / room).rglob("*.py"):
        used = {name.split(".")[0] for name in imported_modules(path)}
        used |= {
            node.func.id
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        assert not used & OPENERS, f"{path.relative_to(ROOT)} uses {sorted(used & OPENERS)}"
