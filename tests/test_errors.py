"""What is printed of a fault is one line, whatever the file held."""

from __future__ import annotations

from slotwatch.errors import CaptureError, EdgeError, Problem


def test_what_a_file_holds_cannot_move_a_cursor() -> None:
    """Form feed, an escape sequence, and a Unicode line separator (U+2028), which ends a line for many programs."""
    problem = Problem("house.toml", 3, "house.name", "a\x0cb\x1b[2Jc\u2028d", "one line is expected")
    assert str(problem) == "house.toml:3: house.name: a\\x0cb\\x1b[2Jc\\u2028d - one line is expected"
    assert CaptureError("x\n.pcap: is a directory").lines == ["x\\n.pcap: is a directory"]
    assert EdgeError("the port is taken", "end\x07 it").lines == ["the port is taken; end\\x07 it"]


def test_what_can_be_printed_is_unchanged() -> None:
    assert str(Problem("häuser.toml", None, "", "“1 200 W” → é", "fine")) == "häuser.toml: “1 200 W” → é - fine"
