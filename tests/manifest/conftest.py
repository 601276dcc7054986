"""The published schema, the reference implementation of ASC MHL, and small folders to work on."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lxml import etree

DATA = Path(__file__).parents[1] / "data" / "manifest"
REFERENCE = "ascmhl==1.2"
CACHE = Path(__file__).parents[2] / ".cache" / "ascmhl-venv"


@pytest.fixture(scope="session")
def vectors() -> Callable[[str], Any]:
    """Return the content of a table of published figures."""
    return lambda name: json.loads((DATA / name).read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def schema() -> Callable[[Path], None]:
    """Return a function that holds a manifest or chain file against the published XML schema."""
    manifests = etree.XMLSchema(etree.parse(DATA / "ASCMHL.xsd"))
    # The chain's schema imports the manifest's by its address on the network; the copy beside it is meant.
    chain_tree = etree.parse(DATA / "ASCMHLDirectory.xsd")
    for element in chain_tree.iter("{http://www.w3.org/2001/XMLSchema}import"):
        element.set("schemaLocation", str(DATA / "ASCMHL.xsd"))
    chains = etree.XMLSchema(chain_tree)

    def check(path: Path) -> None:
        (chains if path.name == "ascmhl_chain.xml" else manifests).assertValid(etree.parse(path))

    return check


@pytest.fixture(scope="session")
def reference() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Return a function that runs the reference implementation (``ascmhl``) and returns what it said.

    It pins an older Click than ours, so it lives in an environment of its own, made once.
    """
    program = CACHE / "bin" / "ascmhl"
    if not program.exists():
        made = subprocess.run(
            [sys.executable, "-m", "venv", CACHE], capture_output=True, text=True, check=False
        )
        if made.returncode == 0:
            made = subprocess.run(
                [CACHE / "bin" / "python", "-m", "pip", "install", "-q", REFERENCE],
                capture_output=True,
                text=True,
                check=False,
            )
        if made.returncode != 0:
            said = (made.stderr or made.stdout).strip().splitlines() or ["no reason given"]
            pytest.skip(f"the reference implementation {REFERENCE} cannot be installed here: {said[-1]}")

    def run(command: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run([program, command, *arguments], capture_output=True, text=True, check=False)

    return run


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """Return a folder with nested, empty and oddly named content, and our own notes beside it."""
    root = tmp_path / "ROLL 1"
    for folder in ("MONDAY/sub", "empty", "takewell"):
        (root / folder).mkdir(parents=True)
    (root / "MONDAY/1-1.wav").write_bytes(b"RIFF" + bytes(range(256)) * 40)
    (root / "MONDAY/sub/Größe & <two> – 日本.wav").write_bytes(b"x" * 70_000)
    (root / "MONDAY/Größe.txt").write_bytes(b"")
    (root / "log sheet.txt").write_text("circled: 1-1\n", encoding="utf-8")
    (root / "takewell/logbook.sqlite").write_bytes(b"not part of the manifest")
    (root / ".DS_Store").write_bytes(b"nor this")
    return root
