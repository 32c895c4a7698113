"""Documents that cannot lie: generated ones are current, and what the program has stands in the README."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from slotwatch.cli import VERBS, build_parser
from slotwatch.house.rule_names import RULE_NAMES
from slotwatch.judge.catalog import CATALOG
from tests import reference

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_house_file_reference_is_current() -> None:
    assert (ROOT / "docs" / "house-file.md").read_text(encoding="utf-8") == reference.house_file(), (
        "run: python -m tests.reference"
    )


def test_the_rules_reference_is_current() -> None:
    assert (ROOT / "docs" / "rules.md").read_text(encoding="utf-8") == reference.rules(), (
        "run: python -m tests.reference"
    )


def test_house_file_and_judge_know_the_same_rules() -> None:
    assert set(CATALOG) - {"flapping"} == set(RULE_NAMES)


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_stands_in_the_readme(verb: str) -> None:
    assert f"slotwatch {verb}" in README or f"`{verb}" in README


def test_every_option_of_every_verb_stands_in_the_readme() -> None:
    missing = []
    parser = build_parser()
    subparsers = next(action for action in parser._actions if hasattr(action, "choices") and action.choices)
    for verb, sub in subparsers.choices.items():  # type: ignore[union-attr]
        for action in sub._actions:
            shown = [word for word in action.option_strings if word.startswith("--")]
            hidden = action.help == "==SUPPRESS=="
            if shown and not hidden and not any(word in README for word in (*shown, *action.option_strings)):
                missing.append(f"{verb} {shown[0]}")
    missing = [option for option in missing if not option.endswith("--help")]
    assert missing == []


def test_every_command_the_readme_shows_exists() -> None:
    code = "\n".join([*re.findall(r"`([^`\n]+)`", README), *re.findall(r"^    (.+)$", README, re.M)])
    assert set(re.findall(r"\bslotwatch ([a-z]+)\b(?!\.)", code)) <= set(VERBS) | {"bridge"}
    targets = set(re.findall(r"\bmake ([a-z-]+)", code))
    made = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M))
    assert targets <= made


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "SECURITY.md", "CHANGELOG.md"])
def test_links_between_documents_lead_somewhere(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / target).exists(), f"{document} links to {target}"
