"""Guessing the token is slow, by address. The figures are ours (common practice, no source)."""

from __future__ import annotations

import pytest

from slotwatch.edge.front.attempts import FREE_ATTEMPTS, LONGEST_WAIT_NS, WrongTokens, guessing_place

S = 1_000_000_000


def test_a_person_may_mistype_then_each_wrong_token_doubles_the_wait() -> None:
    wrong, now_ns, waits = WrongTokens(), 0, []
    for _ in range(FREE_ATTEMPTS + 9):
        wrong.note_wrong("10.0.0.9", now_ns)
        waits.append(wrong.wait_ns("10.0.0.9", now_ns))
        now_ns += waits[-1]
        assert wrong.wait_ns("10.0.0.9", now_ns) == 0, "and then it may try once more"
    assert waits[:FREE_ATTEMPTS] == [0] * FREE_ATTEMPTS
    assert waits[FREE_ATTEMPTS:] == [S, 2 * S, 4 * S, 8 * S, 16 * S, 32 * S, 60 * S, 60 * S, 60 * S]
    assert wrong.wait_ns("10.0.0.10", 0) == 0, "others do not wait"


def test_a_right_token_and_a_quarter_of_an_hour_forget_it() -> None:
    wrong = WrongTokens()
    for _ in range(30):
        wrong.note_wrong("10.0.0.9", 0)
    wrong.note_wrong("10.0.0.9", 1000 * S)
    assert wrong.wait_ns("10.0.0.9", 1000 * S) == 0
    for _ in range(30):
        wrong.note_wrong("10.0.0.9", 1000 * S)
    assert wrong.wait_ns("10.0.0.9", 1000 * S) == LONGEST_WAIT_NS
    wrong.note_right("10.0.0.9")
    assert wrong.wait_ns("10.0.0.9", 1000 * S) == 0


def test_the_table_of_guessers_is_bounded() -> None:
    wrong = WrongTokens(most=100)
    for number in range(10_000):
        wrong.note_wrong(f"10.0.{number // 256}.{number % 256}", number)
    assert len(wrong) == 100


def test_guesses_from_more_addresses_than_are_remembered_slow_nobody_else() -> None:
    """The token's length is what stops those (SECURITY.md); a person who never mistyped must not wait for them."""
    wrong = WrongTokens()
    wrong.note_wrong("10.9.9.9", 0)
    for number in range(3 * 4097):
        wrong.note_wrong(f"10.{number % 4097 >> 8}.0.{number % 4097 & 255}", number)
        assert wrong.wait_ns("10.200.0.1", number) == wrong.wait_ns("10.9.9.9", number) == 0
    assert len(wrong) == 4096


@pytest.mark.parametrize(
    ("address", "place"),
    [
        ("10.0.0.9", "10.0.0.9"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),  # RFC 4291 2.5.1: 64 bits are the interface's own
        ("fe80::1%eth0", "fe80::/64"),
        ("::ffff:10.0.0.9", "10.0.0.9"),  # RFC 4291 2.5.5.2
        ("", ""),
    ],
)
def test_who_counts_as_one_guesser(address: str, place: str) -> None:
    assert guessing_place(address) == place
