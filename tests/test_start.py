"""What each process imports before it is ready: the start waits for all of it.

Measured on two cores: numpy 35 ms, aiohttp 80 ms, jinja2 14 ms, apprise and pysnmp several hundred.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

from slotwatch import process

SENDING = ("aiomqtt", "apprise", "pysnmp", "cryptography")
"""What only some houses use: imported when a house that names it is taken."""
HOUSE_FILES = ("pymvr", "pygdtf", "difflib")
PAGES = ("aiohttp", "jinja2", "prometheus_client", "sqlite3", "slotwatch.edge.front", "slotwatch.views.templates")

ROLES = {"app": (), "intake": ("_intake",), "judging": ("_judging",), "front": ("_front", "_serve_front")}
"""Functions of `slotwatch.process` that a role runs through before it is ready."""
WITHOUT = {
    "app": (*SENDING, *HOUSE_FILES, *PAGES, "numpy", "asyncio", "slotwatch.house", "slotwatch.judge"),
    "intake": (*SENDING, *HOUSE_FILES, *PAGES, "asyncio", "slotwatch.judge", "slotwatch.engine"),
    "judging": (*SENDING, *HOUSE_FILES, *PAGES, "asyncio", "ssl"),
    "front": (*SENDING, *HOUSE_FILES, "jinja2", "slotwatch.engine", "slotwatch.edge.intake"),
}


def _needed(role: str) -> list[str]:
    """What a role imports to be ready, as `slotwatch.process` has it."""
    if role == "app":
        return ["slotwatch.app", "slotwatch.verbs.serve"]
    tree = ast.parse(Path(process.__file__).read_text())
    parts = [node for node in tree.body if getattr(node, "name", "") in ROLES[role]]
    found = [one for part in parts for one in ast.walk(part) if isinstance(one, ast.ImportFrom)]
    assert len(found) >= 2, role
    return ["slotwatch.process", *(str(one.module) for one in found)]


@pytest.mark.parametrize("role", list(ROLES))
def test_a_process_is_ready_without_what_it_may_never_need(role: str) -> None:
    code = f"import sys, json, {', '.join(_needed(role))}; print(json.dumps(sorted(sys.modules)))"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = json.loads(answer.stdout)
    heavy = [name for name in loaded for one in WITHOUT[role] if name == one or name.startswith(f"{one}.")]
    assert not heavy, heavy
