"""Polls the switches of the house, and hands what they say to judging.

Each switch has a task of its own: one that hangs delays nothing but itself. What changes seldom is read once a
minute. A new incident wakes all of them, since what a port did in that second is its best evidence.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from typing import Protocol

from slotwatch import clock
from slotwatch.durations import NANOSECONDS
from slotwatch.edge.front.decoding_pace import DecodingPace
from slotwatch.edge.front.switch_credentials import Credentials, read_credentials
from slotwatch.edge.front.to_judging import Ask, tell_judging
from slotwatch.edge.shared.ended_tasks import work_together
from slotwatch.edge.shared.messages.orders import TakeSwitch
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.secret_file import SecretFileError
from slotwatch.house.schema import House
from slotwatch.house.witnesses import DeclaredSwitch
from slotwatch.snapshot import Snapshot
from slotwatch.wire.observation import SwitchSeen
from slotwatch.wire.switch import SwitchState
from slotwatch.wire.switch_tables import (
    CHANGES,
    COUNTERS,
    FORWARDING,
    NAMES,
    OFTEN,
    SCALARS,
    SELDOM,
    Index,
    Value,
    read_switch,
)

LEAST_GAP_S = 5.0
"""Between two polls of a switch, whatever happens."""
TABLES_EVERY_S = 60.0
FORWARDING_EVERY_S = 120.0
NAMES_EVERY_S = 300.0
POLL_WITHIN_S = 30.0
MOST_SILENT_S = 300.0
"""Longest time between two polls of a switch that does not answer."""
MISSED = 3
"""Polls without an answer after which it is asked less and less often."""
CLOCK_SLACK_S = 10.0
"""How far the up time may seem off because an answer was slow."""
_TOGETHER = 6
"""Columns that are walked side by side."""

Walked = dict[str, list[tuple[Index, Value]]]


class Asked(Protocol):
    """An agent, as `edge.front.snmp` asks it."""

    async def get(self, objects: Mapping[str, str]) -> Walked: ...

    async def walk(self, columns: Mapping[str, str]) -> Walked: ...

    def close(self) -> None: ...


class SwitchPolling:
    """Follows the snapshots for new incidents; `run` asks for ever."""

    name = "switches"

    def __init__(self, house: House, ask: Ask) -> None:
        self._house = house
        self._ask = ask
        self._pace = DecodingPace()
        self._making = asyncio.Lock()
        """One agent is made at a time: several threads would leave this one little time."""
        self._incidents = 0
        self._soon = [asyncio.Event() for _ in house.switches]

    def note(self, snapshot: Snapshot) -> None:
        """Wake all tasks if an incident has opened."""
        newest = snapshot.next_incident
        if self._incidents and newest > self._incidents:
            for event in self._soon:
                event.set()
        self._incidents = newest

    def health(self) -> dict[str, object]:
        """A rule reports switches that do not answer."""
        return {"ok": True, "text": ""}

    async def run(self) -> None:
        """Ask all of them for ever."""
        await work_together(*map(self._follow, self._house.switches, self._soon))

    async def _follow(self, declared: DeclaredSwitch, soon: asyncio.Event) -> None:
        missed = 0
        while True:
            try:
                agent = await self._agent(declared)
            except SecretFileError as error:
                reason = f"its credentials file {error}"
                await self._tell(SwitchSeen(clock.monotonic_ns(), declared.name, False, reason))
                await asyncio.sleep(declared.poll_s)
                continue
            polls = Polls(agent)
            try:
                missed = await self._poll_until_silent(declared, polls, soon, missed)
            finally:
                agent.close()
            await _wait(after_silence_s(declared, missed), None)

    async def _poll_until_silent(self, declared: DeclaredSwitch, polls: Polls, soon: asyncio.Event, missed: int) -> int:
        """Poll until no answer comes; the caller then starts again, with credentials that are read again.

        missed: polls in a row without an answer before this. Returns the same with the last one.
        """
        while True:
            seen = await polls.poll(declared.name, clock.monotonic_ns(), everything=soon.is_set())
            soon.clear()
            await self._tell(seen)
            if not seen.reached:
                return missed + 1
            missed = 0
            await _wait(wait_s(declared.poll_s, missed), soon)

    async def _agent(self, declared: DeclaredSwitch) -> Asked:
        path = read_place(self._house, declared.credentials_file)
        made = await asyncio.to_thread(read_credentials, path, declared.version)
        async with self._making:
            return await asyncio.to_thread(_agent_of, declared.address, made, self._pace)

    async def _tell(self, seen: SwitchSeen) -> None:
        await tell_judging(self._ask, TakeSwitch(seen))


def _agent_of(address: str, credentials: Credentials, pace: DecodingPace) -> Asked:
    # Only a house that names a switch needs the library.
    from slotwatch.edge.front.snmp import Agent

    return Agent(address, credentials, pace)


class Polls:
    """What was read of one switch so far."""

    def __init__(self, agent: Asked) -> None:
        self._agent = agent
        self._walked: Walked = {}
        self._tables_ns = 0
        self._names_ns = 0
        self._forwarding_ns = 0
        self._answered_ns = 0
        self._is_anew = False

    async def poll(self, name: str, now_ns: int, everything: bool = False) -> SwitchSeen:
        """Ask once. A switch that gives its ports and hangs at its tables has answered."""
        from slotwatch.edge.front.snmp import NotAnswered

        before = dict(self._walked)
        for column in COUNTERS:  # an old count would be taken for a new one
            self._walked.pop(column, None)
        try:
            async with asyncio.timeout(POLL_WITHIN_S):
                self._walked |= await self._agent.get(SCALARS)
                self._walked |= await self._agent.walk(OFTEN)
        except NotAnswered as silence:
            return SwitchSeen(now_ns, name, False, str(silence))
        except TimeoutError:
            return SwitchSeen(now_ns, name, False, f"a poll took longer than {POLL_WITHIN_S:.0f} s")
        with_tables = now_ns - self._tables_ns >= TABLES_EVERY_S * NANOSECONDS or not self._tables_ns
        self._is_anew = self._has_other_clock(before, now_ns)
        with_tables |= self._has_other_ports(before) or self._is_anew
        self._answered_ns = now_ns
        with contextlib.suppress(NotAnswered, TimeoutError):
            async with asyncio.timeout(POLL_WITHIN_S):
                with_tables = await self._read_on(now_ns, before, with_tables, everything)
        state: SwitchState | None = read_switch(self._walked, with_tables)
        if state is None:
            return SwitchSeen(
                now_ns,
                name,
                False,
                "it does not report how long it has been up: its user or community may read too little",
            )
        return SwitchSeen(now_ns, name, True, "", state)

    async def _read_on(self, now_ns: int, before: Walked, with_tables: bool, everything: bool) -> bool:
        changed = before.get("ifOperStatus") != self._walked.get("ifOperStatus")
        if changed or everything or with_tables:
            self._walked |= await self._agent.walk(CHANGES)
        if everything or with_tables:
            self._walked |= await self._agent.walk(COUNTERS)
        if with_tables:
            columns = dict(SELDOM)
            if self._names_are_old(now_ns, before):
                self._names_ns = now_ns
                columns = NAMES | SELDOM
            since_ns = now_ns - self._forwarding_ns
            if everything or not self._forwarding_ns or since_ns >= FORWARDING_EVERY_S * NANOSECONDS:
                self._forwarding_ns = now_ns
                columns |= FORWARDING
            self._tables_ns = now_ns  # a table that hangs is not asked for again in the next poll
            names = list(columns)
            for start in range(0, len(names), _TOGETHER):
                self._walked |= await self._agent.walk({one: columns[one] for one in names[start : start + _TOGETHER]})
        if changed and before:
            self._tables_ns = self._forwarding_ns = 0  # something was plugged or pulled: the next poll reads all of it
        return with_tables

    def _has_other_ports(self, before: Walked) -> bool:
        """Whether it has other ports than at the last poll: what is known of them is then read again."""
        ports = [[index for index, _ in walked.get("ifOperStatus", ())] for walked in (before, self._walked)]
        return ports[0] != ports[1]

    def _has_other_clock(self, before: Walked, now_ns: int) -> bool:
        """Whether its up time is not what it must be now: it restarted, or another device answers."""
        if not before:
            return False
        passed_s = (now_ns - self._answered_ns) / NANOSECONDS
        return abs((_uptime(self._walked) - _uptime(before)) / 100 - passed_s) > CLOCK_SLACK_S

    def _names_are_old(self, now_ns: int, before: Walked) -> bool:
        """Whether they were read long ago, or the switch restarted, is another one or has other ports since."""
        is_old = not self._names_ns or now_ns - self._names_ns >= NAMES_EVERY_S * NANOSECONDS
        return is_old or self._is_anew or self._has_other_ports(before)


def _uptime(walked: Walked) -> int:
    value = walked["sysUpTime"][0][1] if walked.get("sysUpTime") else 0
    return value if isinstance(value, int) else 0


def wait_s(poll_s: float, missed: int) -> float:
    """Give the time to the next poll: longer and longer for a switch that stays silent."""
    doublings = max(0, missed - MISSED + 1)
    return max(poll_s, min(MOST_SILENT_S, poll_s * 2.0 ** min(doublings, 10)))


def after_silence_s(declared: DeclaredSwitch, missed: int) -> float:
    """Give the time to the next poll after so many without an answer.

    An agent of version 3 is asked anew at once: if it restarted, it has counted its boots up and answers only who meets
    it for the first time (RFC 3414 2.3).
    """
    return 0.0 if declared.version == "3" and missed == 1 else wait_s(declared.poll_s, missed)


async def _wait(seconds: float, soon: asyncio.Event | None) -> None:
    """Wait until a poll is asked for, at most the time given and at least LEAST_GAP_S."""
    await asyncio.sleep(min(seconds, LEAST_GAP_S))
    if seconds > LEAST_GAP_S:
        if soon is None:
            await asyncio.sleep(seconds - LEAST_GAP_S)
        else:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(seconds - LEAST_GAP_S):
                    await soon.wait()
