"""Documents that cannot lie: generated ones are current, and what the program has is in the README."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from slotwatch.cli import VERBS, build_parser
from tests.generated import GENERATED

ROOT = Path(__file__).parent.parent
DOCS = sorted((ROOT / "docs").rglob("*.md"))
PAGES = ["README.md", "DEVELOPERS.md", "SECURITY.md", "CHANGELOG.md", *(str(page.relative_to(ROOT)) for page in DOCS)]
README = (ROOT / "README.md").read_text(encoding="utf-8")
USERS = "\n".join([README, *(page.read_text(encoding="utf-8") for page in DOCS)])


@pytest.mark.parametrize("path", GENERATED, ids=lambda path: path.name)
def test_what_is_generated_is_current(path: Path) -> None:
    assert path.read_text(encoding="utf-8") == GENERATED[path](), "run: make docs"


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_is_documented(verb: str) -> None:
    assert f"slotwatch {verb}" in USERS or f"`{verb}" in USERS


def test_every_option_of_every_verb_is_documented(capsys: pytest.CaptureFixture[str]) -> None:
    missing = []
    parser = build_parser()
    for verb in VERBS:
        with pytest.raises(SystemExit):
            parser.parse_args([verb, "--help"])
        found = [_option(line) for line in capsys.readouterr().out.splitlines() if line.startswith("  -")]
        assert ["-h", "--help"] in found
        shown = [words for words in found if "--help" not in words]
        missing += [f"{verb} {words[-1]}" for words in shown if not any(word in USERS for word in words)]
    assert missing == []


def _option(line: str) -> list[str]:
    """The ways to write the option of a line of help: `  -c FILE, --config FILE   what it does`."""
    return re.findall(r"(?:^|, )(--?[a-z][a-z-]*)", line.strip().split("  ")[0])


def test_every_command_the_documents_show_exists() -> None:
    code = "\n".join([*re.findall(r"`([^`\n]+)`", USERS), *re.findall(r"^    (.+)$", USERS, re.M)])
    assert set(re.findall(r"\bslotwatch ([a-z]+)\b(?!\.)", code)) <= set(VERBS) | {"bridge"}
    targets = set(re.findall(r"\bmake ([a-z-]+)", code))
    made = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M))
    assert targets <= made


@pytest.mark.parametrize("document", PAGES)
def test_links_between_documents_lead_somewhere(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert ((ROOT / document).parent / target).exists(), f"{document} links to {target}"


@pytest.mark.parametrize("document", PAGES)
def test_no_page_holds_both_sides_of_a_merge(document: str) -> None:
    """git-merge(1), "How conflicts are presented"."""
    text = (ROOT / document).read_text(encoding="utf-8")
    assert re.findall(r"^(?:<{7}|>{7}|\|{7}) .*$", text, re.M) == []


@pytest.mark.parametrize(("document", "most"), [("README.md", 150), ("DEVELOPERS.md", 200)])
def test_first_pages_stay_short(document: str, most: int) -> None:
    assert len((ROOT / document).read_text(encoding="utf-8").splitlines()) <= most


def test_the_glossary_stays_small() -> None:
    """At most 25 words of our own; the rest are the trade's and the standards'."""
    text = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    assert len(re.findall(r"^\| ", text, re.M)) - 2 <= 25


@pytest.mark.parametrize("document", [str(page.relative_to(ROOT)) for page in DOCS])
def test_every_page_is_reachable(document: str) -> None:
    """From the first page for users, or from the one for contributors."""
    from_first = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert document in from_first or f"({Path(document).parent})" in from_first
