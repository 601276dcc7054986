"""What the pages promise is there: every link leads somewhere, every command stands in README."""

import re
from pathlib import Path

import pytest

from takewell.cli.main import COMMANDS

ROOT = Path(__file__).parents[1]
PAGES = [*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_somewhere(page: Path) -> None:
    links = re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
    gone = [link for link in links if "://" not in link and not (page.parent / link).exists()]
    assert not gone


def test_every_command_stands_in_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    missing = [name for name in COMMANDS if not re.search(rf"takewell {name}\b|make {name}\b", readme)]
    assert not missing
