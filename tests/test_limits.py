"""A limit of a test is only when to give up, and a busy computer takes its time: it is that of `tests/patience.py`.

Every shorter number at which something waits is listed here, with the reason why it fails no test on a slow computer.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.patience import PATIENCE_S

TESTS = Path(__file__).parent
NAMED = {"timeout", "timeout_s", "within_s", "shutdown_timeout"}
"""What a limit is called where it has a name."""
CONSTANTS = ("WITHIN_S", "AGAIN_S", "TIMEOUT_S", "LONG_S")
WAITING = {
    **dict.fromkeys(("wait", "join", "timeout", "settimeout", "result", "communicate"), 0),
    **dict.fromkeys(("wait_for", "until", "happens", "cancelled", "create_connection"), 1),
}
"""Where the limit stands in a call: after so many others."""
PACE = "the pace of what the test sends"
AGAIN = "it is asked again until it answers"
NOT_YET = "a look at what must not have come; a busy computer only sees less"
ENDS = "how long what is ended may take; then it is ended at once"

ALLOWED = {
    ("daemon.py", ""): "a look at what a daemon still says after a failure; and a question that is asked again",
    ("edge/front/test_mqtt.py", "broker"): AGAIN,
    ("edge/front/test_notice_queue.py", "test_closing_waits_for_a_write_that_still_runs_in_its_thread"): NOT_YET,
    ("edge/front/test_server.py", "knock"): PACE,
    ("edge/intake/test_udp_in.py", "test_a_house_that_cannot_be_heard_leaves_the_way_back_open"): AGAIN,
    ("edge/intake/test_udp_in.py", "test_a_house_with_another_port_is_heard_there_and_no_longer_here"): AGAIN,
    ("edge/listening.py", "follow"): "what has come until now",
    ("judge/test_receiver_differs.py", ""): "of the judged time",
    ("net/documented.py", "play"): PACE,
    ("net/namespace.py", "play"): PACE,
    ("net/test_intake_net.py", "announce"): PACE,
    ("net/test_routes_net.py", ""): "a look at what has come; who wants more looks again",
    ("net/test_routes_net.py", "watched"): "a look at what has come; who wants more looks again",
    ("net/test_survey_net.py", "send"): PACE,
    ("net/test_switches_net.py", "play"): PACE,
    ("net/test_two_listeners_net.py", "get"): AGAIN,
    ("net/test_two_networks_net.py", "list_all"): PACE,
    ("net/test_two_networks_net.py", "one_desk"): PACE,
    ("test_app.py", "ask"): PACE,
    ("test_reference_live.py", "play"): PACE,
    ("verbs/test_rehearse.py", "ends_on_sigint"): "it reads on until the program has ended",
    ("verbs/test_survey.py", "send"): PACE,
    ("web/stand_in.py", "_events"): PACE,
    ("web/stand_in.py", "_start"): ENDS,
    ("web/test_real_front.py", "_start"): ENDS,
}
"""Reason by file and innermost function; no function: the text of a program for another process."""


def short_limits(source: str) -> list[str]:
    """The innermost function of every limit in a test's source that is a number, and shorter than patience."""
    return list(_short_limits(ast.parse(source), ""))


def _short_limits(node: ast.AST, function: str) -> Iterator[str]:
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
        function = node.name
    match node:
        case ast.Call(func=ast.Attribute(attr=name) | ast.Name(id=name)):
            given = [one.value for one in node.keywords if one.arg in NAMED]
            place = WAITING.get(name)
            if place is not None:
                given += node.args[place : place + 1]
            if any(_is_short(one) for one in given):
                yield function
        case ast.FunctionDef(args=given_to) | ast.AsyncFunctionDef(args=given_to):
            named = [*zip(reversed([*given_to.posonlyargs, *given_to.args]), reversed(given_to.defaults), strict=False)]
            named += [
                (one, value) for one, value in zip(given_to.kwonlyargs, given_to.kw_defaults, strict=True) if value
            ]
            if any(one.arg in NAMED and value and _is_short(value) for one, value in named):
                yield function
        case ast.Assign(targets=[ast.Name(id=name)], value=value) if name.endswith(CONSTANTS) and _is_short(value):
            yield function
        case ast.Constant(value=str(text)) if "\n" in text and _is_program(text):
            yield from _short_limits(ast.parse(text), "")
    for child in ast.iter_child_nodes(node):
        yield from _short_limits(child, function)


def _is_program(text: str) -> bool:
    """Whether a text is one for another process, or a part of one."""
    if not any(f"{name}(" in text for name in (*WAITING, "run", "urlopen")):
        return False
    try:
        ast.parse(text)
    except SyntaxError:
        return False
    return True


def _is_short(limit: ast.expr) -> bool:
    return isinstance(limit, ast.Constant) and isinstance(limit.value, int | float) and limit.value < PATIENCE_S


@pytest.mark.parametrize(
    ("source", "function"),
    [
        ("def test_it():\n    process.wait(20)", "test_it"),
        ("def test_it():\n    subprocess.run(words, timeout=30)", "test_it"),
        ("async def test_it():\n    await asyncio.wait_for(ready.wait(), 5.0)", "test_it"),
        ("def test_it():\n    until(lambda: it.came, 40)", "test_it"),
        ("def ask(within_s: float = 40.0): ...", "ask"),
        ("WITHIN_S = 20.0", ""),
        ('CODE = "import subprocess\\nsubprocess.run(words, timeout=30)"', ""),
    ],
)
def test_a_short_limit_is_found(source: str, function: str) -> None:
    assert short_limits(source) == [function]


@pytest.mark.parametrize("source", ["process.wait()", "process.wait(PATIENCE_S)", "', '.join(words)"])
def test_what_is_no_short_limit(source: str) -> None:
    assert short_limits(source) == []


def test_every_short_limit_has_its_reason() -> None:
    found = {
        (str(path.relative_to(TESTS)), function)
        for path in TESTS.rglob("*.py")
        if path != Path(__file__) and path.relative_to(TESTS).parts[0] != "rack"  # its own clock and limits
        for function in short_limits(path.read_text())
    }
    assert sorted(found - ALLOWED.keys()) == [], "give up at PATIENCE_S instead"
    assert sorted(ALLOWED.keys() - found) == [], "these have no short limit any more: take them off the list"
