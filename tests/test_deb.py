"""The Debian package: equal twice, without errors for Debian's own checker, with a manual page for each verb."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from deb.build import Target, build
from slotwatch import edge
from slotwatch.cli import VERBS
from tests.patience import PATIENCE_S, PROGRAM_S

pytestmark = [pytest.mark.package, pytest.mark.timeout(2 * PROGRAM_S)]
SHARED = Path(edge.__path__[0]) / "shared"
COMPILED = tuple(f"edge/shared/{source.stem}.x86_64.so" for source in sorted(SHARED.glob("*.c")))
QUICK = "none"
"""What is compared and checked is the tree. `make deb` packs the same one with xz, which takes a minute more."""
OF_THE_PACKING = "uses-no-compression-for-data-tarball,uses-no-compression-for-control-tarball"


def test_two_builds_are_equal_and_debians_checker_finds_no_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One test, so that no second worker builds another package. Source: lintian checks the Debian Policy Manual."""
    missing = [tool for tool in ("dpkg-deb", "lintian") if not shutil.which(tool)]
    if missing and os.environ.get("CI") != "true":
        pytest.skip(f"no {' and no '.join(missing)} here")
    for name in ("SOURCE_DATE_EPOCH", "PYTHONHASHSEED"):
        monkeypatch.setenv(name, "0")  # the builder sets them for what it starts; this puts them back
    package, again = (build(Target("12", "amd64"), tmp_path / name, QUICK) for name in ("first", "second"))
    assert hashlib.sha256(again.read_bytes()).digest() == hashlib.sha256(package.read_bytes()).digest()
    done = subprocess.run(
        ["lintian", "--fail-on", "error", "--suppress-tags", OF_THE_PACKING, package],
        capture_output=True,
        text=True,
        timeout=PROGRAM_S,
    )
    assert done.returncode == 0, done.stdout
    holds_all_that_it_should(package)


def holds_all_that_it_should(package: Path) -> None:
    done = subprocess.run(
        ["dpkg-deb", "--contents", package], capture_output=True, text=True, check=True, timeout=PATIENCE_S
    )
    for verb in VERBS:
        assert f"./usr/share/man/man1/slotwatch-{verb}.1.gz" in done.stdout
    for wanted in (
        "./etc/slotwatch/house.toml",
        "./usr/lib/systemd/system/slotwatch.service",
        "./usr/lib/sysctl.d/50-slotwatch.conf",
        "./usr/lib/slotwatch/lib/python3.11/site-packages/slotwatch/shipped/web/index.html",
        "./usr/share/bash-completion/completions/slotwatch",
        *(f"./usr/lib/slotwatch/lib/python3.11/site-packages/slotwatch/{name}" for name in COMPILED),
    ):
        assert wanted in done.stdout
    assert "root/root" in done.stdout
    # What Debian's checker names macos-ds-store-file-in-package and macos-resource-fork-file-in-package.
    assert "/.DS_Store" not in done.stdout
    assert "/._" not in done.stdout
    assert ".aarch64.so" not in done.stdout, "a compiled file of another machine"
    assert " ./usr/lib/slotwatch/lib/python3.11/site-packages/bin/" not in done.stdout
