"""What a test leaves behind fails no other test: a run of tests, each followed by one that is well."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from tests.patience import PATIENCE_S

ROOT = Path(__file__).parent.parent
HOOKS = "pytest_runtest_call, pytest_runtest_makereport, pytest_runtest_protocol, pytest_runtest_teardown"
SETTINGS = f"""
[pytest]
addopts = -q -rA --tb=no --disable-plugin-autoload -p pytest_asyncio.plugin -p pytest_timeout -p no:cacheprovider
asyncio_mode = auto
asyncio_default_fixture_loop_scope = function
filterwarnings = error
timeout = 1
pythonpath = {ROOT}
"""
TESTS = """
import asyncio, gc, logging, os, socket, subprocess, sys
from pathlib import Path

async def test_hangs_and_its_task_does_not_end_either():
    async def lose_cancels():
        while True:
            try:
                await asyncio.Event().wait()
            except asyncio.CancelledError:
                pass

    held = socket.socket()
    task = asyncio.create_task(lose_cancels())
    await task

async def test_well_after_hanging():
    await asyncio.to_thread(int)

def test_fails_and_holds_a_socket():
    held = [socket.socket()]
    held.append(held)
    assert not held

def test_well_after_a_socket():
    gc.collect()

def test_fails_and_leaves_a_process_and_its_directory(tmp_path):
    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    Path("process").write_text(str(process.pid))
    process.returncode = 0  # or it would complain itself
    os.chdir(tmp_path)
    assert False

def test_well_after_a_process():
    process = Path("process").read_text()
    os.waitpid(int(process), 0)

def test_leaves_the_environment():
    os.environ["LEFT"] = "behind"

def test_leaves_the_log():
    logging.disable(logging.CRITICAL)

def test_well_after_both():
    assert "LEFT" not in os.environ and logging.root.manager.disable == 0
"""


def test_what_a_test_leaves_fails_no_other(tmp_path: Path) -> None:
    (tmp_path / "pytest.ini").write_text(SETTINGS)
    (tmp_path / "conftest.py").write_text(f"from tests.leftovers import {HOOKS}\n")
    (tmp_path / "test_these.py").write_text(TESTS)
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST_", "COV_"))}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "test_these.py"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    said = {(outcome, name) for outcome, name in re.findall(r"^(\w+) test_these\.py::test_(\w+)", done.stdout, re.M)}
    wrong = {name for outcome, name in said if outcome != "PASSED"}
    well = {name for _, name in said} - wrong
    assert well == {"well_after_hanging", "well_after_a_socket", "well_after_a_process", "well_after_both"}, (
        done.stdout + done.stderr
    )
    assert {("ERROR", "leaves_the_environment"), ("ERROR", "leaves_the_log")} <= said, done.stdout
    assert ("ERROR", "hangs_and_its_task_does_not_end_either") in said, "its end has a limit of its own"
