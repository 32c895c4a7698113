"""Tests wait for conditions. Every sleep in them is listed here, with the reason why it is no wait for a span.

A sleep that is new fails: wait with `until` or `happens` of `tests.patience`, or inject the time.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
SLEEPS = {"sleep", "wait_for_timeout"}
"""Also that of the browser's driver."""
BETWEEN_QUESTIONS = "the pause between two questions for a condition"
IS_TESTED = "the span is what is tested"
FAR_END = "the other end takes its time, or lives until it is killed"
PACE = "the pace of what the test sends"
TURN = "a turn of the event loop, and no time"

ALLOWED = {
    ("edge/front/test_broker_gate.py", "test_whoever_comes_while_the_gate_is_left_is_left_too"): TURN,
    ("edge/front/test_callers.py", "slow"): FAR_END,
    ("edge/front/test_callers.py", "test_a_local_probe_is_answered_while_all_places_are_taken"): PACE,
    (
        "edge/front/test_callers.py",
        "test_who_was_let_in_just_as_a_door_closes_is_answered_and_others_wait_in_line",
    ): TURN,
    ("edge/front/test_elsewhere.py", "hang"): FAR_END,
    ("edge/front/test_events.py", "test_who_leaves_was_not_dropped"): PACE,
    ("edge/front/test_history.py", ""): FAR_END,
    ("edge/front/test_mqtt.py", "broker"): BETWEEN_QUESTIONS,
    (
        "edge/front/test_snmp.py",
        "test_of_answers_that_come_together_one_is_decoded_in_a_turn_of_the_loop",
    ): TURN,
    ("edge/intake/test_udp_in.py", "test_arrival_is_the_kernels_time_and_not_the_time_of_reading"): IS_TESTED,
    ("edge/lines/test_line_tap.py", "test_what_nobody_takes_in_time_is_dropped_and_counted"): PACE,
    ("edge/lines/test_serial_line.py", "read_now"): BETWEEN_QUESTIONS,
    ("edge/routes/test_udp_out.py", "test_the_sacn_package_receives_the_right_slots"): PACE,
    ("net/test_switches_net.py", ""): BETWEEN_QUESTIONS,
    ("outside/test_page.py", "test_a_loss_its_acknowledgement_and_a_kill"): IS_TESTED,
    ("patience.py", "happens"): BETWEEN_QUESTIONS,
    ("patience.py", "until"): BETWEEN_QUESTIONS,
    ("rack/agent.py", "_keep_marking"): BETWEEN_QUESTIONS,
    ("rack/agent.py", "main"): BETWEEN_QUESTIONS,
    ("rack/agent.py", "serve"): BETWEEN_QUESTIONS,
    ("rack/machine.py", "_connected"): BETWEEN_QUESTIONS,
    ("rack/machine.py", "until"): BETWEEN_QUESTIONS,
    ("test_app.py", "test_a_port_that_is_freed_within_three_seconds_is_waited_for"): IS_TESTED,
    ("test_app.py", "test_judging_asleep_for_half_a_second_loses_nothing"): IS_TESTED,
    ("test_app_routes.py", "octets"): BETWEEN_QUESTIONS,
    ("test_restart.py", "test_what_was_answered_is_there_after_a_kill_at_any_moment"): IS_TESTED,
    ("web/screenshots.py", "main"): "a picture of the page at rest, and no test",
    ("web/stand_in.py", "stop_serving"): TURN,
    ("web/stand_in.py", "wait_for_change"): BETWEEN_QUESTIONS,
    ("web/test_access.py", "test_half_typed_words_and_focus_survive_updates"): PACE,
    ("web/test_real_front.py", "_lay_on"): PACE,
}
"""Reason by file and innermost function; no function: the text of a program for another process."""


def sleeps(source: str) -> list[str]:
    """The innermost function of every sleep in a test's source, also where code for another process sleeps."""
    return list(_sleeps(ast.parse(source), ""))


def _sleeps(node: ast.AST, function: str) -> Iterator[str]:
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
        function = node.name
    match node:
        case ast.Call(func=ast.Attribute(attr=name) | ast.Name(id=name)) if name in SLEEPS:
            yield function
        case ast.Constant(value=str(text)) if any(f"{name}(" in text for name in SLEEPS):
            yield function
    for child in ast.iter_child_nodes(node):
        yield from _sleeps(child, function)


@pytest.mark.parametrize(
    ("source", "function"),
    [
        ("def test_it():\n    time.sleep(1)", "test_it"),
        ("from time import sleep\nsleep(1)", ""),
        ("def outer():\n    async def inner():\n        await asyncio.sleep(1)", "inner"),
        ("def test_page(page):\n    page.wait_for_timeout(500)", "test_page"),
        ('CODE = "import time; time.sleep(1)"', ""),
    ],
)
def test_a_sleep_is_found(source: str, function: str) -> None:
    assert sleeps(source) == [function]


def test_every_sleep_has_its_reason() -> None:
    found = {
        (str(path.relative_to(TESTS)), function)
        for path in TESTS.rglob("*.py")
        if path != Path(__file__)
        for function in sleeps(path.read_text())
    }
    assert sorted(found - ALLOWED.keys()) == [], "wait for a condition instead"
    assert sorted(ALLOWED.keys() - found) == [], "these sleep no more: take them off the list"
