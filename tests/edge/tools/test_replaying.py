"""A recording whose clock was set while it was made: what came before the change is dated by the clock as it was."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from slotwatch.edge.tools import captures
from slotwatch.edge.tools.capture_clock import BASE_NS
from slotwatch.edge.tools.replaying import Judged, Replay
from slotwatch.engine import Engine
from slotwatch.house.schema import House, Phase
from slotwatch.judge.binding import TICK_NS
from slotwatch.views.incidents import incident
from tests.verbs.test_replay import T, frame, made

SECOND = 1_000_000_000
MINUTE, HOUR = 60 * SECOND, 3600 * SECOND


def judged(tmp_path: Path, set_by: Callable[[float], int], leaps: bool = True) -> Judged:
    """Judge 15 s of universes 7 and 8 in one piece; 7 ends after 4 s. set_by: how far the clock is off at a second."""
    packets = []
    for k in range(600):
        t = k * 25_000_000 + set_by(k / 40)
        packets += [(t, frame(7, k, k))] if k < 160 else []
        packets.append((t, frame(8, k, k)))
    path = made(tmp_path, packets)
    assert Path(path).stat().st_size < captures.PIECE_BYTES
    capture = captures.open_capture(path)
    return Replay(capture, replace(House(), networks=capture.networks), Phase.SHOW, leaps=leaps).run()


@pytest.mark.parametrize(("leaps", "rows"), [(True, captures.MOST_ROWS), (False, captures.MOST_ROWS), (True, 100)])
@pytest.mark.parametrize(("step_ns", "how"), [(HOUR, "forward"), (-HOUR, "back")])
def test_what_opens_before_the_clock_is_set_is_dated_by_the_clock_as_it_was(
    step_ns: int, how: str, leaps: bool, rows: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(captures, "MOST_ROWS", rows)
    found = judged(tmp_path, lambda second: step_ns if second >= 10 else 0, leaps)
    (lost,) = (incident(one) for one in found.incidents if one.rule == "universe-lost")
    # The last frame, and the loss timeout of 2.5 s (E1.31 6.7.1) after it, in ticks of 50 ms.
    assert lost["began_at"] == "2026-01-01T00:00:03.975Z"
    assert "2026-01-01T00:00:06.475Z" <= (lost["opened_at"] or "") <= "2026-01-01T00:00:06.625Z"
    opened, said = (next(one for one in lost["timeline"] if one["what"] == what) for what in ("opened", "clock"))
    assert opened["at"] == lost["opened_at"]
    assert said["text"] == (
        f"The clock of the recording computer was set {how} by 60 min. "
        "Times of this incident are by the clock as it was."
    )
    assert "2026-01-01T00:00:09.950Z" <= (said["at"] or "") <= "2026-01-01T00:00:10.050Z"
    assert [one["what"] for one in lost["timeline"]].count("clock") == 1


@pytest.mark.parametrize(
    ("changes_a_second", "earliest", "latest"),
    [(2, "47:06.475", "47:06.950"), (8, "36:06.475", "36:06.625"), (40, "36:06.475", "36:06.625")],
)
def test_the_clock_is_right_during_and_after_more_changes_than_are_listed(
    changes_a_second: int, earliest: str, latest: str, tmp_path: Path
) -> None:
    """The loss opens 6.5 s in: with 8 and 40 a second after the last of 24 changes, with 2 after the 13th. What passes
    while the clock is set, here 25 ms each time, is not known and counts as nothing."""
    found = judged(tmp_path, lambda second: -MINUTE * min(24, int(second * changes_a_second)))
    last_ns = T + 599 * 25_000_000 - 24 * MINUTE
    assert found.snapshot.now_ns + found.snapshot.wall_offset_ns == last_ns
    assert len(found.snapshot.house.listener.clock_steps) <= 24
    (lost,) = (incident(one) for one in found.incidents if one.rule == "universe-lost")
    assert f"2025-12-31T23:{earliest}Z" <= (lost["opened_at"] or "") <= f"2025-12-31T23:{latest}Z"


def test_a_long_silence_leaves_ticks_where_they_were(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each comes a whole number of ticks of 50 ms after the first packet, whichever of them were left out."""
    ticked: list[int] = []
    tick = Engine.tick

    def note(self: Engine, now_ns: int, wall_offset_ns: int | None = None) -> None:
        ticked.append(now_ns)
        tick(self, now_ns, wall_offset_ns)

    monkeypatch.setattr(Engine, "tick", note)
    # The second part has numbers of its own: else the silence would be a clock that was set.
    parts = ((T, 0), (T + 3 * HOUR + 17, 100))
    packets = [(from_ns + k * 25_000_000, frame(7, first + k, k)) for from_ns, first in parts for k in range(40)]
    capture = captures.open_capture(made(tmp_path, packets))
    Replay(capture, replace(House(), networks=capture.networks), Phase.SHOW, leaps=False).run()
    # The last tick is at the end of the capture.
    assert len(ticked) > 100 and {(at_ns - BASE_NS) % TICK_NS for at_ns in ticked[:-1]} == {0}
