"""For every Python that tests start (module `site` imports it): a port that everybody knows is refused to a test.

A test process, a demo or another program of this computer may hold it at the same time. In a network that a test made
for itself every port is its own.
"""

import os
import sys

TAKEN_BY_NAME = range(1, 20_000)
"""Below those of `tests.ports`: the usual ports of the program, of brokers, agents and pages, and of its rehearsals."""
INTERNET = (2, 10)
"""AF_INET and AF_INET6 of Linux. Every Python would have to read `socket` for their names."""
NETWORK = "SLOTWATCH_TESTS_NETWORK"
"""The environment's name of the network in which the tests run, so that a network of a test's own is another one."""
WORDS = (
    "tests share this computer: port {} may be held by another test or program. Take one of tests.ports.free_port, "
    "or run in a network of the test's own (tests.net.namespace.inside)"
)


def network() -> str:
    return os.readlink("/proc/self/ns/net")  # noqa: PTH115 - every program of a test would read pathlib


def _refuse(event: str, given: tuple) -> None:
    if event != "socket.bind" or given[0].family not in INTERNET or not isinstance(given[1], tuple):
        return
    port = given[1][1]
    if port in TAKEN_BY_NAME and network() == os.environ.get(NETWORK):
        print(WORDS.format(port), file=sys.stderr, flush=True)
        raise RuntimeError(WORDS.format(port))


if NETWORK in os.environ:
    sys.addaudithook(_refuse)
