"""Places of keys, held against tomllib: every key has one, and what is spelt there is its value."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slotwatch.edge.shared.shipped import directory
from slotwatch.house.toml_places import MAX_SPELLING, find_places

HARD = '''
# comment = "no"
a.b . "c d" = 1
'e f' = """
two [lines]
and ""\\" quotes"""
g = [ 1, # ] not here
  "x]", { h = 'y}', i.j = [ ] },
]
[k."l.m"]
n = 2026-01-02T03:04:05 # =
[[o]]
p = \'\'\'it's\'\'\'
[[o.q]]
r = 1.5
[[o.q]]
r = 2.5
[o.q.s]
t = true
[[o]]
[[o.q]]
r = "\\u0041\\\\"
'''


def _leaves(tree: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    items = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in items:
        yield (*path, key), value
        yield from _leaves(value, (*path, key))


def _check(text: str) -> None:
    places = find_places(text)
    lines = text.split("\n")
    for path, value in _leaves(tomllib.loads(text)):
        place = places[path]
        if isinstance(path[-1], str) and not isinstance(value, dict | list):
            assert path[-1][:1] in lines[place.line - 1] or "\\" in lines[place.line - 1]
        if not isinstance(value, dict | list) and len(place.spelling) < MAX_SPELLING and "\n" not in str(value):
            assert tomllib.loads(f"v = {place.spelling}")["v"] == value


def test_hard_file_has_all_places() -> None:
    _check(HARD)
    places = find_places(HARD)
    assert places[("a", "b", "c d")].line == 3
    assert places[("g", 2, "h")].line == 8
    assert places[("o", 0, "q", 1, "r")].line == 17
    assert places[("o", 0, "q", 1, "s", "t")].line == 19
    assert places[("o", 1, "q", 0, "r")] == (22, r'"\u0041\\"')


@pytest.mark.parametrize("path", sorted(directory("config").rglob("*.toml")), ids=lambda path: path.name)
def test_shipped_files_have_all_places(path: Path) -> None:
    _check(path.read_text())


_KEYS = st.text("ab-_9", min_size=1, max_size=3) | st.text("é .'#=[]", min_size=1, max_size=3).map(
    lambda key: '"' + key + '"'
)
_SCALARS = (
    st.integers(-99, 99).map(str)
    | st.booleans().map(lambda value: str(value).lower())
    | st.text("ab#[]{},='\\n\t ", max_size=6).map(lambda s: '"' + s.replace("\\", "\\\\").replace("\t", "\\t") + '"')
    | st.text('ab#[]{},="\\ ', max_size=6).map(lambda s: "'" + s + "'")
)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: "[\n" + ", # c\n".join(items) + "\n]")
        | st.dictionaries(_KEYS, inner.filter(lambda text: "\n" not in text), max_size=3).map(
            lambda table: "{ " + ", ".join(f"{k} = {v}" for k, v in table.items()) + " }"
        )
    ),
    max_leaves=6,
)
_TABLES = st.lists(st.tuples(_KEYS, st.booleans(), st.dictionaries(_KEYS, _VALUES, max_size=3)), max_size=4)


@settings(max_examples=60, deadline=None)
@given(_TABLES)
def test_any_valid_file_has_all_places(tables: list[tuple[str, bool, dict[str, str]]]) -> None:
    text = ""
    for name, many, rows in tables:
        text += (f"[[{name}]]\n" if many else f"[{name}]\n") + "".join(f"{k} = {v}\n" for k, v in rows.items())
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    _check(text)
