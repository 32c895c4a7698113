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


def test_what_a_file_holds_is_repeated_in_part_and_what_is_wanted_stays() -> None:
    line = str(Problem("p.csv", 2, "address", "9" * 5000, "an address from 1 to 512 is expected"))
    assert len(line) < 200
    assert line.startswith("p.csv:2: address: 9999")
    assert line.endswith("9999 - an address from 1 to 512 is expected")
    assert len(str(Problem("h.toml", 1, "k" * 5000, "", "not a known key"))) < 200


def test_no_line_is_longer_than_two_thousand_signs() -> None:
    """Also of what is printed as an escape of ten signs."""
    for text in ("x" * 5000, "\U000e0001" * 5000, "x" * 1999 + "\U000e0001"):
        (line,) = CaptureError(text).lines
        assert len(line) <= 2000
    assert CaptureError("x" * 2000).lines == ["x" * 2000]
