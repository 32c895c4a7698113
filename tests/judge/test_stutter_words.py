"""The words about uneven streams agree with each other, count only real gaps, and name the right place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from slotwatch.snapshot import Incident
from tests.judge.stage import Desk, Packet, Plain, Stage, e131, group_of, house_of, moving, still


def _without_pauses(universe: int, index: int) -> int:
    """Numbers of a sender that pauses for 0.25 s of each second at 40 Hz and then continues with the next number."""
    return index // 40 * 30 + max(0, index % 40 - 10)


def pauses(universe: int, index: int, t: float) -> bool:
    return index % 40 < 10


def halting(name: str, number: int, address: str) -> Desk:
    return Desk(name, (number,), address, number=number, levels=moving(), drop=pauses, sequence_of=_without_pauses)


def stutter(*desks: Desk, seconds: float = 12.0) -> Incident:
    stage = Stage(house_of(tuple(number for desk in desks for number in desk.universes)), *desks).run(seconds)
    found = [incident for incident in stage.all if incident.rule == "uneven-refresh"]
    assert len(found) == 1
    return found[0]


def words(incident: Incident) -> str:
    return " ".join((incident.summary, *incident.evidence, *incident.also_possible))


def test_evidence_of_a_shared_path_does_not_accuse_the_senders() -> None:
    found = stutter(halting("Desk A", 1, "10.0.0.1"), halting("Desk B", 2, "10.0.0.2"))
    assert found.cause == "shared-path"
    assert "a path that they share delays frames" in found.summary
    assert "the sender probably paused" not in words(found).lower() and "its sender" not in words(found)
    assert "No frame is missing by sequence." in found.evidence


def test_one_source_that_pauses_is_accused_itself() -> None:
    found = stutter(halting("Desk A", 1, "10.0.0.1"))
    assert found.cause == "sender-paused" and "The sender probably paused." in found.summary


def test_sources_of_this_computer_accuse_no_switch() -> None:
    for first, second in (("127.0.0.10", "127.0.0.11"), ("10.0.0.200", "127.0.0.11")):
        found = stutter(halting("Desk A", 1, first), halting("Desk B", 2, second))
        assert found.cause == "this-computer"
        assert "switches" not in " ".join(found.next_checks)
    one = stutter(halting("Desk A", 1, "127.0.0.10"))
    assert one.cause == "this-computer" and "on this computer" in one.summary


def test_several_universes_have_no_verb_of_one() -> None:
    found = stutter(replace(halting("Desk A", 1, "10.0.0.1"), universes=(1, 2, 3)))
    assert found.summary.startswith("Universes e131/1 to e131/3") and "stutters" not in found.summary


def test_longest_gap_is_the_longest_uneven_one_and_no_idle_time() -> None:
    """A rest with a keep-alive every 0.9 s, then pauses of 275 ms while levels move: no keep-alive is a gap."""
    rest = Desk("Desk A", (1,), levels=still(77), rests=True, to_s=6.0)
    sent = len(list(rest.packets(6.0)))
    moves = Desk(
        "Desk A", (1,), from_s=6.0, levels=moving(), drop=pauses, sequence_of=lambda u, i: sent + _without_pauses(u, i)
    )
    stage = Stage(house_of((1,)), rest, moves).run(11.0)
    found = next(incident for incident in stage.all if incident.rule == "uneven-refresh")
    longest_ms = float(found.summary.partition("up to ")[2].partition(" ms")[0])
    assert 240 <= longest_ms <= 300


def test_frames_that_miss_in_one_silence_may_be_a_restart() -> None:
    """Two seconds of one silence, against every tenth frame: only the second is surely the way."""
    silent = Desk("Desk A", (1,), levels=moving(), drop=lambda u, i, t: 6.0 <= t < 7.5)
    lossy = Desk("Desk A", (1,), levels=moving(), drop=lambda u, i, t: t >= 6.0 and i % 10 == 0)
    summaries = [
        next(one for one in Stage(house_of((1,)), desk).run(9.5).all if one.rule == "packet-loss").summary
        for desk in (silent, lossy)
    ]
    assert "or the source restarted" in summaries[0] and "The sender numbered them" not in summaries[0]
    assert "The sender numbered them" in summaries[1] and "restarted" not in summaries[1]


def apart(first: Desk, second: Desk, seconds: float, rule: str) -> list[tuple[str, ...]]:
    stage = Stage(house_of((1, 2)), first, second).run(seconds)
    return sorted(incident.universes for incident in stage.all if incident.rule == rule)


def test_frames_that_come_within_the_others_gaps_prove_that_no_path_holds_back_both() -> None:
    second = replace(halting("Desk B", 2, "10.0.0.2"), phase_s=0.5)
    assert apart(halting("Desk A", 1, "10.0.0.1"), second, 12.0, "uneven-refresh") == [("e131/1",), ("e131/2",)]


@dataclass
class BehindARadioHop(Desk):
    """Its frames wait for every second beacon, 204.8 ms (IEEE 802.11, from memory), and then come 0.3 ms apart."""

    def packets(self, end_s: float) -> Iterator[Packet]:
        held: dict[int, int] = {}
        for packet in super().packets(end_s):
            beacon = int(packet.t_s / 0.2048) + 1
            held[beacon] = held.get(beacon, -1) + 1
            yield replace(packet, t_s=beacon * 0.2048 + held[beacon] * 0.0003)


def test_a_radio_hop_of_one_desk_and_pauses_of_another_share_nothing() -> None:
    """Frames of each come within the gaps of the other. Two desks behind one hop wait for the same beacons."""
    radio = BehindARadioHop("Desk A", (1,), "10.0.0.1", levels=moving())
    second = BehindARadioHop("Desk B", (2,), "10.0.0.2", number=2, levels=moving())
    assert apart(radio, halting("Desk B", 2, "10.0.0.2"), 20.0, "uneven-refresh") == [("e131/1",), ("e131/2",)]
    assert apart(radio, second, 20.0, "uneven-refresh") == [("e131/1", "e131/2")]


def test_ways_that_begin_to_lose_frames_seconds_apart_are_two() -> None:
    """In 5 s at 40 Hz a way that loses every tenth frame would have lost 20 of the other's 200."""

    def lossy(name: str, number: int, from_s: float) -> Desk:
        return Desk(
            name,
            (number,),
            f"10.0.0.{number}",
            number=number,
            levels=moving(),
            drop=lambda universe, index, t: t >= from_s and index % 10 == 0,
        )

    two = apart(lossy("Desk A", 1, 6.0), lossy("Desk B", 2, 11.0), 20.0, "packet-loss")
    assert two == [("e131/1",), ("e131/2",)]
    assert apart(lossy("Desk A", 1, 6.0), lossy("Desk B", 2, 6.0), 20.0, "packet-loss") == [("e131/1", "e131/2")]


def test_a_sender_that_pauses_and_a_way_that_loses_frames_share_nothing() -> None:
    lossy = Desk("Desk B", (2,), "10.0.0.2", number=2, levels=moving(), drop=pauses)
    assert apart(halting("Desk A", 1, "10.0.0.1"), lossy, 12.0, "uneven-refresh") == [("e131/1",)]


def test_clumps_of_a_wireless_hop_send_to_that_hop_first() -> None:
    """IEEE 802.11: an access point holds group frames back until a beacon, each 100 units of 1.024 ms."""
    clumps = [
        Packet(
            0.1024 * (n // 4) + 0.0005 * (n % 4),
            e131(1, n, bytes([n % 200]) * 512, cid=bytes(16)),
            "10.0.0.1",
            group_of(1),
        )
        for n in range(600)
    ]
    stage = Stage(house_of((1,)), Plain(clumps)).run(14.0)
    found = stage.rule("uneven-refresh")
    assert found.cause == "wireless"
    assert found.next_checks[0] == "Check whether a wireless hop lies between the source and this port."
