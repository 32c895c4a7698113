"""The C files as they are now, built once for all tests of a run, whatever lies beside them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Protocol, TypeVar

import pytest

from slotwatch.edge.shared import compiled as files

T = TypeVar("T")
SANITIZE = "SLOTWATCH_TESTS_SANITIZE"
SANITIZERS = ("-O1", "-g", "-fno-omit-frame-pointer", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
"""How they are built where the environment has SANITIZE: a step outside an array ends the process and says where."""


def compiler() -> str:
    """The C compiler; the test is skipped where there is none, but not in CI."""
    found = shutil.which("cc")
    if found is None:
        assert os.environ.get("CI") != "true", "a C compiler is missing"
        pytest.skip("a C compiler is missing: sudo apt-get install gcc")
    return found


def build_in(place: Path, source: Path) -> Path:
    """Build one file in a place of the test's own."""
    from compilation import build  # it reads the builder of packages, which few tests need

    target = place / f"{source.stem}.so"
    build(compiler(), source, target, SANITIZERS if os.environ.get(SANITIZE) else ("-O3", "-s"))
    return target


class Built(Protocol):
    """Gives what a C file is as it is now, by the function that loads it where it was installed."""

    def __call__(self, load: Callable[[Path], T | None]) -> T: ...


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    sources = {
        files.load: files.SOURCE,
        files.load_receiving: files.RECEIVING,
        files.load_recording: files.RECORDING,
        files.load_looking: files.LOOKING,
        files.load_copying: files.COPYING,
        files.load_intervals: files.INTERVALS,
        files.load_levels: files.LEVELS,
    }

    @cache
    def loaded(load: Callable[[Path], T | None]) -> T:
        made = load(build_in(tmp_path_factory.mktemp("built"), sources[load]))
        assert made is not None
        return made

    return loaded
