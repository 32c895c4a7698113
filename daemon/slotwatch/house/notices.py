"""Makes the recipients of messages from their tables."""

from __future__ import annotations

from slotwatch.house.document import Document, Entry
from slotwatch.house.outgoing import Heartbeat, NoticeTerms, Notify, Webhook
from slotwatch.house.references import Built
from slotwatch.house.sections import BY_NAME
from slotwatch.house.values import Converter

MOST_RECIPIENTS = 32
HEARTBEAT = "heartbeat"


def notify(entry: Entry) -> Notify:
    return Notify(entry["name"], entry["url_file"], _terms(entry), entry.line)


def webhook(entry: Entry) -> Webhook:
    return Webhook(entry["name"], entry["url"], entry["secret_file"], _terms(entry), entry.line)


def heartbeat(document: Document, converter: Converter) -> Heartbeat:
    return Heartbeat(**document.table(BY_NAME["heartbeat"], converter).values)


def check_names(*built: Built) -> None:
    """Each recipient has a name of its own: metrics and the command line distinguish them by it."""
    seen: set[str] = set()
    for rows in built:
        for entry, value in rows.rows:
            if value.name in seen:
                entry.wrong("name", "another recipient has this name already")
            elif value.name == HEARTBEAT:
                entry.wrong("name", "this name is the heartbeat's own")
            elif len(seen) >= MOST_RECIPIENTS:
                entry.wrong("name", f"at most {MOST_RECIPIENTS} recipients are served")
            seen.add(value.name)


def _terms(entry: Entry) -> NoticeTerms:
    return NoticeTerms(entry["severity"], entry["phases"], entry["after_s"], entry["repeat_min"], entry["resolved"])
