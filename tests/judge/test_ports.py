"""The port that this listener hangs on, as the switch announces it: kept, bounded, forgotten, and shown."""

from __future__ import annotations

from slotwatch.wire.observation import LinkSeen, PortSeen
from tests.judge.elsewhere import STAGE_END
from tests.judge.stage import START_NS, Desk, S, Stage, house_of


def announced(t_s: float, port: str = "14", ttl_s: int = 120, chassis: str = "02:00:00:00:00:01") -> PortSeen:
    t_ns = START_NS + round(t_s * S)
    return PortSeen(t_ns, 0, chassis, port, ttl_s, "Stage left, box 3", "FOH", "10.20.0.2", 20)


def stage(*seen: PortSeen) -> Stage:
    made = Stage(house_of((1,), listeners=(STAGE_END,)), Desk("Desk A", (1,)))
    for one in seen:
        made.see((one.t_ns - START_NS) / S, one)
    return made


def ports(made: Stage) -> list[tuple[str, str]]:
    return [(one.switch, one.port) for one in made.judge.network(made.now_ns).neighbours]


def test_a_link_that_is_down_names_its_port() -> None:
    made = stage(announced(2.0))
    made.see(5.0, LinkSeen(START_NS + 5 * S, 0, False, (), "eth1"))
    incident = made.run(7.0).only()
    assert incident.rule == "link-down"
    assert "By LLDP this listener is on port 14 (Stage left, box 3) of switch FOH." in incident.evidence


def test_the_listeners_page_shows_it_with_the_link() -> None:
    made = stage(announced(2.0, ttl_s=10)).run(5.0)
    link = made.judge.listener.health(made.now_ns, ("eth1",)).links[0]
    assert link.switch_port == "port 14 of switch FOH"
    made.run(13.0)
    assert made.judge.listener.health(made.now_ns, ("eth1",)).links[0].switch_port == ""


def test_an_announcement_holds_as_long_as_it_says() -> None:
    made = stage(announced(2.0, ttl_s=10))
    assert ports(made.run(11.9)) == [("FOH", "14")]
    assert ports(made.run(12.2)) == []


def test_a_port_that_is_shut_down_is_forgotten_at_once() -> None:
    assert ports(stage(announced(2.0), announced(3.0, ttl_s=0)).run(4.0)) == []


def test_strangers_do_not_fill_it() -> None:
    made = stage(*(announced(2.0 + n / 1000, chassis=f"stranger {n}") for n in range(500)))
    assert len(ports(made.run(4.0))) == 8
