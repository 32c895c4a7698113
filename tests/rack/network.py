"""The show network: cards that go and come back, a VLAN, and a cable that loses, reorders and repeats packets."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from tests.rack.house import RackHouse
from tests.rack.machine import until
from tests.rack.promises import SHOW, RackPromise, accusing_nobody, expect, promise
from tests.rack.tree import HOUSE

SILENT_S = 30.0


def _own_fault(house: RackHouse, apart: str, join: str) -> None:
    restarts = house.restarts()
    with accusing_nobody(house):
        house.machine.must(apart)
        expect(house.wait_rule("link-down"), f"no link-down; open: {house.rules()}")
        expect("not-judged" in house.states().values(), f"states: {house.states()}")
        house.machine.must(join)
        expect(house.wait_closed({"link-down"}), f"link-down does not close; open: {house.rules()}")
        expect(house.wait_heard() and house.goes_on(), f"it hears nothing again: {house.states()}")
    expect(house.restarts() == restarts, "it had to be restarted")


@promise("the cable is out and in again: link-down, the universes are not judged, and it hears again by itself")
def cable_is_out(house: RackHouse) -> None:
    _own_fault(
        house,
        "ip -n stage link set desk0 down",
        "ip -n stage link set desk0 up; ip -n stage route replace 239.0.0.0/8 dev desk0",
    )


@promise("the card is switched off and on again: the same")
def card_is_down(house: RackHouse) -> None:
    _own_fault(house, "ip link set show0 down", "ip link set show0 up")


@promise("the card loses its address and gets it back: the same")
def address_is_gone(house: RackHouse) -> None:
    _own_fault(house, "ip address del 10.20.0.6/24 dev show0", "ip address add 10.20.0.6/24 dev show0")


@promise("the card is removed and made again with another index: it is heard again by itself")
def card_is_made_anew(house: RackHouse) -> None:
    before, restarts = house.machine.must("cat /sys/class/net/show0/ifindex"), house.restarts()
    with accusing_nobody(house):
        house.stop_desk()
        house.machine.must("ip link delete show0")
        expect(house.wait_rule("link-down"), f"no link-down; open: {house.rules()}")
        house.lay_cable()
        house.start_desk()
        expect(house.machine.must("cat /sys/class/net/show0/ifindex") != before, "the index is the same")
        expect(house.wait_closed({"link-down"}), f"link-down does not close; open: {house.rules()}")
        expect(house.wait_heard() and house.goes_on(), f"it hears nothing: {house.states()}")
    expect(house.restarts() == restarts, "it had to be restarted")


VLAN = """set -e
ip link add link show0 name show0.20 type vlan id 20
ip address add 10.21.0.6/24 dev show0.20
ip link set show0.20 up
ip -n stage link add link desk0 name desk0.20 type vlan id 20
ip -n stage address add 10.21.0.10/24 dev desk0.20
ip -n stage link set desk0.20 up
"""


@promise("a VLAN of a card as the show network: it hears the desk there, after a reload")
def hears_on_a_vlan(house: RackHouse) -> None:
    house.machine.must(VLAN)
    house.stop_desk()
    house.start_desk("desk0.20")
    house.take_house_file(HOUSE.replace('"show0"', '"show0.20"'))
    expect(until(lambda: (house.get("/api/v1/house") or {}).get("networks") == ["show0.20"], 240), "it is not taken")
    expect(house.wait_heard() and house.goes_on(), f"states: {house.states()}")
    house.stop_desk()
    house.start_desk()
    house.take_house_file(HOUSE)
    expect(until(lambda: (house.get("/api/v1/house") or {}).get("networks") == ["show0"], 240), "it is not taken back")
    expect(house.wait_heard() and house.goes_on(), f"back: {house.states()}")
    house.machine.must("ip link delete show0.20; ip -n stage link delete desk0.20")
    house.wait_closed(SHOW)


@contextmanager
def _disturbed(house: RackHouse, how: str) -> Iterator[None]:
    """Disturb what the desk sends by the kernel's own queue discipline for that, tc-netem(8)."""
    house.in_stage(f"tc qdisc replace dev desk0 root netem {how}")
    try:
        yield
    finally:
        house.in_stage("tc qdisc delete dev desk0 root")


@promise("3 % loss on the way (netem): packet-loss opens, and closes once the way is well")
def loss_is_found(house: RackHouse) -> None:
    with _disturbed(house, "loss 3%"):
        expect(house.wait_rule("packet-loss"), f"open: {house.rules()}")
    expect(house.wait_closed({"packet-loss"}), f"it does not close: {house.rules()}")


@promise("reordered packets (netem): out-of-order opens and nothing is called lost; it closes by itself")
def reordering_is_found(house: RackHouse) -> None:
    with accusing_nobody(house):
        with _disturbed(house, "delay 80ms reorder 25%"):
            expect(house.wait_rule("out-of-order"), f"open: {house.rules()}")
        expect(house.wait_closed({"out-of-order"}), f"it does not close: {house.rules()}")


@promise("packets that arrive twice (netem): repeated-packets opens and nothing is called lost; it closes by itself")
def copies_are_found(house: RackHouse) -> None:
    with accusing_nobody(house):
        with _disturbed(house, "duplicate 40%"):
            expect(house.wait_rule("repeated-packets"), f"open: {house.rules()}")
        expect(house.wait_closed({"repeated-packets"}), f"it does not close: {house.rules()}")


@promise("0.4 % loss on the way (every 250th packet, nftables): counted, and no incident")
def little_loss_is_silent(house: RackHouse) -> None:
    counted = sum(one["lost_frames"] for one in house.get("/api/v1/universes"))
    with accusing_nobody(house, "out-of-order", "sequence-unusable"):
        house.in_stage("nft add table ip lossy")
        house.in_stage("nft add chain ip lossy out '{ type filter hook output priority 0; }'")
        house.in_stage("nft add rule ip lossy out ip daddr 239.255.0.0/16 numgen inc mod 250 == 0 drop")
        house.machine.listen(SILENT_S)
        house.in_stage("nft delete table ip lossy")
        after = sum(one["lost_frames"] for one in house.get("/api/v1/universes"))
        expect(after > counted, f"nothing was counted as lost in {SILENT_S:.0f} s")


NETWORK: tuple[RackPromise, ...] = (
    cable_is_out,
    card_is_down,
    address_is_gone,
    card_is_made_anew,
    hears_on_a_vlan,
    loss_is_found,
    reordering_is_found,
    copies_are_found,
    little_loss_is_silent,
)
