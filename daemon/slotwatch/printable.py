"""What others wrote, as one line that can be printed.

Names and reasons go to terminals, logs and mails as they are; none may move a cursor there.
"""

from __future__ import annotations

LONGEST_REASON = 300
LONGEST_HELD = 120
"""Of what a person wrote in one place, where a sentence repeats it."""
LONGEST_LINE = 2000


def shown(text: str) -> str:
    """Text from a file as one line of bounded length: what could move a cursor is written as its escape."""
    text = cut(text, LONGEST_LINE)
    if not text.isprintable():
        text = "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)
    return cut(text, LONGEST_LINE)


def cut(text: str, most: int) -> str:
    """Leave out the middle of a text that is longer."""
    if len(text) <= most:
        return text
    return f"{text[: most - most // 3 - 1]}…{text[len(text) - most // 3 :]}"


def one_line(text: str) -> str:
    """What a person wrote as one line: line breaks and signs that cannot be printed become single spaces."""
    if text.isprintable():
        return text.strip()
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def reason_of(text: str) -> str:
    """What another program says of its failure, as the end of a sentence: one line of bounded length."""
    return one_line(text)[:LONGEST_REASON].rstrip(". ")
