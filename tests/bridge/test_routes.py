"""The bridge as a whole, in simulated time: packets of the `sacn` package's own composer in, frames out."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
from sacn.messages.data_packet import DataPacket

from slotwatch.bridge.outgoing import Outgoing, What
from slotwatch.bridge.routes import Bridge
from slotwatch.bridge.status import with_line
from slotwatch.house.schema import DeclaredUniverse, House, Limits, Network, Route
from slotwatch.snapshot.routes import LinePort
from slotwatch.wire import batch as batches
from slotwatch.wire.decode import decode
from slotwatch.wire.universe import Protocol, UniverseId

MS = 1_000_000
S = 1000 * MS
T0 = 1000 * S
OWN = b"own bridge cid.."
MAIN, BACKUP = b"main desk cid...", b"spare desk cid.."
IN = UniverseId(Protocol.E131, 12)
OUT = UniverseId(Protocol.E131, 112)
ARTNET_OUT = UniverseId(Protocol.ARTNET, 3)


def house(*routes: Route) -> House:
    return House(networks=(Network("A", "lo"),), universes=(DeclaredUniverse(IN, limits=Limits()),), routes=routes)


ROUTE = Route("tower", IN, target=OUT)


class Stage:
    """A bridge and a clock that steps a millisecond at a time; `sent` collects (ms, frame)."""

    def __init__(self, *routes: Route, listen_ns: int = 0) -> None:
        self.bridge = Bridge(house(*routes), OWN, T0, listen_ns=listen_ns)
        self.ms = 0.0
        self.sent: list[tuple[float, Outgoing]] = []
        self.sequences: dict[bytes, int] = {}

    @property
    def now_ns(self) -> int:
        return T0 + int(self.ms * MS)

    def hear(self, cid: bytes, levels: list[int], *, priority: int = 100, address: int = 9, **options: bool) -> None:
        self.sequences[cid] = (self.sequences.get(cid, -1) + 1) & 255
        packet = DataPacket(
            tuple(cid), "desk", IN.number, dmxData=tuple(levels), priority=priority, sequence=self.sequences[cid]
        )
        packet.option_StreamTerminated = options.get("terminated", False)
        packet.option_PreviewData = options.get("preview", False)
        payload = bytes(packet.getBytes())
        one = batches.empty(1)
        one.data[0, : len(payload)] = np.frombuffer(payload, np.uint8)
        one.length[0], one.t_ns[0], one.protocol[0] = len(payload), self.now_ns, Protocol.E131
        one.src[0, 10:] = (255, 255, 10, 0, 0, address)
        self.bridge.ingest(one, decode(one))
        self.flush()

    def flush(self) -> None:
        self.sent += [(self.ms, frame) for frame in self.bridge.take_output(self.now_ns)]

    def run(self, milliseconds: float) -> None:
        end = self.ms + milliseconds
        while self.ms < end:
            self.ms = min(end, self.ms + 1)
            self.bridge.tick(self.now_ns)
            self.flush()

    def levels(self) -> list[tuple[float, int]]:
        return [(ms, frame.values[0]) for ms, frame in self.sent if frame.what is What.LEVELS]


def test_nothing_is_sent_before_there_is_data() -> None:
    stage = Stage(ROUTE)
    stage.run(5000)
    assert stage.sent == []


def test_a_change_leaves_at_once() -> None:
    stage = Stage(ROUTE)
    stage.hear(MAIN, [7])
    assert [(ms, f.values[0], f.priority) for ms, f in stage.sent] == [(0, 7, 50)]


def test_after_a_start_one_keep_alive_period_is_listened_to() -> None:
    """The backup's frame that comes first after a restart must not flash by."""
    stage = Stage(ROUTE, listen_ns=1100 * MS)
    stage.hear(BACKUP, [9], priority=50)
    stage.run(900)
    stage.hear(MAIN, [200], priority=100)
    stage.run(1000)
    assert stage.levels()[0] == (1100, 200)
    assert {level for _, level in stage.levels()} == {200}


def test_while_idle_the_keep_alive_is_our_own_not_the_inputs() -> None:
    """Whatever the input's rhythm, the output repeats within E1.31's 800 to 1,000 ms (6.6.2)."""
    stage = Stage(ROUTE)
    for _ in range(10):
        stage.hear(MAIN, [7])
        stage.run(500)
    times = [ms for ms, _ in stage.levels()][3:]
    assert all(800 <= b - a <= 1000 for a, b in itertools.pairwise(times))


def test_routes_of_one_input_merge_each_in_its_own_way() -> None:
    """`merge` is a key of each route: one takes the highest level of a universe, another the latest change."""
    node = replace(ROUTE, name="node", target=ARTNET_OUT, to_address="10.0.0.7", merge="latest")
    for routes in ((ROUTE, node), (node, ROUTE)):
        stage = Stage(*routes)
        stage.hear(MAIN, [200])
        stage.run(50)
        stage.hear(BACKUP, [150])
        stage.run(50)
        stage.hear(BACKUP, [90])
        stage.run(50)
        newest = {stage.bridge.outputs[frame.output].target.universe: frame.values[0] for _, frame in stage.sent}
        assert newest == {OUT: 200, ARTNET_OUT: 90}


def test_preview_is_never_forwarded() -> None:
    stage = Stage(ROUTE)
    for _ in range(20):
        stage.hear(MAIN, [7], preview=True)
        stage.run(25)
    assert stage.sent == []


def test_lost_input_ends_the_stream_with_three_terminated_packets() -> None:
    """E1.31 6.2.6 and 10.1.3; and nothing older than its timeout was sent."""
    stage = Stage(ROUTE)
    for _ in range(40):
        stage.hear(MAIN, [7])
        stage.run(25)
    last_heard = stage.ms - 25
    stage.run(5000)
    ends = [ms for ms, frame in stage.sent if frame.what is What.TERMINATED]
    assert len(ends) == 3
    assert ends[0] <= last_heard + 2501
    assert max(ms for ms, _ in stage.levels()) < last_heard + 2500
    assert stage.bridge.status(stage.now_ns)[0].state == "stopped"


def test_a_route_whose_adapter_is_gone_says_that_it_sends_nothing() -> None:
    """Whether it would send, hold or send zeros now: a person reads what is on the line, and nothing is."""
    why = "/dev/ttyUSB0 is not there; plug the adapter in"
    gone = LinePort("/dev/ttyUSB0", 100, open=False, trouble=why, reopened=0)
    stage = Stage(ROUTE)
    (waiting,) = stage.bridge.status(stage.now_ns)
    assert with_line(waiting, gone).text == f"{waiting.text} The line: {why}."
    stage.hear(MAIN, [7])
    stage.run(1500)
    stage.hear(MAIN, [8])
    stage.run(25)
    (running,) = stage.bridge.status(stage.now_ns)
    assert running.text.startswith("Running: ")
    assert with_line(running, gone).text == f"Nothing is sent: {why}."
    assert with_line(running, replace(gone, trouble="")).text == running.text
    assert with_line(running, gone).line == gone


def test_a_route_whose_input_is_all_zero_says_so() -> None:
    stage = Stage(ROUTE)
    for levels, is_dark in (([0] * 512, True), ([0] * 511 + [1], False), ([0] * 512, True)):
        stage.hear(MAIN, levels)
        stage.run(5)
        (row,) = stage.bridge.status(stage.now_ns)
        assert (row.state, row.is_all_zero) == ("running", is_dark)
        assert ("at zero, because all of its input is" in row.text) is is_dark
        assert row.target_network == "A"


def test_hold_then_zero() -> None:
    stage = Stage(replace(ROUTE, hold_s=3.0, then="zero"))
    stage.hear(MAIN, [7])
    stage.run(2500 + 2900)
    assert stage.levels()[-1][1] == 7
    stage.run(1200)
    assert stage.levels()[-1][1] == 0
    assert not [f for _, f in stage.sent if f.what is What.TERMINATED]


def test_cut_uplink_sends_nothing_of_the_lower_source() -> None:
    """Main and a lower source are cut together at rest; the lower one's keep-alive came last."""
    stage = Stage(ROUTE)
    stage.hear(MAIN, [200])
    stage.run(900)
    stage.hear(BACKUP, [9], priority=50)
    stage.run(8000)
    assert {level for _, level in stage.levels()} == {200}


def test_fail_over_to_a_living_backup_at_the_timeout() -> None:
    stage = Stage(ROUTE)
    for n in range(40):
        stage.hear(MAIN, [100 + n])
        stage.hear(BACKUP, [n], priority=99)
        stage.run(25)
    died = stage.ms - 25
    for n in range(140):
        stage.hear(BACKUP, [n], priority=99)
        stage.run(25)
    first = next(ms for ms, level in stage.levels() if ms > died + 1 and level < 100)
    assert died + 2500 <= first <= died + 2502


def test_slots_move_and_outputs_are_shared() -> None:
    """Many to one: two routes into one universe, each with its own slots."""
    first = Route("a", IN, target=OUT, slots=(1, 2), to_slot=11)
    second = Route("b", IN, target=OUT, slots=(3, 3), to_slot=1)
    stage = Stage(first, second)
    stage.hear(MAIN, [10, 20, 30])
    stage.run(100)
    values = stage.sent[-1][1].values
    assert (values[0], values[10], values[11], sum(values)) == (30, 10, 20, 60)


def test_slot_priority_is_sent_only_where_asked_for() -> None:
    plain, asked = Stage(ROUTE), Stage(replace(ROUTE, slot_priority=True))
    for stage in (plain, asked):
        stage.hear(MAIN, [10, 20])
        stage.run(100)
    assert not [f for _, f in plain.sent if f.what is What.SLOT_PRIORITY]
    claims = next(f for _, f in asked.sent if f.what is What.SLOT_PRIORITY)
    assert claims.values == bytes([50]) * 512, (
        "the route's own priority, not the desk's, where a source claims the slot"
    )


def test_own_packets_on_the_input_stop_the_route() -> None:
    stage = Stage(ROUTE)
    stage.hear(MAIN, [10])
    stage.hear(OWN, [10])
    stage.run(2000)
    assert stage.bridge.status(stage.now_ns)[0].state == "loop"
    assert [f.what for _, f in stage.sent][-3:] == [What.TERMINATED] * 3
    assert stage.bridge.counted()["routes_own_packets"] == 1


def test_packets_that_an_input_does_not_take_are_counted() -> None:
    """A number within 20 behind the newest is discarded (E1.31 6.7.2); past 64 sources none more is merged."""
    stage = Stage(ROUTE, replace(ROUTE, name="again", target=ARTNET_OUT))
    for _ in range(5):
        stage.hear(MAIN, [10])
    stage.sequences[MAIN] = 1
    stage.hear(MAIN, [10])
    for number in range(70):
        stage.hear(b"desk number %04d" % number, [1])
    assert stage.bridge.counted() == {
        "routes_own_packets": 0,
        "routes_refused_packets": 7,
        "routes_discarded_packets": 1,
    }, "the input that two routes share counts once"
    for row in stage.bridge.status(stage.now_ns):
        assert (row.input_refused_packets, row.input_discarded_packets) == (7, 1)


def test_an_echo_through_a_foreign_gateway_is_found() -> None:
    """A third box feeds the output back: its copy holds up what the desk has let go."""
    stage = Stage(ROUTE)
    for n in range(40):
        stage.hear(MAIN, [n + 1] * 512)
        stage.run(10)
        stage.hear(BACKUP, list(stage.sent[-1][1].values), address=77)
        stage.run(15)
    for _ in range(100):
        stage.hear(MAIN, [0] * 512)
        stage.run(10)
        stage.hear(BACKUP, list(stage.sent[-1][1].values), address=77)
        stage.run(15)
    assert stage.bridge.status(stage.now_ns)[0].state == "loop"


def test_a_tracking_backup_is_no_loop() -> None:
    """A backup one frame behind that falls with its main, a strobe included."""
    stage = Stage(ROUTE)
    for n in range(200):
        level = (255 if n % 4 < 2 else 0) if n < 100 else max(0, 255 - n)
        stage.hear(MAIN, [level] * 512)
        stage.run(10)
        stage.hear(BACKUP, [level] * 512, address=77)
        stage.run(15)
    for _ in range(80):
        stage.hear(MAIN, [200] * 512)
        stage.run(10)
        stage.hear(BACKUP, [200] * 512, address=77)
        stage.run(15)
    assert stage.bridge.status(stage.now_ns)[0].state == "running"


def test_stop_ends_every_stream() -> None:
    stage = Stage(ROUTE, replace(ROUTE, name="node", target=ARTNET_OUT, to_address="10.20.0.41"))
    stage.hear(MAIN, [10])
    frames = stage.bridge.stop(stage.now_ns)
    assert [(f.output, f.what) for f in frames] == [(0, What.TERMINATED)] * 3 + [(1, What.TERMINATED)] * 3


def test_what_came_from_an_undeclared_interface_is_never_routed() -> None:
    """A guest's wireless network beside the house's own must not reach a rack."""
    stage = Stage(ROUTE)
    packet = bytes(DataPacket(tuple(MAIN), "desk", IN.number, dmxData=(7,)).getBytes())
    one = batches.empty(1)
    one.data[0, : len(packet)] = np.frombuffer(packet, np.uint8)
    one.length[0], one.t_ns[0], one.protocol[0] = len(packet), stage.now_ns, Protocol.E131
    one.network[0] = batches.NETWORK_UNKNOWN
    stage.bridge.ingest(one, decode(one))
    stage.run(1000)
    assert stage.sent == []
