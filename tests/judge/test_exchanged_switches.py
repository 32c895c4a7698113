"""A switch's clock and counters: what began anew, what wrapped, and what is another device than before.

RFC 3418 (sysUpTime: hundredths of a second in 32 bits), RFC 2863 (Counter32 of errors and discards).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.judge.switches import RestartKind, Switches, SwitchRecord
from slotwatch.rehearse.pretend_switch import PretendSwitch
from slotwatch.wire.observation import SwitchSeen
from slotwatch.wire.switch import SwitchPort, SwitchState, SwitchTables
from tests.judge.cases import Play, desk
from tests.judge.cases_switches import HOUSE
from tests.judge.stage import START_NS, S, Stage
from tests.judge.switches import MAC, polled, switch

DAY_S = 86_400.0
WRAP_S = (1 << 32) / 100
FIRST_S = 1000.0
MOST_COUNTED = (1 << 32) - 1


def seen(at_s: float, up_s: float, chassis: str = "", host_s: float | None = None, errors: int = 0) -> SwitchSeen:
    port = SwitchPort(1, "1", up=True, speed_mbps=1000, errors=errors, discards=0)
    tables = SwitchTables(chassis) if chassis else None
    ticks = round(up_s * 100) % (1 << 32)
    state = SwitchState("FOH", ticks, None if host_s is None else round(host_s * 100), (port,), tables)
    return SwitchSeen(round(at_s * S), "FOH", True, "", state)


def asked(*answers: SwitchSeen) -> SwitchRecord:
    record = SwitchRecord("FOH")
    for one in answers:
        record.take(one)
    return record


@pytest.mark.parametrize("is_late", [False, True])
@pytest.mark.parametrize(
    ("before_up_s", "up_s", "host_s", "kind"),
    [
        (DAY_S, 5.0, None, RestartKind.WHOLE),
        (DAY_S, 5.0, 6.0, RestartKind.WHOLE),
        (DAY_S, 5.0, DAY_S + 60, RestartKind.MANAGEMENT),
        (DAY_S, DAY_S + 60, None, None),
        (30.0, 45.0, None, None),  # 45 s after its last answer it may be the same one or not: nothing is claimed
        (WRAP_S - 30, 30.0, None, None),
    ],
)
def test_a_switch_that_restarted_while_the_listener_was_away_is_known_by_its_up_time(
    before_up_s: float, up_s: float, host_s: float | None, kind: RestartKind | None, is_late: bool
) -> None:
    """It answered an earlier judgement 60 s before. What that knew may come after the first answer."""
    switches, earlier = Switches(), {"FOH": (round((FIRST_S - 60) * S), round(before_up_s * 100))}
    if not is_late:
        switches.remember(earlier)
    switches.take(seen(FIRST_S, up_s, host_s=host_s))
    if is_late:
        switches.remember(earlier)
    record = switches.get("FOH")
    assert record is not None and (record.restart.kind if record.restart else None) == kind
    assert record.restarts == (kind is not None)
    if record.restart is not None:
        assert record.restart.began_ns == round((FIRST_S - up_s) * S)
        switches.take(seen(FIRST_S + 10, up_s + 10, host_s=host_s and host_s + 10))
        switches.remember(earlier)
        assert record.restarts == 1, "it is reported once"


@pytest.mark.parametrize(
    ("passed_s", "before_up_s", "up_s", "chassis", "kind"),
    [
        (10, DAY_S, DAY_S + 10, ("a", "a"), None),
        (10, DAY_S, DAY_S + 7, ("", ""), None),  # an answer that took 3 s
        (10, DAY_S, DAY_S, ("", ""), None),  # an agent that brings its clock up to date now and then
        (10, WRAP_S - 5, 5, ("a", "a"), None),
        (10, WRAP_S - 5, 2, ("", ""), None),
        (60, DAY_S, 20, ("a", "a"), RestartKind.WHOLE),
        (60, 20, 30, ("", ""), RestartKind.WHOLE),  # again, half a minute after its last start
        (3600, 300, 1200, ("", ""), RestartKind.WHOLE),
        (60, DAY_S, 20, ("a", "b"), RestartKind.EXCHANGED),  # a spare that was switched on when it was put in
        (60, DAY_S, 3 * DAY_S, ("a", "b"), RestartKind.EXCHANGED),
        (60, 3 * DAY_S, DAY_S, ("", ""), RestartKind.EXCHANGED),  # up for a day, and another one answered a minute ago
        (
            60,
            DAY_S,
            3 * DAY_S,
            ("a", "a"),
            None,
        ),  # this computer slept, so its own clock stood still (clock_gettime(2))
        (60, DAY_S, 3 * DAY_S, ("", ""), None),
        (60, DAY_S, DAY_S + 60, ("a", "b"), None),  # somebody gave it another identity
    ],
)
def test_a_clock_tells_a_restart_from_a_wrap_and_from_another_device(
    passed_s: float, before_up_s: float, up_s: float, chassis: tuple[str, str], kind: RestartKind | None
) -> None:
    record = asked(seen(FIRST_S, before_up_s, chassis[0]), seen(FIRST_S + passed_s, up_s, chassis[1]))
    assert (record.restart and record.restart.kind) == kind


def test_a_restarted_switch_began_after_its_last_answer_and_another_one_came_between_two() -> None:
    restarted = asked(seen(FIRST_S, DAY_S), seen(FIRST_S + 60, 20)).restart
    exchanged = asked(seen(FIRST_S, DAY_S, "a"), seen(FIRST_S + 60, 3 * DAY_S, "b")).restart
    assert restarted and restarted.moment.middle_ns == (FIRST_S + 40) * S
    assert exchanged and (exchanged.moment.from_ns, exchanged.moment.to_ns) == (FIRST_S * S, (FIRST_S + 60) * S)


@pytest.mark.parametrize(
    ("before", "now", "grown"),
    [
        (5, 9, 4),
        (MOST_COUNTED - 4, 3, 8),  # it wrapped
        (5, 2, 2),  # somebody cleared it
        (300, 3_000_000_000, 0),  # somebody set it: so many frames do not fit through 1 Gbit/s in a minute
        (3_000_000_000, 2, 2),  # cleared, too: nor do 1.3 thousand million
    ],
)
def test_a_counter_wraps_only_where_so_many_frames_fit_through_its_port(before: int, now: int, grown: int) -> None:
    record = asked(seen(FIRST_S, DAY_S, errors=before), seen(FIRST_S + 60, DAY_S + 60, errors=now))
    assert record.ports[1].counted == grown


def test_counts_of_a_restarted_switch_begin_at_0_and_those_of_another_one_are_its_own() -> None:
    """The poll that shows the restart may read no counters: they are read once a minute."""
    bare = seen(FIRST_S + 60, 20, "a")
    assert bare.state is not None
    bare = replace(bare, state=replace(bare.state, ports=(replace(bare.state.ports[0], errors=None, discards=None),)))
    begun = seen(FIRST_S, DAY_S, "a", errors=MOST_COUNTED)
    restarted = asked(begun, bare, seen(FIRST_S + 80, 40, "a", errors=7))
    assert restarted.ports[1].counted == 7
    exchanged = asked(begun, seen(FIRST_S + 60, 3 * DAY_S, "b", errors=900_000))
    assert exchanged.ports[1].counted == 0
    slept = asked(seen(FIRST_S, DAY_S, errors=5), seen(FIRST_S + 60, 3 * DAY_S, errors=900_000))
    assert slept.ports[1].counted == 0, "not known whether it is another one: nothing is accused"


def test_a_restart_is_told_by_one_moment_whatever_later_answers_took() -> None:
    """The first answer came at the second try, 2 s after it was asked for; the next one at once."""
    stage = Stage(HOUSE, desk())
    for one in (seen(0.5, DAY_S), seen(20.5, 12.0), seen(25.5, 15.0)):
        stage.see(one.t_ns / S, replace(one, t_ns=START_NS + one.t_ns))
    (incident,) = stage.run(40.0).all
    told = incident.summary.removeprefix("Switch FOH restarted at ").partition(".")[0]
    assert incident.evidence[0] == f"Its up time begins at {told}."


def exchanged_at(at_s: float, other: PretendSwitch, **of_desk: float) -> Play:
    """The desk's switch answers until a moment, then another one with other numbers of its ports."""

    def is_other(one: SwitchSeen) -> SwitchSeen:
        assert one.state is not None and one.state.tables is not None
        ports = tuple(replace(port, index=port.index + 100) for port in one.state.ports)
        tables = replace(one.state.tables, chassis="another", macs=((MAC, 102),))
        return replace(one, state=replace(one.state, ports=ports, tables=tables))

    before = [(t_s, one) for t_s, one in polled(switch(), at_s)]
    return [desk(**of_desk), *before, *((t_s, is_other(one)) for t_s, one in polled(other, 60.0) if t_s > at_s)]


SPARE = replace(switch(), up_for_s=3600.0)


def shown(play: Play) -> Stage:
    stage = Stage(HOUSE, *(one for one in play if not isinstance(one, tuple)))
    for one in play:
        if isinstance(one, tuple):
            stage.see(*one)
    return stage.run(30.0)


def test_what_was_cut_off_by_the_exchange_is_explained_by_it() -> None:
    found = {one.rule: one for one in shown(exchanged_at(10.0, SPARE, to_s=8.0)).all}
    lost = found["universe-lost"]
    assert lost.cause == "network-lost"
    assert "Switch FOH was exchanged, and what is connected to it was cut off meanwhile" in lost.summary
    assert any("the device before it answered, and another one at" in line for line in lost.evidence)


def test_an_exchanged_switch_is_named_and_its_ports_are_read_anew() -> None:
    """The spare was up for an hour on another stage, and the desk's lead went into its second socket."""
    (incident,) = shown(exchanged_at(10.0, SPARE)).all
    assert (incident.rule, incident.cause) == ("switch-restarted", "exchanged")
    assert incident.began_ns == START_NS + 10.5 * S
    assert incident.summary.startswith("Another device than before answered as switch FOH at ")
    assert "restart" not in incident.summary
    assert incident.evidence[0].startswith("Until ") and incident.evidence[0].endswith("the device before it answered.")
    assert incident.evidence[-1] == "On its ports: main desk."
