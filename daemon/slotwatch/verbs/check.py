"""`slotwatch check`: checks a house file, its patch and its routes without a network."""

from __future__ import annotations

import argparse
import errno
import json
import sqlite3
from datetime import UTC, datetime

from slotwatch import clock
from slotwatch.edge.front.certificate import PageCertificate
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.switch_credentials import read_credentials
from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.places import history_of, is_hidden, read_place
from slotwatch.edge.shared.secret_file import SecretFileError, own_user, read_secret
from slotwatch.edge.shared.token import is_denied, read_only
from slotwatch.errors import EdgeError, HouseFileError
from slotwatch.house.conflicts import Conflict, conflicts
from slotwatch.house.schema import House
from slotwatch.judge.readiness import exceptions_in_force
from slotwatch.printable import LONGEST_HELD, LONGEST_LINE, cut
from slotwatch.snapshot import Severity
from slotwatch.snapshot.readiness import ExceptionInForce
from slotwatch.views.check import NOT_CHECKED, STOPS_THE_START, check_json, check_report, check_text
from slotwatch.views.house import NONE_MISSED
from slotwatch.views.records import exception_of
from slotwatch.wire.universe import Protocol


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-c", "--config", required=True, metavar="HOUSE.toml", help="the house file")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(arguments: argparse.Namespace) -> int:
    """Print the report. 0: no fault (notes are none), 1: it has faults, 2 (by HouseFileError): it cannot be used."""
    try:
        house = load_house(arguments.config)
    except HouseFileError as error:
        if arguments.json:
            problems = [
                {
                    "file": p.file,
                    "line": p.line,
                    "key": cut(p.key, LONGEST_HELD),
                    "holds": cut(p.holds, LONGEST_HELD),
                    "wanted": p.wanted,
                }
                for p in error.problems
            ]
            print(json.dumps({"usable": False, "problems": problems}, indent=2, ensure_ascii=False))
        raise
    report = check_report(
        house,
        (*conflicts(house), *_sources(house), *_empty_lists(house), *_page(house), *_secrets(house)),
        _exceptions(house),
    )
    if arguments.json:
        print(json.dumps(check_json(report), indent=2, ensure_ascii=False))
    else:
        print("\n".join(cut(line, LONGEST_LINE) for line in check_text(report)))
    return 1 if report.faults else 0


def _sources(house: House) -> list[Conflict]:
    """Return a warning for each source that an Art-Net universe names and that is declared with a CID."""
    with_cid = {one.name for one in house.sources if one.cid is not None}
    return [
        Conflict(
            "source-never-matches",
            Severity.WARNING,
            (),
            universe.id,
            None,
            f'{universe.id} names the source "{name}", which is declared with a CID. Art-Net packets have none, so '
            "this source never matches there: declare it again under another name, with its address and without cid.",
            house.file,
        )
        for universe in house.universes
        if universe.id.protocol is Protocol.ARTNET
        for name in universe.sources
        if name in with_cid
    ]


def _page(house: House) -> list[Conflict]:
    """Return what is wrong with the page: nothing can be changed on it, or its certificate lets nothing start.

    A file that only this user may not read is a note: the service may have its own rights.
    """
    found = [_closed("[http] token_file", "the file") if is_denied(house) else ("page-read-only", read_only(house))]
    try:
        found.append(("certificate-out-of-date", PageCertificate(house).trouble))
    except EdgeError as error:
        if error.errno == errno.EACCES:
            found.append(_closed("[tls]", "the certificate or its key"))
        else:
            found.append((STOPS_THE_START, f"The page cannot be opened: {error}."))
    return [
        Conflict(kind, Severity.NOTE if kind == NOT_CHECKED else Severity.WARNING, (), None, None, trouble, house.file)
        for kind, trouble in found
        if trouble
    ]


def _closed(key: str, file: str) -> tuple[str, str]:
    return NOT_CHECKED, f"{key} was not checked: {own_user()} may not read {file}."


def _empty_lists(house: House) -> list[Conflict]:
    """Return a warning for each patch or circuit list without a row: what the house means to have checked is not.

    A house without any universe gets a note: it may not be known yet what it has.
    """
    found = [("no-fixtures", "This patch file holds no patched fixtures.", file) for file in house.empty_patches]
    found += [("no-circuits", "This circuit list has a header and no circuits.", file) for file in house.empty_circuits]
    rows = [Conflict(kind, Severity.WARNING, (), None, None, text, file) for kind, text, file in found]
    if not house.universes:
        rows.append(Conflict("no-universes", Severity.NOTE, (), None, None, NONE_MISSED, house.file))
    return rows


def _secrets(house: House) -> list[Conflict]:
    """Return a note for each secret that cannot be read here: the file may still have to be made, or be for others.

    Where messages about incidents need it, a file that is not there is a warning: nobody would be told.
    """
    named = [
        *(("notify", one.name, one.url_file) for one in house.notify),
        *(("webhooks", one.name, one.secret_file) for one in house.webhooks),
        *(("listeners", one.name, one.token_file) for one in house.listeners),
        *(("switches", one.name, one.credentials_file) for one in house.switches),
        ("heartbeat", "", house.heartbeat.url_file),
        ("mqtt", "", house.mqtt.password_file),
    ]
    versions = {one.name: one.version for one in house.switches}
    found = []
    for section, name, file in named:
        if not file:
            continue
        try:
            if section == "switches":
                read_credentials(read_place(house, file), versions[name])
            else:
                read_secret(read_place(house, file))
        except SecretFileError as error:
            where = f'[[{section}]] "{name}"' if name else f"[{section}]"
            kind = NOT_CHECKED if error.is_denied else "secret-unusable"
            is_fault = section in ("notify", "webhooks") and not error.is_denied
            severity = Severity.WARNING if is_fault else Severity.NOTE
            found.append(Conflict(kind, severity, (), None, None, f"{where}: {error}.", house.file))
    return found


def _exceptions(house: House) -> tuple[ExceptionInForce, ...]:
    """Return the exceptions that hold today: those of the house file, and those of its history if it can be read."""
    now_ns = clock.wall_ns()
    path = history_of(house)
    try:
        made = [exception_of(one) for one in Archive(path).exceptions()] if not is_hidden(path) else []
    except sqlite3.Error:
        made = []  # no history yet, or none that can be read: `serve` and `report` say that
    today = datetime.fromtimestamp(now_ns / 1e9, UTC).date()
    return exceptions_in_force(house, [one for one in made if one.until_wall_ns > now_ns], today)
