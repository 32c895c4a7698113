"""What is wrong with the form of one sentence: number of things, empty lists, figures, names that only code knows.

Common practice, no source: plain English. Where a form has a source, it stands beside it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

UNIVERSE = r"(?:e131|artnet)/\d+(?!\d)(?:@[\w-]+(?![\w-]))?(?!@)"
NAMED = r'"[^"]+" \([^()]*\)'
"""A source as sentences name it: `"Desk A" (10.0.0.1)`."""
_QUOTED = re.compile(r'"[^"]*"|`[^`]*`|https?://\S+|/dev/\S+|net\.\S+|/proc/\S+')
"""What the network, a file or a system says: its words are not the program's."""
_ADDRESS = re.compile(r"\b(?:\d{1,3}\.){3}\d{1,3}(?:/\d+)?\b|\b(?:[0-9a-f]{2}:){5}[0-9a-f]{2}\b")
_THINGS = (
    *("addresses", "answers", "checks", "copies", "desks", "devices", "errors", "fixtures", "frames", "gaps", "groups"),
    *("incidents", "leads", "levels", "listeners", "networks", "notes", "packets", "ports", "receivers", "routes"),
    *("shows", "slots", "sources", "streams", "switches", "times", "universes", "ways"),
)
_ONES = [one[:-1] for one in _THINGS if one not in ("addresses", "switches")]
_ODD = {
    "one thing as several": re.compile(rf"(?<![\w./@:-])(?<!of )1 (?:{'|'.join(_THINGS)})\b"),
    "several things as one": re.compile(rf"(?<![\w./@:,-])(?:[2-9]|[1-9]\d+) (?:{'|'.join(_ONES)})\b(?![-/])"),
    "a word twice": re.compile(r"\b([A-Za-z]+) \1\b(?<!had had)"),
    "an empty place": re.compile(
        r"  |\(\)|\[\]|\{|\}|\(\s|\s\)|\s[,.;:](?!\w)|,\s*[,.;:]|[.;:]\s*[,;:]|\.\.(?!\.)|[?!]\."
        r"|\b(?:and|of|from|at|with|the) ?[.;,](?:\s|$)|, and ,|: \.|^[,.;: ]|\s$"
    ),
    "a name of the code": re.compile(r"\b[a-z]+_[a-z_]+\b|\bNone\b|\bnan\b|\binf\b|\bTrue\b|\bFalse\b|<[a-z]|0x0x"),
    "an unrounded number": re.compile(r"\d\.\d{4,}|\d\.\d*0000\d|\d\.\d*9999\d|\de[-+]\d"),
    "several universes of one": re.compile(rf"\b[Uu]niverses {UNIVERSE}(?! to |, | and | on )"),
    "one universe of several": re.compile(rf"\b[Uu]niverse {UNIVERSE}(?: to {UNIVERSE}|(?:, {UNIVERSE})+ and)"),
    "one that are": re.compile(rf"(?:^|[.;:] ){NAMED} (?:are|have|were|send|arrive)\b"),
    "several that is": re.compile(rf"{NAMED}(?:, {NAMED})* and {NAMED} (?:is|has|was|sends|arrives)\b"),
    "an before a consonant": re.compile(r"\ban (?=[bcdfgjkpqtvwz])|\ba (?=[aei])"),
}


def odd_forms(text: str) -> Iterator[str]:
    """Say what is odd in a sentence of the program; nothing if all is well."""
    own = _QUOTED.sub(lambda found: '"Q"' if found[0][0] == '"' else "§", text)
    bare = _ADDRESS.sub("A", own)
    for what, pattern in _ODD.items():
        if found := pattern.search(bare):
            yield f"{what}, {found[0].strip()!r}: {text!r}"
    for listed in re.findall(rf"{NAMED}(?:, {NAMED})*(?: and {NAMED})", text):
        names = re.findall(NAMED, listed)
        if len(names) != len(set(names)):
            yield f"named twice in one list: {text!r}"
    for run in re.findall(rf"(?:{UNIVERSE}, )+{UNIVERSE}(?: and {UNIVERSE})", text):
        numbers = re.findall(UNIVERSE, run)
        if len(numbers) != len(set(numbers)):
            yield f"a universe twice in one list: {text!r}"


def unfinished(text: str) -> Iterator[str]:
    """Say of a summary, an evidence or a next check that it does not end as a sentence does."""
    if text.rstrip('"`')[-1:] not in (".", "?", "!") and not re.search(r"https?://\S+$", text):
        yield f"it does not end: {text!r}"
