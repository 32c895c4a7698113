"""Two processes of tests that run side by side are never given one port: each opens it only some time later."""

from __future__ import annotations

import subprocess
import sys

from tests import ports
from tests.patience import PATIENCE_S

PROCESSES, EACH = 4, 250
CHOOSE = f"from tests.ports import free_port\nprint(*(free_port() for _ in range({EACH})), flush=True)\ninput()\n"


def test_no_two_processes_are_given_one_port() -> None:
    choosers = [
        subprocess.Popen([sys.executable, "-c", CHOOSE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for _ in range(PROCESSES)
    ]
    try:
        given = []
        for one in choosers:
            assert one.stdout is not None
            given += one.stdout.readline().split()
    finally:
        for one in choosers:
            one.communicate("\n")
    # 250 ports of 12,768, drawn by each of four for itself, would have some 29 in common: six pairs, 4.9 each.
    assert len(given) == PROCESSES * EACH == len(set(given))


def test_what_a_process_held_is_free_for_the_next() -> None:
    """Of fifty, for another process of tests that runs meanwhile may be given one of them in between."""
    chooser = [sys.executable, "-c", "from tests.ports import free_port\nprint(*(free_port() for _ in range(50)))"]
    held = subprocess.run(chooser, capture_output=True, text=True, check=True).stdout.split()
    again = f"import tests.ports as p\np.BELOW_EPHEMERAL = [{', '.join(held)}]\nprint(p.free_port())"
    done = subprocess.run([sys.executable, "-c", again], capture_output=True, text=True, timeout=PATIENCE_S, check=True)
    assert done.stdout.strip() in held


def test_a_process_that_chooses_for_ever_keeps_a_bounded_number() -> None:
    chosen = [ports.free_port() for _ in range(ports.MOST_KEPT + 200)]
    assert len(set(chosen[-ports.MOST_KEPT :])) == ports.MOST_KEPT
