"""Tests see what the outside sees: none reads, sets or imports a private name of what it tests, nor does one hand such
a name to what does (`setattr`, a patch, code for another process).

A test's own classes may have private names, for themselves.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
PUBLISHED = {"_asdict", "_replace", "_fields", "_make", "_field_defaults", "_exit"}
"""The underscore is not Python's word for private here: of named tuples, so that they clash with no field; of `os`."""
BY_NAME = {"setattr", "getattr", "hasattr", "delattr", "object", "attrgetter", "methodcaller"}
"""Functions that are given an attribute's name."""
IN_TEXT = re.compile(r"[\w)\]]\.(_[a-z]\w*)")
"""In the target of a patch, and in code that is given to another process."""


def is_private(name: str) -> bool:
    return name.startswith("_") and name != "_" and not name.endswith("__") and name not in PUBLISHED


def private_names(source: str) -> list[str]:
    """What is wrong in a test's source: its line, and the name."""
    tree = ast.parse(source)
    own = set(_made_here(tree))
    return sorted({f"{line}: {name}" for node in ast.walk(tree) for line, name in _used(node, own)})


def _made_here(tree: ast.AST) -> Iterator[str]:
    """Names of methods, class fields and `self._x = ...` of the classes of this file."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            for part in node.body:
                if isinstance(part, ast.FunctionDef | ast.AsyncFunctionDef):
                    yield part.name
                elif isinstance(part, ast.AnnAssign) and isinstance(part.target, ast.Name):
                    yield part.target.id
                elif isinstance(part, ast.Assign):
                    yield from (one.id for one in part.targets if isinstance(one, ast.Name))
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store) and _is_own(node):
            yield node.attr


def _is_own(node: ast.Attribute) -> bool:
    return isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")


def _used(node: ast.AST, own: set[str]) -> Iterator[tuple[int, str]]:
    match node:
        case ast.Attribute() if is_private(node.attr) and not (_is_own(node) and node.attr in own):
            yield node.lineno, node.attr
        case ast.ImportFrom() | ast.Import():
            names = [part for alias in node.names for part in alias.name.split(".")]
            names += (getattr(node, "module", None) or "").split(".")
            yield from ((node.lineno, name) for name in names if is_private(name))
        case ast.Call():
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            for given in node.args if called in BY_NAME else ():
                if isinstance(given, ast.Constant) and isinstance(given.value, str) and is_private(given.value):
                    yield node.lineno, given.value
        case ast.Constant(value=str(text)):
            yield from ((node.lineno, name) for name in IN_TEXT.findall(text) if is_private(name))


@pytest.mark.parametrize(
    "source",
    [
        "thing._field",
        "make().part._field = 1",
        "from slotwatch.app import _turn",
        "from slotwatch._app import turn",
        "import slotwatch._app",
        'monkeypatch.setattr(thing, "_field", 1)',
        'monkeypatch.setattr("slotwatch.app._turn", 1)',
        'patch("slotwatch.app._turn")',
        'patch.object(thing, "_field")',
        'inside("""with listening() as ear: ear.intake._changed()""")',
        "class Sub(Thing):\n    def read(self):\n        return self._field",
    ],
)
def test_each_way_to_a_private_name_is_found(source: str) -> None:
    assert len(private_names(source)) == 1


@pytest.mark.parametrize(
    "source",
    [
        "row._asdict(), os._exit(0), __name__.__len__(), [_ for _ in thing]",
        "class Own:\n    def __init__(self):\n        self._field = 1\n    def read(self):\n        return self._field",
        'monkeypatch.setattr(thing, "field", 1)',
    ],
)
def test_what_is_public_or_a_tests_own_is_not(source: str) -> None:
    assert private_names(source) == []


def test_no_test_reaches_into_what_it_tests() -> None:
    found = {str(path.relative_to(TESTS)): private_names(path.read_text()) for path in TESTS.rglob("*.py")}
    del found[Path(__file__).name]  # its examples
    assert {path: names for path, names in found.items() if names} == {}
