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


def visible(text: str) -> str:
    """Leave out signs that move a cursor, turn the direction of writing or hide: a name is then what it looks like."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(sign for sign in text if not (_is_control(sign) or _is_hidden(sign)))


def _is_control(sign: str) -> bool:
    """Control characters, line and paragraph separators."""
    return sign < " " or "\x7f" <= sign <= "\x9f" or sign in "\u2028\u2029"


def _is_hidden(sign: str) -> bool:
    """Zero-width signs, direction marks and overrides, byte order mark, tags."""
    code = ord(sign)
    marks = 0x200B <= code <= 0x200F or 0x202A <= code <= 0x202E or 0x2060 <= code <= 0x206F
    return marks or code in (0x00AD, 0x061C, 0xFEFF) or 0xE0000 <= code <= 0xE0FFF


def one_line(text: str) -> str:
    """What a person wrote as one line: line breaks and signs that cannot be printed become single spaces, and what
    hides is left out."""
    if text.isprintable():
        return text.strip()
    seen = (sign for sign in text if not _is_hidden(sign))
    return " ".join("".join(sign if sign.isprintable() else " " for sign in seen).split())


def reason_of(text: str) -> str:
    """What another program says of its failure, as the end of a sentence: one line of bounded length."""
    return one_line(text)[:LONGEST_REASON].rstrip(". ")
