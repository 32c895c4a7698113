"""An address of the page is in three places: the view that draws it, what the front process answers, the documents.
A time of the page is in two.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from slotwatch.edge.front.page_files import PAGES
from slotwatch.judge.rules.source_absent import SourceAbsentParameters
from slotwatch.judge.rules.universe_missing import UniverseMissingParameters

ROOT = Path(__file__).parents[2]
VIEWS = re.findall(r"^  \[/(\^.+?\$)/,", (ROOT / "web" / "main.js").read_text(encoding="utf-8"), re.M)
"""Patterns of `web/main.js`."""
DOCUMENT = (ROOT / "docs" / "page.md").read_text(encoding="utf-8")
EXAMPLES = {"id": "7", "name": "spare"}


def example(path: str) -> str:
    """Fill the placeholders of an address."""
    return re.sub(r"\{(\w+)(?::[^}]*)?\}", lambda found: EXAMPLES[found[1]], path)


def test_the_page_awaits_what_is_expected_as_long_as_judging_does() -> None:
    """Else it says "not heard yet" of a universe that is missing already, or "All is well" of one still to come."""
    (awaited,) = re.findall(r"^const AWAITED_S = ([\d.]+);", (ROOT / "web" / "verdict.js").read_text("utf-8"), re.M)
    assert float(awaited) == UniverseMissingParameters().start_s == SourceAbsentParameters().start_s


@pytest.mark.parametrize("path", PAGES)
def test_every_address_that_is_answered_has_one_view(path: str) -> None:
    assert sum(bool(re.match(view, example(path))) for view in VIEWS) == 1, "add it to VIEWS in web/main.js"


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_can_be_opened_by_its_address(view: str) -> None:
    """Else a link to it works, and a bookmark or a reload is "not found"."""
    assert any(re.match(view, example(path)) for path in PAGES), "add it to PAGES in edge/front/page_files.py"


@pytest.mark.parametrize("path", sorted({path.split("/{")[0] for path in PAGES}))
def test_every_address_is_in_the_documents(path: str) -> None:
    assert re.search(rf"`{re.escape(path)}(?:/\S+)?`", DOCUMENT), "add it to the table of docs/page.md"
