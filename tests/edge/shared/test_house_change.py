"""A new house while the daemon runs: what is logged of it, who takes it, and what happens when one of them cannot."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from msgspec.structs import replace

from slotwatch.edge.shared import housing
from slotwatch.edge.shared.house_change import HouseChange
from slotwatch.edge.shared.messages import Refusal
from slotwatch.edge.shared.messages.lifeline import HouseNotTaken, HouseTaken, Loaded, TakeHouse, ToChild
from slotwatch.edge.shared.systemd import Notifier

SUMMARY = Loaded(
    name="Harbour Street Playhouse",
    page="http://127.0.0.1:8580",
    has_routes=False,
    subscribes=False,
    ways_mark=0,
    networks=("eth1", "eth2"),
    first_number=1,
    notes=("patch.csv: column 'Chan' is read as fixture",),
)


@dataclass
class Processes:
    """Takes the place of the parent: keeps what it was asked to do."""

    lines: list[str] = field(default_factory=list)
    orders: list[tuple[str, ToChild]] = field(default_factory=list)
    replaced: list[str] = field(default_factory=list)

    def start(self, role: str, **more: int) -> None:
        if role == "load":
            housing.write(more["house"], b"new")

    def order(self, role: str, message: ToChild) -> None:
        self.orders.append((role, message))

    def is_reachable(self, role: str) -> bool:
        return True

    def replace(self, role: str) -> None:
        self.replaced.append(role)

    def retire(self, role: str, *, at_once: bool = False) -> None: ...

    def say(self, line: str) -> None:
        self.lines.append(line)


@pytest.fixture
def running() -> Iterator[tuple[HouseChange, Processes, int]]:
    memory = housing.create_memory()
    housing.write(memory, b"old")
    processes = Processes()
    change = HouseChange(processes, "house.toml", memory, Notifier())
    change.loaded(SUMMARY)
    yield change, processes, memory
    change.close()
    os.close(memory)


def take(change: HouseChange, processes: Processes, **more: Any) -> None:
    """Reload; every process takes the new house."""
    change.begin()
    change.loaded(replace(SUMMARY, **more))
    while change.is_going:
        change.answered(HouseTaken(number_of(processes)))


def number_of(processes: Processes) -> int | None:
    """Of the change that a process was last asked to take."""
    order = processes.orders[-1][1]
    assert isinstance(order, TakeHouse)
    return order.number


def test_what_did_not_change_is_not_logged_again(running: tuple[HouseChange, Processes, int]) -> None:
    change, processes, _ = running
    assert processes.lines == list(SUMMARY.notes)
    take(change, processes)
    take(change, processes, notes=(*SUMMARY.notes, "circuits.csv: another note"))
    assert processes.lines[1:] == ["reloaded house.toml", "circuits.csv: another note", "reloaded house.toml"]


def test_processes_take_it_in_turn(running: tuple[HouseChange, Processes, int]) -> None:
    change, processes, memory = running
    take(change, processes)
    assert [role for role, message in processes.orders if isinstance(message, TakeHouse)] == [
        "intake",
        "front",
        "judging",
    ]
    assert housing.encoded(memory) == b"new"


@pytest.mark.parametrize(
    ("networks", "replaced"),
    [
        (("eth1", "eth2"), []),
        (("eth1", "eth2", "eth3"), []),
        (("eth2", "eth1"), ["judging"]),
        (("eth0", "eth1", "eth2"), ["judging"]),
        (("eth1",), ["judging"]),
    ],
)
def test_judging_begins_again_where_networks_get_other_numbers(
    running: tuple[HouseChange, Processes, int], networks: tuple[str, ...], replaced: list[str]
) -> None:
    change, processes, memory = running
    take(change, processes, networks=networks)
    assert processes.replaced == replaced
    assert housing.encoded(memory) == b"new" and processes.lines[-1] == "reloaded house.toml"


def test_when_one_cannot_take_it_everybody_keeps_the_old_one(running: tuple[HouseChange, Processes, int]) -> None:
    change, processes, memory = running
    change.ask(7)
    change.begin()
    change.loaded(replace(SUMMARY, name="Another house"))
    number = number_of(processes)
    change.answered(HouseTaken(number))
    change.answered(HouseNotTaken(number, ("port 8580 is taken",)))
    assert housing.encoded(memory) == b"old" and change.summary == SUMMARY
    assert change.problems == ("port 8580 is taken",) and not change.is_going
    (answer,) = [message for _, message in processes.orders if isinstance(message, Refusal)]
    assert answer.number == 7 and "port 8580 is taken" in answer.reason
