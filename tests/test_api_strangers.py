"""The running daemon is asked everything that its description allows, and much that it does not.

Judge from outside: schemathesis. No answer is a fault of the server's own, and none is outside the description.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.daemon import desk, running
from tests.patience import until

CHECKS = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance"
ENOUGH_S = 300


@pytest.mark.timeout(ENOUGH_S + 60)
def test_no_answer_is_outside_the_description(tmp_path: Path) -> None:
    with running(tmp_path) as daemon, desk(daemon, range(1, 3)):
        # Until then a report is refused with 503, which is described, and which the tester takes for a fault.
        until(lambda: daemon.get("/api/v1/report?format=json"), ENOUGH_S)
        asked = subprocess.run(
            [
                *(sys.executable, "-m", "schemathesis.cli", "run"),
                f"http://127.0.0.1:{daemon.ports.page}/api/v1/openapi.json",
                *("--exclude-path", "/api/v1/events"),  # it does not end
                *("--checks", CHECKS, "--phases", "examples,coverage,fuzzing"),
                *("--max-examples", "6", "--seed", "7", "--generation-database", "none", "--no-color"),
            ],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=ENOUGH_S,
        )
        assert asked.returncode == 0, asked.stdout[-8000:] + asked.stderr[-2000:]
        assert " passed" in asked.stdout and "Tested: 0" not in asked.stdout
        assert daemon.get("/api/v1/house")["name"] == "Test house"
    assert "Traceback" not in daemon.log()
