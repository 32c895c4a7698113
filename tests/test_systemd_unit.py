"""The unit: what systemd's own tools say of it, and that it agrees with the program and the install note."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.patience import PATIENCE_S

UNIT = Path(__file__).parent.parent / "systemd" / "slotwatch.service"
SYSCTL = UNIT.parent / "sysctl.d" / "50-slotwatch.conf"
NOTE = UNIT.parent / "INSTALL.md"


@pytest.fixture
def analyze() -> str:
    found = shutil.which("systemd-analyze")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("systemd-analyze is missing; CI has to have it")
        pytest.skip("systemd-analyze is not installed")
    return found


def test_systemd_finds_no_fault_in_the_unit(analyze: str, tmp_path: Path) -> None:
    """The program's path is replaced by one that exists here; nothing else is changed."""
    unit = tmp_path / "slotwatch.service"
    text = re.sub(r"^ExecStart=\S+", f"ExecStart={sys.executable}", UNIT.read_text(), flags=re.M)
    unit.write_text(text)
    done = subprocess.run([analyze, "verify", "--man=no", unit], capture_output=True, text=True, timeout=PATIENCE_S)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_the_exposure_is_2_0_or_better(analyze: str) -> None:
    """systemd-analyze's own scale, 0 the best; the threshold is in tenths, and above it the status is 1."""
    done = subprocess.run(
        [analyze, "security", "--offline=true", "--threshold=20", UNIT],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 0, done.stdout[-200:]
    level = re.search(r"exposure level for \S+: ([0-9.]+)", done.stdout)
    assert level is not None
    assert float(level[1]) <= 2.0


def test_the_unit_waits_for_ready_and_is_watched() -> None:
    text = UNIT.read_text()
    for line in (
        "Type=notify",
        "WatchdogSec=30s",
        "WatchdogSignal=SIGKILL",
        "Restart=on-failure",
        "KillMode=mixed",
        "StateDirectory=slotwatch",
    ):
        assert re.search(f"^{line}$", text, re.M), line


def test_the_sysctl_file_names_only_settings_that_exist_and_grants_what_is_asked_for() -> None:
    from slotwatch.edge.intake.opening import WANTED_BUFFER_BYTES

    rows = dict(line.split(" = ") for line in SYSCTL.read_text().splitlines() if line and not line.startswith("#"))
    for name in rows:
        assert (Path("/proc/sys") / name.replace(".", "/")).exists(), name
    assert int(rows["net.core.rmem_max"]) >= WANTED_BUFFER_BYTES // 2


def test_the_install_note_uses_the_files_that_are_there() -> None:
    text = NOTE.read_text()
    for path in re.findall(r"systemd/\S+\.(?:conf|service)", text):
        assert (UNIT.parent.parent / path).is_file(), path
    assert f"ExecStart={'/opt/slotwatch'}/bin/slotwatch" in UNIT.read_text()
    assert "/opt/slotwatch/bin/slotwatch" in text
