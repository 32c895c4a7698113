"""`slotwatch reference`: keeps the levels of a running house under a name, and says what differs from them later."""

from __future__ import annotations

import argparse
import json
import ssl
import sys
import urllib.error
import urllib.request
from datetime import tzinfo
from typing import Any
from urllib.parse import quote, urlencode

from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.token import read_token
from slotwatch.edge.tools.daemon_client import DEFAULT_URL, say_why, url_of
from slotwatch.errors import COULD_NOT_RUN, EdgeError
from slotwatch.judge import wording
from slotwatch.views.house_time import house_moment, zone_named
from slotwatch.views.reference_levels import CAUTION

ANSWER_WITHIN_S = 30.0
LARGEST_ANSWER_BYTES = 256 << 20
DIFFERS = 1
WITH_NAME = ("save", "show", "compare", "delete")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("what", nargs="?", default="list", choices=("list", *WITH_NAME), help="left out: list")
    parser.add_argument("name", nargs="?", default="", metavar="NAME", help="name of the reference levels")
    parser.add_argument("--url", help=f"address of the daemon's page (default: {DEFAULT_URL}, or the house file's)")
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", help="house file to take address and token from")
    parser.add_argument("--ca", metavar="FILE", help="certificate (PEM) to check the daemon's certificate against")
    parser.add_argument("--by", default="", metavar="NAME", help="with save: who keeps them")
    parser.add_argument("--replace", action="store_true", help="with save: replace those of the same name")
    for what in ("universe", "rack", "position"):
        parser.add_argument(
            f"--{what}", action="append", default=[], metavar="NAME", help=f"with save: only this {what}; repeatable"
        )
    parser.add_argument(
        "--tolerance", type=float, metavar="PERCENT", help="with compare: list what differs by more than this"
    )
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument("--json", action="store_true", help="print the daemon's answer as JSON")
    kind.add_argument("--csv", action="store_true", help="print a table")


def run(arguments: argparse.Namespace) -> int:
    """0 done or all as it was, 1 something differs, 2 nothing could be compared; EdgeError if it cannot be done."""
    if (arguments.what in WITH_NAME) != bool(arguments.name.strip()):
        wanted = "give a name: slotwatch reference " + (
            f'{arguments.what} "act 1 opening"' if arguments.what in WITH_NAME else 'save "act 1 opening"'
        )
        raise EdgeError(f"{arguments.what} {'needs' if arguments.what in WITH_NAME else 'takes no'} NAME", wanted)
    if arguments.csv and arguments.what in ("save", "delete"):
        raise EdgeError(f"{arguments.what} gives no table", "leave --csv out")
    daemon = _Daemon(arguments)
    path = "/api/v1/references"
    one = f"{path}/{quote(arguments.name, safe='')}"
    if arguments.what == "save":
        chosen = {"universes": arguments.universe, "racks": arguments.rack, "positions": arguments.position}
        given = {"name": arguments.name, "by": arguments.by, **{key: names for key, names in chosen.items() if names}}
        answer = daemon.ask("POST", path, {**given, **({"replace": True} if arguments.replace else {})})
    elif arguments.what == "delete":
        answer = daemon.ask("DELETE", one)
    else:
        query = {"format": "csv"} if arguments.csv and arguments.what != "list" else {}
        if arguments.what == "compare" and arguments.tolerance is not None:
            query["tolerance_percent"] = str(arguments.tolerance)
        place = {"list": path, "show": one, "compare": f"{one}/compare"}[arguments.what]
        answer = daemon.ask("GET", place + (f"?{urlencode(query)}" if query else ""))
    return _say(arguments, answer, daemon)


def _say(arguments: argparse.Namespace, answer: Any, daemon: _Daemon) -> int:
    if arguments.json:
        json.dump(answer, sys.stdout, indent=2, ensure_ascii=False)
        print()
    elif isinstance(answer, str):
        sys.stdout.write(answer)
        return DIFFERS if arguments.what == "compare" and ",differs" in answer else 0
    elif arguments.what == "list":
        _say_list(answer, arguments.csv, daemon)
    elif arguments.what == "save":
        print(f"{answer['name']}: kept the levels of {wording.count(answer['fixtures'], 'fixture')}{_stored(answer)}")
        if answer["moving"]:
            print(f"Moving at that moment, so not compared: {wording.count(answer['moving'], 'slot')}")
        if answer["left_out"]:
            print(f"Not kept, because no data arrived: {', '.join(answer['left_out'])}")
    elif arguments.what == "delete":
        print(f"{answer['name']} is deleted{_stored(answer)}")
    elif arguments.what == "show":
        _say_levels(answer, daemon.zone())
    else:
        _say_comparison(answer)
    if arguments.what != "compare":
        return 0
    return DIFFERS if answer["differ"] else 0 if answer["fixtures"] else COULD_NOT_RUN


def _say_list(rows: list[dict[str, Any]], as_csv: bool, daemon: _Daemon) -> None:
    columns = ("name", "at", "by", "fixtures", "universes")
    if as_csv:
        import csv

        writer = csv.writer(sys.stdout)
        writer.writerow(columns)
        writer.writerows([row[key] for key in columns] for row in rows)
        return
    if not rows:
        print('No reference levels are kept. Keep the present levels: slotwatch reference save "act 1 opening"')
        return
    zone = daemon.zone()
    for row in rows:
        by = f", by {row['by']}" if row["by"] else ", kept at curtain up" if row["automatic"] else ""
        held = f"{wording.count(row['fixtures'], 'fixture')} on {wording.count(row['universes'], 'universe')}"
        print(f"{row['name']}: {held}, {_on_its_clock(row, zone)}{by}")


def _on_its_clock(row: dict[str, Any], zone: tzinfo) -> str:
    """When it was kept, on the house's clock."""
    return wording.written(house_moment(row["at"], zone), "%a %-d %b %Y, %H:%M:%S")


def _say_levels(answer: dict[str, Any], zone: tzinfo) -> None:
    print(f"{answer['name']}, {_on_its_clock(answer, zone)}")
    for one in answer["levels"]:
        parts = [
            f"{level['role']} {level['percent']:g} %{' (moving)' if level['moving'] else ''}"
            for level in one["levels"]
            if level["percent"] or level["moving"]
        ]
        print(f"{_named(one)}: {', '.join(parts) or 'all at 0 %'}")
    print(f"Caution: {CAUTION}")


def _say_comparison(answer: dict[str, Any]) -> None:
    print(answer["text"])
    for group in answer["groups"]:
        place = ", ".join(part for part in (group["position"], group["rack"] and f"rack {group['rack']}") if part)
        print(f"{place or 'No position'}:")
        for one in group["differences"]:
            roles = ", ".join(
                f"{role['role']} is at {role['now_percent']:g} %, was {role['was_percent']:g} %"
                for role in one["roles"][:8]
            )
            print(f"  {_named(one)}: {roles}{' …' if len(one['roles']) > 8 else ''}")
    for one in answer["not_compared"]:
        print(f"Not compared: {one['text']}")
    for one in answer["moved"]:
        print(f"Patched elsewhere since: {one['fixture']}, {one['was']} then, {one['now']} now")
    if answer["differ"]:
        print(f"Caution: {CAUTION}")


def _named(one: dict[str, Any]) -> str:
    label = f" ({one['label']})" if one["label"] and one["label"] != one["fixture"] else ""
    return f"{one['fixture']}{label}, {one['universe']} slot {one['address']}"


def _stored(answer: dict[str, Any]) -> str:
    return "." if answer["stored"] else ", but not on the disk yet: see the page's health."


class _Daemon:
    """The running daemon that is asked."""

    def __init__(self, arguments: argparse.Namespace) -> None:
        house = load_house(arguments.config) if arguments.config else None
        self._url = (arguments.url or (url_of(house) if house else DEFAULT_URL)).rstrip("/")
        if not self._url.startswith(("http://", "https://")):
            raise EdgeError(f"{self._url} is not an address", f"give --url as {DEFAULT_URL}")
        own = house and house.http.certificate_file
        ca = arguments.ca or (house and own and str(read_place(house, own))) or None
        try:
            context = ssl.create_default_context(cafile=ca) if self._url.startswith("https:") else None
        except (OSError, ValueError) as error:
            raise EdgeError(f"the certificate {ca} cannot be read ({error})", "give it with --ca") from None
        handlers: list[urllib.request.BaseHandler] = [urllib.request.ProxyHandler({})]
        if context is not None:
            handlers.append(urllib.request.HTTPSHandler(context=context))
        # No proxy: the daemon is on this computer or on this network.
        self._opener = urllib.request.build_opener(*handlers)
        self._token = read_token(house)[0] if house else b""

    def zone(self) -> tzinfo:
        """The time zone of its house."""
        return zone_named(self.ask("GET", "/api/v1/house")["time_zone"])

    def ask(self, method: str, path: str, given: dict[str, Any] | None = None) -> Any:
        """Its answer: JSON values, or the text of a table. EdgeError with what to do."""
        headers = {"Authorization": f"Bearer {self._token.decode('latin-1')}"} if self._token else {}
        data = None if given is None else json.dumps(given).encode()
        if data is not None:
            headers["Content-Type"] = "application/json"
        try:
            request = urllib.request.Request(self._url + path, data, headers, method=method)
            with self._opener.open(request, timeout=ANSWER_WITHIN_S) as response:
                text = response.read(LARGEST_ANSWER_BYTES).decode()
                is_json = response.headers.get_content_type() == "application/json"
                return json.loads(text) if is_json else text
        except urllib.error.HTTPError as error:
            with error:
                refusal = _error_of(error.read(10_000))
            advice = {
                401: "give the house file with -c, so that its token is known",
                404: "slotwatch reference list shows what is kept",
                409: "with save, --replace replaces those of the same name",
            }
            raise EdgeError(refusal, advice.get(error.code, "look at the page for what is wrong")) from None
        except (urllib.error.URLError, OSError, ValueError) as error:
            reason = getattr(error, "reason", None) or error
            raise EdgeError(
                f"no daemon answers at {self._url} ({say_why(reason, ANSWER_WITHIN_S)})",
                "start it: slotwatch serve -c HOUSE.toml",
            ) from None


def _error_of(text: bytes) -> str:
    try:
        return str(json.loads(text)["error"]).rstrip(".")
    except (ValueError, KeyError, TypeError):
        return "the daemon refused and gave no reason"
