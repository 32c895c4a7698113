"""The layers hold: each may import only what is to its right, and only the edge touches the world."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

SOURCE = Path(__file__).parent.parent / "daemon" / "slotwatch"

# Rank of each layer: it may import its own rank's package and anything of a higher rank.
RANK = {
    "cli": 0,
    "verbs": 1,
    "app": 2,
    "process": 2,
    "edge": 3,
    "views": 4,
    "rehearse": 4,
    "engine": 4,
    "judge": 5,
    "bridge": 5,
    "model": 6,
    "house": 7,
    "wire": 8,
    "snapshot": 8,
    "watched_time": 8,
    "clock": 9,
    "durations": 9,
    "errors": 9,
    "printable": 10,
}
PURE = {"wire", "house", "model", "judge", "bridge", "engine", "views", "snapshot", "rehearse"}
WORLD = {
    "asyncio",
    "socket",
    "serial",
    "aiohttp",
    "selectors",
    "subprocess",
    "sqlite3",
    "time",
    "threading",
    "http",
    "ctypes",
    "os",
    "signal",
    "random",
    "secrets",
}


@dataclass(frozen=True)
class Module:
    """What the rules ask of a module: its source is read once for all of them."""

    layer: str
    name: str
    lines: int
    imports: tuple[str, ...]
    classes: tuple[str, ...]
    anys: int


@cache
def _modules() -> tuple[Module, ...]:
    return tuple(_read(path) for path in sorted(SOURCE.rglob("*.py")))


def _read(path: Path) -> Module:
    inside, source = path.relative_to(SOURCE), path.read_text()
    nodes = list(ast.walk(ast.parse(source)))
    return Module(
        inside.parts[0].removesuffix(".py"),
        str(inside),
        len(source.splitlines()),
        tuple(name for node in nodes for name in _imported(node)),
        tuple(node.name for node in nodes if isinstance(node, ast.ClassDef)),
        sum(isinstance(node, ast.Name) and node.id == "Any" for node in nodes),
    )


def _imported(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom) and node.module:
        yield node.module
        if node.module.split(".")[0] == "slotwatch":
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def test_layers_import_only_to_their_right() -> None:
    wrong = []
    for module in _modules():
        if module.layer == "__init__":
            continue
        for imported in module.imports:
            if not imported.startswith("slotwatch."):
                continue
            other = imported.split(".")[1]
            if other in RANK and other != module.layer and RANK[other] <= RANK[module.layer]:
                wrong.append(f"{module.name} imports {imported}")
            assert other in RANK or other.startswith("__"), f"{imported} in {module.name} is in no layer"
    assert not wrong, wrong


def test_modules_import_each_other_in_no_circle() -> None:
    """Imports for types count too."""
    files = {module.name: module for module in _modules()}
    names = {
        f"slotwatch.{name.removesuffix('.py').removesuffix('/__init__').replace('/', '.')}": name for name in files
    }
    graph = {name: {names[one] for one in files[name].imports if one in names} - {name} for name in files}
    TopologicalSorter(graph).prepare()  # CycleError names the circle


def test_pure_layers_touch_no_world() -> None:
    """No clock, socket, file handle, thread, environment or chance below the edge."""
    wrong = [
        f"{module.name} imports {imported}"
        for module in _modules()
        if module.layer in PURE
        for imported in module.imports
        if imported.split(".")[0] in WORLD and imported != "os.path"
    ]
    assert not wrong, wrong


def test_modules_stay_one_concept_long() -> None:
    """A module of more than 400 lines holds more than one concept."""
    long = [f"{module.name}: {module.lines}" for module in _modules() if module.lines > 400]
    assert not long, long


def test_a_class_name_means_one_thing() -> None:
    places: dict[str, list[str]] = {}
    for module in _modules():
        for name in module.classes:
            places.setdefault(name, []).append(module.name)
    twice = {name: where for name, where in places.items() if len(where) > 1}
    assert not twice, twice


WITHOUT_ANY = ("judge/", "snapshot/", "bridge/", "views/", "edge/")
"""What a library leaves untyped is a Protocol or `object` there, and is checked before it is used."""


def test_any_does_not_come_back() -> None:
    found = {module.name: module.anys for module in _modules() if module.name.startswith(WITHOUT_ANY) and module.anys}
    assert not found, found
