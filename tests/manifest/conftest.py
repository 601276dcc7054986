"""The published figures and schema of ASC MHL, and a small folder to work on."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lxml import etree

DATA = Path(__file__).parents[1] / "data" / "manifest"


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
