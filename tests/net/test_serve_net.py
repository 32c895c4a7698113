"""The whole daemon on a cable of its own, in a network namespace."""

from __future__ import annotations

import pytest

from tests.net.namespace import DAEMON, inside

pytestmark = pytest.mark.net


def test_a_pulled_cable_is_the_listeners_own_fault_and_no_universes() -> None:
    answer = inside(
        DAEMON
        + """
desk("sw")
with ended(start(file, ports)) as daemon:
    until(lambda: daemon.universe("e131/1").get("state") in HEARD and daemon.universe("e131/2"))
    ip("link", "set", "sw", "down")
    until(lambda: "link-down" in rules(daemon))
    daemon.judges_for(4)
    down = rules(daemon)
    state = daemon.universe("e131/1")["state"]
    ip("link", "set", "sw", "up")
    until(lambda: daemon.universe("e131/1").get("state") in HEARD)
    until(lambda: "link-down" not in rules(daemon))
    over.set()
    print(json.dumps({"down": down, "state": state, "all": rules(daemon, "all"), "status": daemon.stop()}))
""",
    )
    assert "link-down" in answer["down"]
    assert answer["state"] == "not-judged"
    assert not {"universe-lost", "universe-missing", "source-absent"} & set(answer["all"]), answer["all"]
    assert answer["status"] == 0
