"""The show report from the stored history, whether the daemon runs or not: HTML, JSON or CSV."""

from __future__ import annotations

import argparse
import os
import re
import sqlite3
import sys
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from slotwatch import clock
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.reporting import gather, span_of
from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.places import SERVICE, history_of, is_hidden
from slotwatch.errors import FOUND_FAULTS, EdgeError
from slotwatch.house.schema import House
from slotwatch.views.report import report_csv, report_html, report_json

ONE_HOUR = timedelta(hours=1)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    when = "2026-03-01T19:30, or 19:30 for its last occurrence, in the house's time zone"
    parser.add_argument(
        "-c",
        "--config",
        metavar="HOUSE.toml",
        help="house file whose history is read. Left out: slotwatch.db here or of the service",
    )
    parser.add_argument("--since", metavar="T", help=f"start of the report: {when}. Left out: the last show phase")
    parser.add_argument(
        "--until",
        metavar="T",
        help="end of the report; a time in the future means now. Left out: when that phase ended, or now",
    )
    parser.add_argument("--history", metavar="FILE", help="history file, if it is not the house file's own")
    parser.add_argument("-o", "--output", metavar="FILE", help="write to this file instead of standard output")
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument("--json", action="store_true", help="everything as JSON")
    kind.add_argument("--csv", action="store_true", help="incidents, marks and intervals as a table")


def run(arguments: argparse.Namespace) -> int:
    """Write the report. 0: notes at most, 1: a warning or worse; EdgeError if there is no history."""
    house = load_house(arguments.config) if arguments.config else House(name="The stored history")
    path = Path(arguments.history) if arguments.history else history_of(house)
    now_ns = clock.wall_ns()
    zone = _zone(house)
    since = moment(arguments.since, now_ns, zone)
    until = end_moment(arguments.until, since, now_ns, zone)
    end = datetime.fromisoformat(until) if until else datetime.fromtimestamp(now_ns / 1e9, zone)
    if since and end <= datetime.fromisoformat(since):
        raise EdgeError(
            "the report would end before it begins",
            "give --since a time before --until, which is now if it is not given",
        )
    if is_hidden(path):
        raise EdgeError(f"this user may not look into {path.parent}", "run the report with sudo")
    if not path.is_file():
        advice = "run slotwatch serve with this house file first" if arguments.config else "name the house file with -c"
        if is_hidden(SERVICE / path.name):
            advice += f", or run the report with sudo: this user may not look into {SERVICE}"
        if not arguments.history:
            advice += f", or name the file with --history (the service keeps its own in {SERVICE})"
        raise EdgeError(f"there is no history at {path}", advice)
    archive = Archive(path)
    try:
        found = gather(archive, house, *span_of(archive, since, until, now_ns), now_ns)
    except sqlite3.Error as error:
        advice = "give another with --history" if os.access(path, os.R_OK) else "see whether this user may read it"
        raise EdgeError(f"the history {path} cannot be read: {error}", advice) from None
    if arguments.json:
        text = report_json(found)
    else:
        text = report_csv(found) if arguments.csv else report_html(found)
    _put(text, arguments.output)
    return FOUND_FAULTS if any(one["severity"] != "note" for one in found.incidents) else 0


def moment(text: str | None, now_ns: int, zone: tzinfo) -> str | None:
    """Read a time of the command line into ISO 8601. EdgeError with what would be right."""
    if text is None:
        return None
    now = datetime.fromtimestamp(now_ns / 1e9, zone)
    found = _clock_time(text, now)
    if found is not None:
        return (found if found <= now else found - timedelta(days=1)).isoformat()
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError:
        raise EdgeError(f"{text!r} is not a time", "write 2026-03-01T19:30 or 19:30") from None
    return (found if found.tzinfo else found.replace(tzinfo=zone)).isoformat()


def end_moment(text: str | None, since: str | None, now_ns: int, zone: tzinfo) -> str | None:
    """Read the end of a report into ISO 8601: a time of day is the first after `since`; what is to come is now.

    Without `since` a time of day is the last time it was that o'clock, but within the next hour it means now.
    """
    if text is None:
        return None
    now = datetime.fromtimestamp(now_ns / 1e9, zone)
    begin = datetime.fromisoformat(since).astimezone(zone) if since else None
    found = _clock_time(text, begin or now)
    if found is None:
        found = datetime.fromisoformat(moment(text, now_ns, zone) or "")
    elif begin is not None:
        found += timedelta(days=found <= begin)
    elif found > now + ONE_HOUR:
        found -= timedelta(days=1)
    return min(found, now).isoformat()


def _clock_time(text: str, day: datetime) -> datetime | None:
    """A time of day such as 19:30 on this day; None if the text is not a time of day."""
    found = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", text.strip())
    return found and day.replace(hour=int(found[1]), minute=int(found[2]), second=0, microsecond=0)


def _put(text: str, output: str | None) -> None:
    if output is None:
        sys.stdout.write(text)
        return
    try:
        Path(output).write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise EdgeError(f"{output} cannot be written: {error.strerror}", "choose another --output") from None


def _zone(house: House) -> tzinfo:
    try:
        return ZoneInfo(house.time_zone)
    except (ZoneInfoNotFoundError, ValueError):
        return UTC
