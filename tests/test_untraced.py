"""Which tests need no tracing: only those whose lines others run."""

from __future__ import annotations

import ast

from tests.untraced import FILE, untraced

A, B, C = (1, 1, 2), (1, 2, 3), (1, 3, 4)


def test_what_nobody_else_runs_is_traced() -> None:
    arcs = {"long": {A, B}, "short": {B, C}, "middle": {A, C}}
    assert untraced(arcs, {"long": 9.0, "short": 2.0, "middle": 3.0}) == ["long"], "then no other one can be left out"
    assert untraced({"alone": {A}}, {"alone": 9.0}) == []
    assert untraced({"long": {A}, "quick": {A}}, {"long": 0.9, "quick": 0.1}) == [], "it is not worth a line"
    assert untraced({"": {A}, "long": {A}}, {"long": 9.0}) == ["long"], "what reading the modules runs is run"


def test_the_list_is_in_order_and_names_each_once() -> None:
    listed = FILE.read_text(encoding="utf-8").splitlines()
    assert listed == sorted(set(listed))


def test_what_is_listed_exists() -> None:
    """One that was renamed is traced again without a word, and costs twice as much."""
    gone, names = [], {}
    for line in FILE.read_text(encoding="utf-8").splitlines():
        module, _, test = line.partition("::")
        path = FILE.parent.parent / module
        if module not in names:
            tree = ast.parse(path.read_text(encoding="utf-8") if path.exists() else "")
            names[module] = {
                node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            }
        if test.partition("[")[0] not in names[module]:
            gone.append(line)
    assert gone == []
