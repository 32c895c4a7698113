"""Messages to people, from inside the service's sandbox: the library's process, its secret file, its way out."""

from __future__ import annotations

from tests.rack.house import LONG_S, RackHouse
from tests.rack.machine import until
from tests.rack.promises import RackPromise, expect, promise
from tests.rack.tree import HOUSE

RECEIVER = """
[[notify]]
name = "duty phone"
url_file = "duty.url"
severity = "critical"
"""
URL_FILE = "/etc/slotwatch/duty.url"


def _received(house: RackHouse) -> str:
    return house.machine.run("cat /run/received").output


@promise("a message to a person leaves the sandbox: the secret file's group is enough, the test and a real loss arrive")
def message_leaves(house: RackHouse) -> None:
    machine = house.machine
    machine.must("systemd-run --quiet --collect --unit=receiver python3 /rack/receiver.py")
    machine.write(URL_FILE, "json://127.0.0.1:9000/\n")
    machine.must(f"chgrp slotwatch-secrets {URL_FILE}; chmod 640 {URL_FILE}")
    house.take_house_file(HOUSE + RECEIVER)
    expect(until(lambda: "duty phone" in machine.ask("/api/v1/house").output, LONG_S), "the house file is not taken")
    done = machine.run("slotwatch notify --test -c /etc/slotwatch/house.toml", 300)
    expect(done.status == 0 and "no daemon" not in done.output, done.output)
    expect("This is a test" in _received(house), f"received: {_received(house)}")
    house.stop_desk()
    expect(until(lambda: "lost" in _received(house), LONG_S), f"received: {_received(house)}")
    house.start_desk()
    expect(house.wait_heard(), f"states: {house.states()}")
    house.take_house_file(HOUSE)
    machine.run(f"systemctl stop receiver; rm -f {URL_FILE}")


MESSAGES: tuple[RackPromise, ...] = (message_leaves,)
