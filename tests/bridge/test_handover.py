"""A new house file while routes run: unchanged routes lose no frames, removed ones are ended."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.bridge.handover import hand_over
from slotwatch.bridge.outgoing import What
from slotwatch.bridge.output import RouteState
from slotwatch.bridge.routes import Bridge
from slotwatch.house.schema import Route
from slotwatch.wire.universe import Protocol, UniverseId
from tests.bridge.test_routes import ARTNET_OUT, BACKUP, IN, MAIN, OWN, ROUTE, Stage, house

NODE = Route("node", IN, target=ARTNET_OUT, to_address="10.0.0.7")


def changed(shown: Stage, *routes: Route) -> tuple[Bridge, dict[int, int]]:
    """Give the stage another bridge as a reload does; returns the former one and what was kept."""
    before = shown.bridge
    shown.bridge = Bridge(house(*routes), OWN, shown.now_ns, listen_ns=1100 * 1_000_000)
    kept = hand_over(before, shown.bridge, shown.now_ns)
    shown.flush()
    return before, kept


def running(*routes: Route) -> Stage:
    shown = Stage(*routes)
    for level in range(5):
        shown.hear(MAIN, [level])
        shown.ms += 25
        shown.flush()
    shown.sent.clear()
    return shown


def test_a_route_that_stays_sends_the_very_next_frame() -> None:
    shown = running(ROUTE)
    changed(shown, ROUTE, NODE)
    shown.hear(MAIN, [77])
    assert [(frame.what, frame.values[0]) for _, frame in shown.sent] == [(What.LEVELS, 77)]
    state = {row.name: row.state for row in shown.bridge.status(shown.now_ns)}
    assert state == {"tower": "running", "node": "listening"}


def test_its_counts_go_on_and_nothing_is_repeated_for_the_change() -> None:
    shown = running(ROUTE)
    frames = shown.bridge.status(shown.now_ns)[0].frames
    changed(shown, NODE, ROUTE)
    assert shown.sent == []
    assert shown.bridge.status(shown.now_ns)[1].frames == frames > 0


def test_a_route_that_goes_is_for_the_caller_to_end_with_three_terminated_packets() -> None:
    """ANSI E1.31-2018 6.2.6."""
    shown = running(ROUTE, NODE)
    before, kept = changed(shown, NODE)
    assert kept == {0: 1}
    assert [frame.what for frame in before.end(0)] == [What.TERMINATED] * 3


def test_two_routes_on_one_output_may_lose_one_without_a_stop() -> None:
    other = UniverseId(Protocol.E131, 13)
    shown = running(ROUTE, replace(ROUTE, name="second", source=other))
    _, kept = changed(shown, ROUTE)
    assert kept == {0: 0}
    shown.hear(MAIN, [9])
    assert [frame.values[0] for _, frame in shown.sent] == [9]


def test_other_settings_of_a_route_hold_from_now_on() -> None:
    shown = running(ROUTE)
    changed(shown, replace(ROUTE, priority=70, to_slot=11))
    assert [(frame.priority, frame.values[0], frame.values[10]) for _, frame in shown.sent] == [(70, 0, 4)]


def test_what_is_held_without_input_goes_on_being_held() -> None:
    """The desk is gone and the route holds: a reload must not let the stage go dark."""
    shown = running(replace(ROUTE, then="hold"))
    for _ in range(40):
        shown.ms += 100
        shown.bridge.tick(shown.now_ns)
        shown.flush()
    assert shown.bridge.status(shown.now_ns)[0].state == RouteState.HOLDING.value
    shown.sent.clear()
    changed(shown, replace(ROUTE, then="hold"), NODE)
    for _ in range(20):
        shown.ms += 100
        shown.bridge.tick(shown.now_ns)
        shown.flush()
    assert shown.bridge.status(shown.now_ns)[0].state == RouteState.HOLDING.value
    frames = [frame for _, frame in shown.sent]
    assert 2 <= len(frames) <= 3, "keep-alive every 0.9 s"
    assert all(frame.what is What.LEVELS and frame.values[0] == 4 for frame in frames)


def test_what_is_held_goes_on_being_held_under_another_name() -> None:
    """A route is renamed while its desk is gone: the stage must not go dark for that."""
    shown = running(replace(ROUTE, then="hold"))
    for _ in range(40):
        shown.ms += 100
        shown.bridge.tick(shown.now_ns)
        shown.flush()
    frames = shown.bridge.status(shown.now_ns)[0].frames
    shown.sent.clear()
    changed(shown, replace(ROUTE, name="foyer", then="hold"))
    for _ in range(20):
        shown.ms += 100
        shown.bridge.tick(shown.now_ns)
        shown.flush()
    row = shown.bridge.status(shown.now_ns)[0]
    assert (row.name, row.state) == ("foyer", RouteState.HOLDING.value)
    assert row.frames > frames
    sent = [frame for _, frame in shown.sent]
    assert sent and all(frame.what is What.LEVELS and frame.values[0] == 4 for frame in sent)


def test_routes_of_one_output_that_swap_their_names_keep_what_each_sends() -> None:
    """Each holds its own slots without an input."""
    left = replace(ROUTE, name="left", slots=(1, 10), then="hold")
    right = replace(ROUTE, name="right", slots=(1, 10), to_slot=101, then="hold")
    shown = running(left, right)
    for _ in range(40):
        shown.ms += 100
        shown.bridge.tick(shown.now_ns)
        shown.flush()
    shown.sent.clear()
    changed(shown, replace(left, name="right"), replace(right, name="left"))
    for _ in range(20):
        shown.ms += 100
        shown.bridge.tick(shown.now_ns)
        shown.flush()
    assert [row.state for row in shown.bridge.status(shown.now_ns)] == [RouteState.HOLDING.value] * 2
    sent = [frame for _, frame in shown.sent]
    assert sent and all((frame.values[0], frame.values[100]) == (4, 4) for frame in sent)


def test_a_route_that_wants_the_latest_change_takes_over_what_its_input_has() -> None:
    """Frames that only repeat what was there before the reload are no changes."""
    shown = running(ROUTE)
    shown.hear(BACKUP, [1])
    shown.hear(MAIN, [200])
    latest = replace(NODE, merge="latest")
    changed(shown, ROUTE, latest)
    shown.hear(BACKUP, [90])
    shown.hear(MAIN, [200])
    shown.run(1200)
    outputs = [one.target.universe for one in shown.bridge.outputs]
    newest = {outputs[frame.output]: frame.values[0] for _, frame in shown.sent}
    assert newest == {ROUTE.target: 200, ARTNET_OUT: 90}
