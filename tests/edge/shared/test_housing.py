"""The running house in memory: whole, the newest, and nothing else."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from slotwatch.edge.shared import housing
from slotwatch.edge.shared.files import load_house
from slotwatch.errors import FormatError
from slotwatch.house.schema import Fixture, House
from slotwatch.wire.universe import Protocol, UniverseId

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
    housing.write(fd, msgspec.msgpack.encode((housing.FORMAT, {"networks": "none"}, [[], [], []])))
    with pytest.raises(FormatError, match="the house in memory cannot be read: Expected `array`, got `str`"):
        housing.read(fd)


def test_a_house_of_another_version_is_refused_in_one_sentence(fd: int) -> None:
    housing.write(fd, msgspec.msgpack.encode((housing.FORMAT - 1, {"anything": 1})))
    with pytest.raises(FormatError) as refused:
        housing.read(fd)
    sentence = (
        f"the house in memory has format {housing.FORMAT - 1}, this program reads {housing.FORMAT}; restart slotwatch"
    )
    assert refused.value.lines == [sentence]


def test_the_house_of_the_demo_crosses_whole(fd: int) -> None:
    house = load_house(EXAMPLE)
    housing.write(fd, housing.encode(house))
    assert housing.read(fd) == house


def test_fixtures_cross_whole_and_share_what_they_have_in_common(fd: int) -> None:
    fixtures = [
        Fixture(
            f"Unit {number}",
            UniverseId(Protocol.E131, 1 + number % 3),
            1 + number,
            ("intensity", "pan", "tilt"),
            profile=f"head {number % 2}",
            label=f"{number}",
            position="Bridge 1",
            circuit=f"C{number}",
            faces_audience=number % 5 == 0,
            accepted_overlap=number % 7 == 0,
            file="patch.csv",
            row=number if number % 4 else None,
        )
        for number in range(60)
    ]
    housing.write(fd, housing.encode(House(fixtures=tuple(fixtures))))
    found = housing.read(fd).fixtures
    assert list(found) == fixtures
    assert len({id(one.slots) for one in found}) <= 2 * 2 * 2, "once for each kind"
    assert len({id(one.universe) for one in found}) == 3


def test_a_process_without_need_of_the_patch_gets_all_else(fd: int) -> None:
    house = load_house(EXAMPLE)
    housing.write(fd, housing.encode(house))
    assert house.fixtures
    assert housing.read(fd, with_patch=False) == replace(house, fixtures=())


def test_a_table_that_names_what_is_not_there_is_refused(fd: int) -> None:
    row = ["Unit 1", 5, 1, "", "", None, 0]
    housing.write(fd, msgspec.msgpack.encode((housing.FORMAT, House(), [[], [], [row]])))
    with pytest.raises(FormatError, match="cannot be read"):
        housing.read(fd)


def test_memory_that_nobody_wrote_is_an_error(fd: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(housing, "TRIES", 2)
    with pytest.raises(RuntimeError, match="no house"):
        housing.read(fd)
