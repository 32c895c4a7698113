"""Which tests need no tracing: only those whose lines others run."""

from __future__ import annotations

from tests.untraced import FILE, untraced

A, B, C = (1, 1, 2), (1, 2, 3), (1, 3, 4)


def test_what_nobody_else_runs_is_traced() -> None:
    arcs = {"long": {A, B}, "short": {B, C}, "middle": {A, C}}
    assert untraced(arcs, {"long": 9.0, "short": 2.0, "middle": 3.0}) == ["long"], "then no other one can be left out"
    assert untraced({"alone": {A}}, {"alone": 9.0}) == []
    assert untraced({"long": {A}, "quick": {A}}, {"long": 0.9, "quick": 0.1}) == [], "it is not worth a line"


def test_the_list_is_in_order_and_names_each_once() -> None:
    listed = FILE.read_text(encoding="utf-8").splitlines()
    assert listed == sorted(set(listed))
