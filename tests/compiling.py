"""The C files as they are now, built once for all tests of a run, whatever lies beside them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

from slotwatch.edge.shared import compiled as files
from slotwatch.edge.shared.compiled import Compiled, Copying, Looking, Receiving, Recording

T = TypeVar("T")
Places = pytest.TempPathFactory


def compiler() -> str:
    """The C compiler; the test is skipped where there is none, but not in CI."""
    found = shutil.which("cc")
    if found is None:
        assert os.environ.get("CI") != "true", "a C compiler is missing"
        pytest.skip("a C compiler is missing: sudo apt-get install gcc")
    return found


def built(source: Path, place: Path) -> Path:
    """Build one file in a place of the test's own."""
    from compilation import build  # it reads the builder of packages, which few tests need

    target = place / f"{source.stem}.so"
    build(compiler(), source, target)
    return target


def loaded(load: Callable[[Path], T | None], source: Path, places: Places) -> T:
    """What a source is as it is now."""
    made = load(built(source, places.mktemp("built")))
    assert made is not None
    return made


@pytest.fixture(scope="session")
def compiled(tmp_path_factory: Places) -> Compiled:
    return loaded(files.load, files.SOURCE, tmp_path_factory)


@pytest.fixture(scope="session")
def receiving(tmp_path_factory: Places) -> Receiving:
    return loaded(files.load_receiving, files.RECEIVING, tmp_path_factory)


@pytest.fixture(scope="session")
def recording(tmp_path_factory: Places) -> Recording:
    return loaded(files.load_recording, files.RECORDING, tmp_path_factory)


@pytest.fixture(scope="session")
def looking(tmp_path_factory: Places) -> Looking:
    return loaded(files.load_looking, files.LOOKING, tmp_path_factory)


@pytest.fixture(scope="session")
def copying(tmp_path_factory: Places) -> Copying:
    return loaded(files.load_copying, files.COPYING, tmp_path_factory)
