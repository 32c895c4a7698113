"""What a rule's module may hold: its numbers are in its parameters, and its conditions read nothing else numeric."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from slotwatch.judge import rules
from slotwatch.judge.catalog import RULES
from slotwatch.judge.parameters import Facts, RuleParameters
from slotwatch.judge.rule import JudgedBy, Rule, RuleClass, ShortWords
from slotwatch.snapshot import Severity

MODULES = sorted(path for path in Path(rules.__file__ or "").parent.glob("*.py") if path.name != "__init__.py")
COUNTING = {0, 1, 2, 100}
"""None, one, a pair or a half, per cent."""
BITS = (ast.LShift, ast.RShift, ast.BitAnd, ast.BitOr)


def numbers(tree: ast.AST) -> Iterator[ast.Constant]:
    """Every number in an expression, but places in a string and bits."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Slice) or (isinstance(node, ast.BinOp) and isinstance(node.op, BITS)):
            continue
        if isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield node
        yield from numbers(node)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_no_bare_number_is_in_a_condition(path: Path) -> None:
    functions = [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.FunctionDef)]
    bare = [
        f"{function.name}, line {number.lineno}: {number.value}"
        for function in functions
        for number in numbers(function)
        if number.value not in COUNTING
    ]
    assert not bare, bare


def rule_saying(sentence: str, facts: type[Facts] = Facts) -> Rule:
    return Rule(
        "made-up",
        RuleClass.FLOW,
        Severity.NOTE,
        ShortWords("{place} stutters", "{n} stutter"),
        sentence,
        JudgedBy(RuleParameters(), lambda setup, p: ()),
        facts=facts,
    )


def test_a_misspelt_placeholder_in_short_words_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing fills plaec"):
        ShortWords("{plaec} lost", "{n} lost")
    with pytest.raises(ValueError, match="nothing fills place"):
        ShortWords("{place} lost", "{place} lost")


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_short_words_fit_a_line_of_the_page(rule: Rule) -> None:
    """Lines of the top of the page at 1366 px: 28 letters of the first size, 35 of the second."""
    words = rule.short
    assert len(re.sub(r"\{\w+\}", "", words.one)) <= 20 or "{" not in words.one, "a name of 8 letters has room"
    assert len(words.one) <= 28 and len(words.many.replace("{n}", "4,034")) <= 35
    assert len(words.look) <= 35 and 1 <= words.audience <= 6


def test_a_misspelt_placeholder_is_refused() -> None:
    with pytest.raises(ValueError, match="made-up: nothing fills univeres in its sentence"):
        rule_saying("{univeres} stutters.")


def test_a_sentence_may_use_what_all_have_and_its_own_numbers() -> None:
    rule = rule_saying("{universes}{from_sender} stutters for {on_delay_s:g} s.").changed(on_delay_s=2.5)
    assert rule.shown_sentence() == "{universes}{from_sender} stutters for 2.5 s."


@dataclass(frozen=True, slots=True)
class NamedAsADelay(Facts):
    on_delay_s: str


def test_a_fact_that_is_named_as_a_number_is_refused() -> None:
    """The page would show the fact and the documents the number."""
    with pytest.raises(ValueError, match="made-up: on_delay_s is a fact and a number"):
        rule_saying("{universes} stutters for {on_delay_s} s.", NamedAsADelay)
