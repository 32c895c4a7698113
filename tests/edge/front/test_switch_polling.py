"""Polls of a switch, with an agent in memory: what is asked when, and what a silence makes of it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from slotwatch.edge.front.snmp import NotAnswered
from slotwatch.edge.front.switch_polling import Polls, SwitchPolling, after_silence_s, wait_s
from slotwatch.edge.shared import ended_tasks
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult, Noted, TakeSwitch
from slotwatch.house.schema import House
from slotwatch.house.witnesses import DeclaredSwitch
from slotwatch.wire.observation import SwitchSeen
from slotwatch.wire.switch_tables import CHANGES, COUNTERS, FORWARDING, NAMES, OFTEN, SELDOM
from tests.edge.crossing import crossed
from tests.patience import PATIENCE_S, cancelled, lose_a_cancel

S = 1_000_000_000


class MemoryAgent:
    """Answers from memory, and notes what it was asked for."""

    def __init__(self) -> None:
        self.silent: set[str] = set()
        self.asked: list[str] = []
        self.ports = [((1,), 1)]
        self.up_s = 0.0

    async def get(self, objects: Mapping[str, str]) -> dict[str, Any]:
        return self._answer(objects, {"sysUpTime": [((), round(self.up_s * 100))]})

    async def walk(self, columns: Mapping[str, str]) -> dict[str, Any]:
        own = {"ifOperStatus": list(self.ports), "ifInErrors": [((1,), 7)], "ifName": [((1,), b"1")]}
        return self._answer(columns, {name: own.get(name, []) for name in columns})

    def _answer(self, asked: Mapping[str, str], answer: dict[str, Any]) -> dict[str, Any]:
        self.asked += asked
        if self.silent & set(asked):
            raise NotAnswered("no answer within 2 s")
        return answer

    def close(self) -> None:
        """Nothing to close."""


async def test_tables_and_counters_are_read_once_a_minute_and_names_more_rarely() -> None:
    agent = MemoryAgent()
    polls = Polls(agent)
    tables, names, forwarding = [], [], []
    for t_s in range(1, 362, 10):
        agent.asked.clear()
        agent.up_s = t_s
        seen = await polls.poll("FOH", t_s * S)
        assert seen.state is not None
        asked = set(agent.asked)
        assert set(OFTEN) <= asked
        assert (set(COUNTERS) <= asked) == (set(SELDOM) <= asked) == (seen.state.tables is not None)
        assert (seen.state.ports[0].errors == 7) == (set(COUNTERS) <= asked), "an old count is no new one"
        tables += [t_s] if set(SELDOM) <= asked else []
        forwarding += [t_s] if set(FORWARDING) <= asked else []
        names += [t_s] if set(NAMES) <= asked else []
    assert (tables, names) == ([1, 61, 121, 181, 241, 301, 361], [1, 301])
    assert forwarding == [1, 121, 241, 361]


async def test_a_port_that_changes_is_asked_when_and_a_new_one_for_its_name() -> None:
    agent = MemoryAgent()
    polls = Polls(agent)
    await polls.poll("FOH", S)
    agent.asked.clear()
    agent.ports = [((1,), 2)]
    await polls.poll("FOH", 11 * S)
    assert set(CHANGES) <= set(agent.asked) and not set(NAMES) & set(agent.asked)
    agent.ports = [((1,), 2), ((2,), 1)]
    await polls.poll("FOH", 21 * S)
    assert set(NAMES) <= set(agent.asked)


@pytest.mark.parametrize("up_s", [2.0, 86_400.0])
async def test_of_a_switch_that_began_anew_or_is_another_one_all_is_read_at_once(up_s: float) -> None:
    agent = MemoryAgent()
    polls = Polls(agent)
    for t_s in (1000, 1010):
        agent.up_s = t_s
        agent.asked.clear()
        await polls.poll("FOH", t_s * S)
    assert not set(SELDOM) & set(agent.asked)
    agent.up_s = up_s
    seen = await polls.poll("FOH", 1020 * S)
    assert set(SELDOM) | set(NAMES) <= set(agent.asked)
    assert seen.state is not None and seen.state.tables is not None


async def test_a_switch_that_hangs_over_its_tables_has_answered_all_the_same() -> None:
    agent = MemoryAgent()
    agent.silent = {"dot1dTpFdbPort"}
    seen = await Polls(agent).poll("FOH", S)
    assert seen.reached and seen.state is not None and seen.state.ports[0].up


async def test_a_switch_that_does_not_answer_is_reported_with_its_reason() -> None:
    agent = MemoryAgent()
    agent.silent = {"sysUpTime"}
    assert await Polls(agent).poll("FOH", S) == SwitchSeen(S, "FOH", False, "no answer within 2 s")


def test_a_silent_switch_is_asked_less_and_less_often() -> None:
    assert [wait_s(10, missed) for missed in range(8)] == [10, 10, 10, 20, 40, 80, 160, 300]
    assert wait_s(3600, 9) == 3600, "never more often than it is meant to be"


async def test_what_is_seen_crosses_to_judging_unchanged() -> None:
    seen = await Polls(MemoryAgent()).poll("FOH", S)
    assert crossed(TakeSwitch(seen)) == TakeSwitch(seen)


async def test_credentials_that_cannot_be_read_are_reported_and_nothing_is_sent(tmp_path: Path) -> None:
    reports: asyncio.Queue[SwitchSeen] = asyncio.Queue()

    async def ask(order: FrontOrder) -> Done[FrontResult]:
        assert isinstance(order, TakeSwitch)
        await reports.put(order.seen)
        return Done(0, Noted())

    switch = DeclaredSwitch("FOH", "127.0.0.1", "2c", "nowhere.snmp")
    polling = SwitchPolling(House(file=str(tmp_path / "house.toml"), switches=(switch,)), ask)
    task = asyncio.create_task(polling.run())
    seen = await asyncio.wait_for(reports.get(), PATIENCE_S)
    await cancelled(task)
    assert not seen.reached and "nowhere.snmp cannot be read" in seen.reason


async def test_a_stop_is_a_stop_although_one_of_its_tasks_loses_the_cancel(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Libraries lose one: see ended_tasks.py."""
    told = asyncio.Event()

    async def ask(_order: FrontOrder) -> Done[FrontResult]:
        told.set()
        await lose_a_cancel()
        return Done(0, Noted())

    monkeypatch.setattr(ended_tasks, "AGAIN_AFTER_S", 0.01)
    switch = DeclaredSwitch("FOH", "127.0.0.1", "2c", "nowhere.snmp")
    polling = SwitchPolling(House(file=str(tmp_path / "house.toml"), switches=(switch,)), ask)
    task = asyncio.create_task(polling.run())
    await told.wait()
    await cancelled(task)
    assert task.cancelled()


def test_an_agent_of_version_3_that_falls_silent_is_met_anew_at_once() -> None:
    """Seen with net-snmp 5.9.3: after a restart it answers only a new engine (RFC 3414 2.3), so that the restart was
    known 18 s late: too late for the cause of a loss."""
    third, second = (DeclaredSwitch("FOH", "127.0.0.1", version, "foh.snmp") for version in ("3", "2c"))
    assert [after_silence_s(third, missed) for missed in range(1, 5)] == [0, 10, 20, 40]
    assert [after_silence_s(second, missed) for missed in range(1, 5)] == [10, 10, 20, 40]
