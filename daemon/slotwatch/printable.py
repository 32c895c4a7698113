"""What others wrote, as one line that can be printed.

Names and reasons go to terminals, logs and mails as they are; none may move a cursor there.
"""

from __future__ import annotations

LONGEST_REASON = 300


def shown(text: str) -> str:
    """Text from a file as one line: what could move a cursor is written as its escape."""
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


def one_line(text: str) -> str:
    """What a person wrote as one line: line breaks and signs that cannot be printed become single spaces."""
    if text.isprintable():
        return text.strip()
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def reason_of(text: str) -> str:
    """What another program says of its failure, as the end of a sentence: one line of bounded length."""
    return one_line(text)[:LONGEST_REASON].rstrip(". ")
