"""The C files as they are now, built for a test, whatever lies beside them."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from compilation import build


def compiler() -> str:
    """The C compiler; the test is skipped where there is none, but not in CI."""
    found = shutil.which("cc")
    if found is None:
        assert os.environ.get("CI") != "true", "a C compiler is missing"
        pytest.skip("a C compiler is missing: sudo apt-get install gcc")
    return found


def built(source: Path, place: Path) -> Path:
    """Build one file in a place of the test's own."""
    target = place / f"{source.stem}.so"
    build(compiler(), source, target)
    return target
