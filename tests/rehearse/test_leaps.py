"""A replay leaves out ticks that change nothing, and says the same as one that leaves out none.

Source of what is expected: the same engine with every tick. `python -m tests.rehearse.leaps` compares more.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from tests.rehearse.leaps import differences, drawn, drawn_rest, drawn_sparse

FEW_PACKETS = 60
FEW_BURSTS = 12
A_WHILE_S = 600.0


@pytest.mark.parametrize("seed", [1, 3, 4, 5, 6, 305, 419, 450, 481, 719, 767])
def test_a_replay_with_leaps_says_the_same_at_the_same_times(seed: int) -> None:
    found, leaping, plain = differences(*drawn(seed, FEW_PACKETS))
    assert not found, "\n".join(found)
    assert plain.events, "nothing was reported, so nothing was compared"
    assert leaping.ticks < plain.ticks


@pytest.mark.parametrize("seed", [1, 2, 4, 5, 8, 12])
def test_a_sparse_capture_says_the_same_whatever_its_gaps(seed: int) -> None:
    found, leaping, plain = differences(*drawn_sparse(seed, FEW_BURSTS))
    assert not found, "\n".join(found)
    assert plain.events, "nothing was reported, so nothing was compared"
    assert leaping.ticks * 2 < plain.ticks, "half of the ticks and more change nothing"


@pytest.mark.parametrize("seed", [3, 7, 8])
def test_a_house_at_rest_is_leapt_over_and_the_same_is_said(seed: int) -> None:
    found, leaping, plain = differences(*drawn_rest(seed, A_WHILE_S))
    assert not found, "\n".join(found)
    assert plain.events, "nothing was reported, so nothing was compared"
    assert leaping.ticks < plain.ticks


def test_what_is_said_does_not_depend_on_how_python_orders_sets() -> None:
    """Reference: the same replay in processes of which each has another order (PYTHONHASHSEED)."""
    program = (
        "import sys; from tests.rehearse.leaps import drawn_sparse, replayed; "
        "said = replayed(*drawn_sparse(19, 20), leaps=True); print(said.events, said.incidents)"
    )
    said = {
        subprocess.run(
            [sys.executable, "-c", program],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2", "3")
    }
    assert len(said) == 1 and "opened" in said.pop()
