"""What comes and goes: one incident that stays open until a minute of quiet, and no readiness while it does."""

from __future__ import annotations

from tests.judge.stage import START_NS, Desk, S, Stage, house_of, moving, still

LOSSES = ((12.0, 15.0), (27.0, 30.0), (42.0, 45.0), (57.0, 60.0))


def away(universe: int, index: int, t: float) -> bool:
    return universe == 3 and any(start <= t < end for start, end in LOSSES)


def test_four_losses_within_two_minutes_stay_open_until_a_minute_of_quiet() -> None:
    shown = Stage(house_of((3, 4), min_refresh_hz=1), Desk("Desk A", (3, 4), hz=5.0, levels=moving(hz=5.0), drop=away))
    shown.run(80.0)
    incident = shown.rule("universe-lost")
    assert incident.closed_ns is None, "its condition is over since 60 s, its minute of quiet is not"
    answer = shown.judge.readiness(shown.model, shown.now_ns)
    assert not answer.ready
    assert [reason.rule for reason in answer.reasons] == ["universe-lost"]
    shown.run(121.0)
    assert incident.closed_ns is not None
    assert 119.9 <= (incident.closed_ns - START_NS) / S <= 120.2
    assert shown.judge.readiness(shown.model, shown.now_ns).ready
    assert len([event for event in shown.events if event.what == "opened"]) == 1
    assert incident.summary.endswith("It lasted 3.2 s the last time. It came and went 4 times.")


def test_what_is_sent_too_rarely_at_rest_is_not_said_to_have_a_bad_lead() -> None:
    """A gateway that repeats Art-Net's 4 s as E1.31, whose receivers wait 2.5 s (E1.31 6.6.2, 6.7.1)."""
    slow = Desk("Desk A", (3, 4), hz=0.25, levels=still(100))
    incident = Stage(house_of((3, 4)), slow).run(60.6).rule("universe-lost")
    assert "It comes and goes" in incident.summary and incident.returned_ns is not None
    assert incident.next_checks[0] == "Look at the keep-alive setting of Desk A, or of the gateway that sends for it."
    assert not any("lead" in check for check in incident.next_checks)
