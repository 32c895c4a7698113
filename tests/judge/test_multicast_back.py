"""Multicast that failed and is back in part: nothing says any more that it does not arrive."""

from __future__ import annotations

from dataclasses import replace

from tests.judge.stage import Node, Stage, moving
from tests.judge.test_earlier import MAIN, SPARE, two_desks

MEDIA = Node((0,), "10.0.0.7", levels=moving())


def test_what_is_back_by_multicast_is_no_multicast_that_does_not_arrive() -> None:
    stage = Stage(two_desks(), replace(MAIN, to_s=20.0), replace(SPARE, to_s=20.0), MEDIA, replace(MAIN, from_s=36.0))
    (lost,) = (one for one in stage.run(30.0).open if one.rule != "undeclared-universe")
    assert lost.rule == "universe-lost" and lost.cause == "multicast-lost"
    assert "no longer reaches this port" in lost.summary
    for tenth in range(1, 120):
        stage.run(36.2 + tenth / 10)
        for one in stage.open:
            assert "no longer reach" not in one.summary, one.summary
    (absent,) = (one for one in stage.open if one.returned_ns is None and one.rule != "undeclared-universe")
    assert absent.rule == "backup-absent"
