"""What the command says of itself."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from slotwatch.cli import main
from tests.patience import PATIENCE_S


def test_help_says_that_it_is_no_safety_system(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    shown = " ".join(capsys.readouterr().out.split())
    assert "Not a safety system: never use it for emergency or escape lighting, hoists, moving scenery" in shown
    assert "lasers, flames or pyrotechnics" in shown


@pytest.mark.parametrize(
    ("most", "line"),
    [
        (
            24,
            "only 24 files may be open at once, and each process of slotwatch needs 64; raise the limit: ulimit -n"
            " 1024, or LimitNOFILE=1024 in its systemd unit",
        ),
        (1024, "no-house.toml: no such file"),  # it raised the limit itself
    ],
)
def test_serve_says_how_many_files_must_be_open_and_raises_the_limit_where_it_may(
    tmp_path: Path, most: int, line: str
) -> None:
    """setrlimit(2): a process may raise its soft limit up to the hard one."""
    done = subprocess.run(
        [sys.executable, "-m", "slotwatch.cli", "serve", "-c", "no-house.toml"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (24, most)),
    )
    assert (done.returncode, done.stderr) == (2, f"slotwatch serve: {line}\n")
