"""The running house in memory: whole, the newest, and nothing else."""

from __future__ import annotations

import os
import pickle
import threading
from collections.abc import Iterator

import pytest

from slotwatch.edge.shared import housing
from slotwatch.house.schema import House


@pytest.fixture
def fd() -> Iterator[int]:
    made = housing.create_memory()
    yield made
    os.close(made)


def test_a_house_is_read_as_it_was_left(fd: int) -> None:
    housing.write(fd, pickle.dumps(House(name="first and long enough to leave octets behind")))
    housing.write(fd, pickle.dumps(House(name="second")))
    assert housing.read(fd).name == "second"


def test_a_reading_that_falls_into_a_rewriting_is_repeated(fd: int) -> None:
    """Two writers' worth of changes while reading: every house read is a whole one."""
    names = [f"house {n} {'x' * (n % 7) * 1000}" for n in range(300)]
    housing.write(fd, pickle.dumps(House(name=names[0])))
    thread = threading.Thread(target=lambda: [housing.write(fd, pickle.dumps(House(name=name))) for name in names])
    thread.start()
    try:
        while thread.is_alive():
            assert housing.read(fd).name in names
    finally:
        thread.join()


def test_what_is_no_house_is_refused(fd: int) -> None:
    housing.write(fd, pickle.dumps({"not": "a house"}))
    with pytest.raises(TypeError, match="not a house"):
        housing.read(fd)


def test_memory_that_nobody_wrote_is_said(fd: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(housing, "TRIES", 2)
    with pytest.raises(RuntimeError, match="no house"):
        housing.read(fd)
