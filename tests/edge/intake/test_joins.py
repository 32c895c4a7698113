"""Memberships: as many as a house wants, refused ones with their fix."""

from __future__ import annotations

import errno
import socket
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from slotwatch.edge.intake import joins
from slotwatch.edge.intake.joins import Joins, group_ipv4, group_ipv6, join_error, wanted_universes
from slotwatch.edge.shared.messages.intake import JoinsSeen, ListedGroups, SyncGroups
from slotwatch.house.schema import Route
from slotwatch.house.service import FirstContact
from slotwatch.wire.observation import LeaveSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.edge.listening import Listening, house_on, listening, send


def _members(group: str) -> int:
    """How many sockets of this computer hold a group, by the kernel's own table.

    /proc/net/igmp prints the group as a host-order word: 239.255.0.119 is 7700FFEF on little-endian machines.
    """
    word = socket.inet_aton(group)[::-1].hex().upper()
    users = 0
    for line in Path("/proc/net/igmp").read_text().splitlines():
        fields = line.split()
        if fields and fields[0] == word:
            users += int(fields[1])
    return users


@pytest.mark.parametrize(
    ("universe", "v4", "v6"),
    [
        # ANSI E1.31-2018 tables 9-10 to 9-12.
        (1, "239.255.0.1", "ff18::8300:1"),
        (256, "239.255.1.0", "ff18::8300:100"),
        (63999, "239.255.249.255", "ff18::8300:f9ff"),
        (64214, "239.255.250.214", "ff18::8300:fad6"),
    ],
)
def test_groups_are_those_of_the_standard(universe: int, v4: str, v6: str) -> None:
    assert group_ipv4(universe) == v4
    assert socket.inet_pton(socket.AF_INET6, group_ipv6(universe)) == socket.inet_pton(socket.AF_INET6, v6)


def test_200_universes_are_joined_and_heard() -> None:
    """Ten times the kernel's limit for one socket."""
    house = house_on(universes=range(41_001, 41_201))
    with listening(house) as ear:
        assert all(_members(group_ipv4(n)) >= 1 for n in (41_001, 41_020, 41_021, 41_200, 64214))
        for number in range(41_001, 41_201):
            send(house.listen.e131_port, number.to_bytes(2, "big"), to=group_ipv4(number))
        heard = [int.from_bytes(row[:2].tobytes(), "big") for batch in ear.read() for row in batch.data]
        assert heard == list(range(41_001, 41_201))
        joined = {join.universe for join in ear.joined() if join.ok}
        assert joined == {*range(41_001, 41_201), 64214}
    assert _members(group_ipv4(41_001)) == 0


def test_a_changed_house_leaves_and_joins_only_what_differs() -> None:
    house = house_on(universes=range(41_301, 41_331))
    with listening(house) as ear:
        kept = ear.intake.joins.holder_of(socket.if_nametoindex("lo"), False).groups[41_310]
        ear.intake.take_house(replace(house, universes=house.universes[5:]))
        assert _members(group_ipv4(41_301)) == 0
        assert _members(group_ipv4(41_310)) == 1
        assert ear.intake.joins.holder_of(socket.if_nametoindex("lo"), False).groups[41_310] is kept


def test_synchronization_groups_are_joined_on_demand_and_bounded() -> None:
    with listening(house_on()) as ear:
        ear.judging.send(SyncGroups({0: tuple(range(42_000, 42_500))}))
        ear.follow()
        assert _members(group_ipv4(42_000)) == 1
        assert _members(group_ipv4(42_000 + joins.MOST_SYNC_GROUPS)) == 0


def leaves(ear: Listening) -> list[int]:
    """Universes that judging was told this computer left."""
    seen = [one for message in ear.judging.receive() if isinstance(message, JoinsSeen) for one in message.leaves]
    return [one.universe for one in seen]


def test_what_a_reload_leaves_is_reported_and_what_a_source_no_longer_lists_is_not() -> None:
    """A list without a universe says that its source ended it: that is a loss to judge."""
    house = house_on(universes=range(41_501, 41_504))
    with listening(house) as ear:
        ear.intake.take_house(replace(house, universes=house.universes[1:]))
        assert leaves(ear) == [41_501]
    with listening(replace(house_on(), first_contact=FirstContact(universes=()))) as ear:
        for listed in ((41_510, 41_511), (41_511,)):
            ear.judging.send(ListedGroups({0: listed}))
            ear.follow()
            assert [_members(group_ipv4(number)) for number in listed] == [1] * len(listed)
        assert _members(group_ipv4(41_510)) == 0
        assert leaves(ear) == []


def test_join_none_joins_nothing() -> None:
    house = house_on(universes=range(41_401, 41_403))
    house = replace(house, listen=replace(house.listen, join="none"))
    assert wanted_universes(house) == {0: set()}
    with listening(house) as ear:
        assert ear.intake.joins.held() == 0


def test_what_a_route_reads_is_joined() -> None:
    route = Route("r", UniverseId(Protocol.E131, 77), target=UniverseId(Protocol.ARTNET, 2))
    assert wanted_universes(house_on(routes=(route,)))[0] == {64214, 77}


@pytest.mark.parametrize(
    ("number", "sentence", "fix"),
    [
        (errno.ENOBUFS, "limit of memberships", "sysctl net.ipv4.igmp_max_memberships"),
        (errno.ENOMEM, "no memory for options", "sysctl net.core.optmem_max"),
        (errno.ENODEV, "interface is gone", "joined by itself"),
        (errno.EADDRNOTAVAIL, "has no address", "ip address show eth1"),
        (errno.EPERM, "not permitted", "systemd unit"),
        (errno.EINVAL, "does not accept multicast", "ip link set eth1 multicast on"),
        (errno.EIO, "Input/output error", "slotwatch host"),
    ],
)
def test_each_refusal_has_its_sentence_and_its_advice(number: int, sentence: str, fix: str) -> None:
    line = join_error(number, 12, "eth1").lines[0]
    assert line.startswith("e131/12: its multicast group could not be joined on eth1: ")
    assert sentence in line
    assert fix in line


class Full(socket.socket):
    """A socket of a kernel that permits no membership."""

    def setsockopt(self, level: int, option: int, value: object, *more: int) -> None:  # type: ignore[override]
        raise OSError(errno.ENOBUFS, "No buffer space available")


def test_a_refused_join_is_reported_once_and_again_when_it_succeeds(monkeypatch: pytest.MonkeyPatch) -> None:
    with listening(house_on()) as ear:
        held = Joins()
        monkeypatch.setattr(socket, "socket", Full)
        (change,), _ = held.update({0: {43_000}}, ear.intake.watch, 5)
        assert (change.ok, change.universe, change.t_ns) == (False, 43_000, 5)
        assert "igmp_max_memberships" in change.reason
        assert held.update({0: {43_000}}, ear.intake.watch, 6) == ([], [])
        monkeypatch.undo()
        (change,), _ = held.update({0: {43_000}}, ear.intake.watch, 7)
        assert (change.ok, change.reason) == (True, "")
        assert [join.ok for join in held.outcomes(8)] == [True]
        assert held.update({0: {43_001}}, ear.intake.watch, 9)[1] == [LeaveSeen(9, 0, 43_000)]
        assert held.update({0: {43_001}}, ear.intake.watch, 10) == ([], [])
        held.close()


def groups_by_socket(holder: joins.Holder) -> list[int]:
    """How many groups each socket holds."""
    return sorted(Counter(holder.groups.values()).values())


def test_what_is_left_makes_room_and_an_empty_holder_is_closed() -> None:
    """20 a socket: three sockets for 45 groups; leaving from a full one lets the next join in there."""
    holder = joins.Holder(socket.if_nametoindex("lo"), False)
    for number in range(44_000, 44_045):
        holder.join(number)
    assert groups_by_socket(holder) == [5, 20, 20]
    for number in range(44_000, 44_003):
        holder.leave(number)
    for number in range(44_100, 44_118):
        holder.join(number)
    assert groups_by_socket(holder) == [20, 20, 20]
    assert len(holder.groups) == 60
    first = holder.groups[44_003]
    for number in range(44_003, 44_020):
        holder.leave(number)
    for number in [n for n, sock in holder.groups.items() if sock is first]:
        holder.leave(number)
    assert first.fileno() == -1
    holder.close()
    assert not holder.groups


def test_a_lowered_limit_is_met_by_more_sockets(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel's own answer at its limit of 20: ENOBUFS on a full socket, and the next socket takes it."""
    monkeypatch.setattr(joins, "MOST_IPV4_JOINS", 1000)
    holder = joins.Holder(socket.if_nametoindex("lo"), False)
    limit = int(Path("/proc/sys/net/ipv4/igmp_max_memberships").read_text())
    for number in range(44_200, 44_200 + limit + 5):
        holder.join(number)
    assert groups_by_socket(holder) == [5, limit]
    holder.close()
