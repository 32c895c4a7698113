"""What goes on beside a loss, or after it, is reported as soon as no window counts the loss any more.

The windows of the rules are at most 10 s long (docs/rules.md); what is expected is common practice, no source.
"""

from __future__ import annotations

import pytest

from tests.judge.stage import Desk, Stage, house_of, moving, opened_after_s

TOWER = Desk("Tower", (9,), "10.0.0.9", 9)


def lossy(gone_s: float, back_s: float, *, every: int) -> Desk:
    """A way that is cut for a time, and drops one frame in `every` from then on; 0: none."""

    def drops(universe: int, index: int, t: float) -> bool:
        return gone_s <= t < back_s or bool(every and t > back_s and index % every == 0)

    return Desk("Desk A", (1,), levels=moving(), drop=drops)


@pytest.mark.parametrize("every", [3, 5])
@pytest.mark.parametrize("away_s", [3.0, 8.0])
def test_frames_that_go_on_missing_after_a_loss_are_reported_within_its_watch_and_a_few_seconds(
    every: int, away_s: float
) -> None:
    back_s = 20.0 + away_s
    stage = Stage(house_of((1, 9)), lossy(20.0, back_s, every=every), TOWER).run(back_s + 16.0)
    found = stage.rule("packet-loss")
    assert found.closed_ns is None and back_s + 10.0 < opened_after_s(found) < back_s + 14.0


@pytest.mark.parametrize("away_s", [3.0, 8.0])
def test_frames_that_were_missing_in_a_loss_alone_are_no_incident_after_it(away_s: float) -> None:
    stage = Stage(house_of((1, 9)), lossy(20.0, 20.0 + away_s, every=0), TOWER).run(50.0 + away_s)
    assert [one.rule for one in stage.all] == ["universe-lost"]
