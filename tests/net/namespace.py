"""A network of its own for a test: a user and network namespace without any right, by unshare(1)."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent.parent
SETUP = """
set -e
ip link set lo up
ip link add sw type veth peer name eth1
ip address add 10.20.0.9/24 dev eth1
ip link set eth1 up
ip link set sw up
"""
"""`eth1` is the listener's interface with the documents' example address, `sw` the other end of its cable."""


def _tried(command: list[str]) -> bool:
    try:
        return subprocess.run(command, capture_output=True, timeout=10).returncode == 0
    except (OSError, subprocess.TimeoutExpired):
        return False


def require_namespaces() -> None:
    """Skip with the reason where namespaces cannot be made; on CI that is a failure."""
    if shutil.which("unshare") and shutil.which("ip") and _tried(["unshare", "-Urn", "true"]):
        return
    reason = "network namespaces cannot be made here (unshare -Urn, ip)"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def inside(program: str, timeout_s: float = 60.0) -> dict[str, Any]:
    """Run a Python program inside; it prints one line of JSON last, which is returned."""
    require_namespaces()
    done = subprocess.run(
        ["unshare", "-Urn", "sh", "-c", f"{SETUP}\nexec '{sys.executable}' -"],
        input=program,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return answer
