"""The running house in memory: whole, the newest, and nothing else."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from slotwatch.edge.shared import housing
from slotwatch.edge.shared.files import load_house
from slotwatch.errors import FormatError
from slotwatch.house.schema import House

EXAMPLE = Path(__file__).parents[3] / "config" / "harbour-street" / "house.toml"


@pytest.fixture
def fd() -> Iterator[int]:
    made = housing.create_memory()
    yield made
    os.close(made)


def test_a_house_is_read_as_it_was_left(fd: int) -> None:
    housing.write(fd, housing.encode(House(name="first and long enough to leave octets behind")))
    housing.write(fd, housing.encode(House(name="second")))
    assert housing.read(fd).name == "second"


def test_a_reading_that_falls_into_a_rewriting_is_repeated(fd: int) -> None:
    """Two writers' worth of changes while reading: every house read is a whole one."""
    names = [f"house {n} {'x' * (n % 7) * 1000}" for n in range(300)]
    housing.write(fd, housing.encode(House(name=names[0])))
    thread = threading.Thread(target=lambda: [housing.write(fd, housing.encode(House(name=name))) for name in names])
    thread.start()
    try:
        while thread.is_alive():
            assert housing.read(fd).name in names
    finally:
        thread.join()


def test_what_is_no_house_is_refused_in_one_sentence(fd: int) -> None:
    housing.write(fd, msgspec.msgpack.encode((housing.FORMAT, {"networks": "none"})))
    with pytest.raises(FormatError, match="the house in memory cannot be read: Expected `array`, got `str`"):
        housing.read(fd)


def test_a_house_of_another_version_is_refused_in_one_sentence(fd: int) -> None:
    housing.write(fd, msgspec.msgpack.encode((housing.FORMAT - 1, {"anything": 1})))
    with pytest.raises(FormatError) as refused:
        housing.read(fd)
    said = (
        f"the house in memory has format {housing.FORMAT - 1}, this program reads {housing.FORMAT}; restart slotwatch"
    )
    assert refused.value.lines == [said]


def test_the_house_of_the_demo_crosses_whole(fd: int) -> None:
    house = load_house(EXAMPLE)
    housing.write(fd, housing.encode(house))
    assert housing.read(fd) == house


def test_memory_that_nobody_wrote_is_an_error(fd: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(housing, "TRIES", 2)
    with pytest.raises(RuntimeError, match="no house"):
        housing.read(fd)
