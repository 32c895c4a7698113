"""What is usually meant by a line that is not TOML, in words for somebody who has never seen TOML.

The parser says where it stopped, not what the writer did. Each mistake is known by the line's own text, and said only
where the line shows it.
"""

from __future__ import annotations

import re

from slotwatch.house.sections import BY_NAME

_VALUE = r"^\s*[\w.\"'-]+\s*=\s*"
_BY_LINE = (
    # One that stands in a text or a comment is no mistake: an apostrophe often is one.
    (re.compile(r"""^(?:[^"'#]|"[^"]*"|'[^']*')*?[“”„‟«»‘’‚]"""), 'a text stands in straight quotes: "…"'),
    (re.compile(_VALUE + r"(?i:true|false|yes|no|on|off)\b"), "write true or false, in lower case and without quotes"),
    (re.compile(_VALUE + r"\d\d?[:.]\d\d\s*(?:[ap]m\s*)?(?:#|$)"), 'a time of day stands in quotes: "18:55"'),
    (re.compile(_VALUE + r"\d+\.\d+\.\d+\.\d+"), 'an address stands in quotes: "10.20.0.10"'),
    (re.compile(_VALUE + r"-?\d+,\d+\s*(?:#|$)"), "decimals are written with a point, as in 2.5"),
    (re.compile(_VALUE + r"-?\d+(?:\.\d+)?\s*[A-Za-z%]+\s*(?:#|$)"), "a number is written without its unit"),
    (re.compile(_VALUE + r"0\d+\s*(?:#|$)"), "a number is written without zeros in front"),
    (re.compile(_VALUE + r"(?:#|$)"), "after = comes a value; to leave a key out, begin the line with #"),
    (re.compile(r"^\s*[\w-]+\s*:"), 'between a key and its value stands =, as in name = "…"'),
    (re.compile(_VALUE + r"[A-Za-z/]"), 'a text stands in quotes: "…"'),
    (re.compile(_VALUE + r"\"[^\"]*\\"), "in double quotes a backslash is written twice; in single quotes once"),
    (re.compile(_VALUE + r"\"[^\"]*$"), 'a text ends with a quote as it began: "…"'),
)
"""What a line shows, and what is right. The first that fits is said."""
_TABLE = re.compile(r"^\s*\[\[?\s*([\w-]+)\s*\]")


def usual_mistake(reason: str, line: str) -> str:
    """Say what is probably wrong with a line; empty if that is not clear. reason: the parser's own words."""
    if found := _TABLE.match(line):
        section = BY_NAME.get(found[1])
        if section is not None and section.header.startswith("[["):
            return f"each entry begins with {section.header}, in double brackets"
        return "a section may stand only once: put its keys together" if "twice" in reason else ""
    if reason == "Cannot overwrite a value":
        return "this key stands above already, in the same section"
    return next((said for pattern, said in _BY_LINE if pattern.search(line)), "")
