"""No screen breaks a rule that axe-core (Deque's published accessibility rules, WCAG 2.0 to 2.2 A and AA) can see."""

import json
import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest
from playwright.sync_api import expect

from conftest import CACHE
from takewell.kit import shipped_text
from takewell.plan import example_day

VERSION = "4.10.3"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def axe() -> str:
    """The script, fetched once from the npm registry; skipped, with a sentence, where that cannot be had."""
    kept = CACHE / f"axe-core-{VERSION}.min.js"
    if not kept.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("needs npm to fetch axe-core, and it is not installed here")
        CACHE.mkdir(exist_ok=True)
        packed = subprocess.run(
            [npm, "pack", "--silent", f"axe-core@{VERSION}"],
            cwd=CACHE,
            capture_output=True,
            text=True,
            check=False,
        )
        archive = CACHE / f"axe-core-{VERSION}.tgz"
        if packed.returncode or not archive.exists():
            pytest.skip(
                "axe-core cannot be fetched here: "
                + (packed.stderr.strip().splitlines() or ["no reason given"])[-1]
            )
        with tarfile.open(archive) as tar:
            script = tar.extractfile("package/axe.min.js")
            assert script is not None
            kept.write_bytes(script.read())
        archive.unlink()
    return kept.read_text(encoding="utf-8")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_violations(page_of, prepared, tab, axe, scheme, tmp_path):
    day = tmp_path / "day.toml"
    day.write_text(example_day())
    (tmp_path / "mine.toml").write_text(shipped_text("cardioid"))
    tab.emulate_media(color_scheme=scheme)
    for screen in (
        "start",
        "folder",
        "checkin",
        "",
        "take?id=7-2",
        "handover",
        "jobs",
        "plan",
        "day",
        "kit",
        "profile",
        "bench",
    ):
        outside = {
            "start": page_of.address,
            "folder": f"{page_of.address}folder?for=open&path={Path(prepared).parent}",
            "checkin": f"{page_of.address}checkin",
            "plan": f"{page_of.address}plan",
            "day": f"{page_of.address}plan?path={day}",
            "kit": f"{page_of.address}kit",
            "profile": f"{page_of.address}kit/profile?path={tmp_path / 'mine.toml'}",
            "bench": f"{page_of.address}bench",
        }
        tab.goto(outside.get(screen) or page_of.url(prepared, screen))
        if screen == "":
            expect(tab.locator(".strip svg")).to_have_count(4)
        tab.evaluate(axe)
        found = tab.evaluate("tags => axe.run(document, {runOnly: tags})", TAGS)
        wrong = [
            (rule["id"], [node["html"][:160] for node in rule["nodes"][:3]]) for rule in found["violations"]
        ]
        assert not wrong, f"{screen or 'day'}: {json.dumps(wrong, indent=1)}"
