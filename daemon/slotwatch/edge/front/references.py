"""Reference levels: kept, listed, shown, compared and deleted; and the last good levels of what was lost.

Levels are only kept and shown: nothing here sends them anywhere.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import traceback
import zlib
from collections.abc import Coroutine, Mapping
from datetime import datetime
from typing import cast
from zoneinfo import ZoneInfo

from aiohttp import web

from slotwatch import clock
from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.answering import answer
from slotwatch.edge.front.front import Front
from slotwatch.edge.front.guard import Refused, body, order, word
from slotwatch.edge.front.history import History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_store import ReferenceRow
from slotwatch.edge.shared.messages.orders import Look, WatchPage
from slotwatch.house.occasions import LONGEST_REFERENCE_NAME
from slotwatch.house.schema import Phase
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.rule import RuleClass
from slotwatch.model.level_watch import AROUND_NS, LevelWatch
from slotwatch.model.reference_bytes import pack
from slotwatch.model.reference_comparison import Comparison, compare
from slotwatch.model.reference_levels import Reference, UniverseLevels, keep
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.snapshot.readiness import Reason
from slotwatch.views import reference_levels as views
from slotwatch.views.answers.references import ComparisonAnswer, LastGoodAnswer, ReferenceAnswer, ReferenceKeptAnswer

MOST_REFERENCES = 100
MOST_AUTOMATIC = 14
"""How many of those that were kept automatically at curtain up stay: the newest ones."""
LONGEST_LIST = 4096
MOST_HELD = 8
"""References that stay unpacked in memory."""
MOST_LAST_GOOD = 64
AFTER_S = AROUND_NS / 1e9
"""How long a reference waits after its moment to see what moves."""
READINESS_NS = 1_000_000_000


class References:
    """A follower of snapshots, and the handlers of /api/v1/references."""

    name = "references"

    def __init__(self, front: Front, history: History) -> None:
        self._front = front
        self._history = history
        self._path = history.path
        self._watch = LevelWatch()
        self._held: dict[str, Reference | None] = {}
        self._keeping = asyncio.Lock()
        self._tasks: set[asyncio.Task[None]] = set()
        self._loading = ""
        self._phase: tuple[int, str] | None = None
        self._since_ns: int | None = None
        self._last_good: dict[tuple[int, int], bytes] = {}
        """Compressed JSON by incident, as the history gets it; empty where nothing was known."""
        self._reason: Reason | None = None
        self._reason_ns: int | None = None
        self._trouble = ""

    def routes(self) -> list[web.RouteDef]:
        one = "/api/v1/references/{name}"
        return [
            web.get("/api/v1/references", self.listing),
            web.post("/api/v1/references", self.keep),
            web.get(one, self.show),
            web.delete(one, self.delete),
            web.get(f"{one}/compare", self.compare),
        ]

    def health(self) -> dict[str, object]:
        return {"ok": not self._trouble, "text": self._trouble}

    # --- following --------------------------------------------------------------------------------------------

    def note(self, snapshot: Snapshot) -> None:
        """Follow levels; keep what curtain up and a loss ask for; add to the readiness of this snapshot."""
        if self._since_ns is None:
            self._since_ns = snapshot.now_ns
        if self._history.path != self._path:  # the house file names another history file
            self._path, self._held = self._history.path, {}
        self._watch.note(snapshot)
        for found in snapshot.incidents:
            self._note_loss(found)
        before, self._phase = self._phase, (snapshot.started_ns, snapshot.house.phase)
        # A restarted judging process takes up its phase again: that is not a curtain up.
        goes_on = before is not None and before[0] == snapshot.started_ns and before != self._phase
        if goes_on and self._phase[1] == Phase.SHOW and self._front.house.references.keep_curtain_up:
            self._begin(self._keep_curtain_up())
        self._add_readiness(snapshot)

    def _begin(self, work: Coroutine[object, object, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _note_loss(self, found: Incident) -> None:
        opened_ms = (found.opened_ns + found.wall_offset_ns) // MILLISECOND_NS
        key = found.id, opened_ms
        rule = CATALOG.get(found.rule)
        is_loss = rule is not None and rule.rule_class is RuleClass.LOSS
        if key in self._last_good or not is_loss or found.closed_ns is not None or not found.universes:
            return
        if found.opened_ns < (self._since_ns or 0):
            return  # of before this process: what was known then was kept then
        levels = self._watch.last_good(found.universes, found.began_ns)
        made = views.last_good(self._front.house, levels, found.wall_offset_ns)
        raw = b"" if made is None else zlib.compress(json.dumps(made, separators=(",", ":")).encode(), 6)
        self._last_good[key] = raw
        while len(self._last_good) > MOST_LAST_GOOD:
            self._last_good.pop(next(iter(self._last_good)))
        if raw:
            self._history.keep_last_good(found.id, opened_ms, raw)

    async def last_good(self, found: Incident) -> Mapping[str, object] | None:
        """The last good levels of an incident's universes; None if none were kept."""
        opened_ms = (found.opened_ns + found.wall_offset_ns) // MILLISECOND_NS
        held = self._last_good.get((found.id, opened_ms))
        if held:
            return cast(LastGoodAnswer, json.loads(zlib.decompress(held)))
        return await self._history.ask(lambda archive: archive.last_good(found.id, opened_ms))

    # --- readiness --------------------------------------------------------------------------------------------

    def _add_readiness(self, snapshot: Snapshot) -> None:
        """Make differences from the expected reference reasons, worked out at most once a second."""
        wanted = self._front.house.readiness.reference
        if not wanted:
            return
        if wanted not in self._held:
            if self._loading != wanted:
                self._loading = wanted
                self._begin(self._load(wanted))
            return
        if self._reason_ns is None or not 0 <= snapshot.now_ns - self._reason_ns < READINESS_NS:
            reference = self._held[wanted]
            found = None if reference is None else self._compared(reference, self._watch.live(snapshot))
            self._reason, self._reason_ns = views.reason(wanted, found), snapshot.now_ns
        if self._reason is not None:
            snapshot.readiness = snapshot.readiness.with_reasons(self._reason)

    async def _load(self, name: str) -> None:
        """Read the reference that the half-hour call wants."""
        try:
            await self._find(name)
            self._trouble = ""
        except Refused as refused:
            self._trouble = str(refused)
            self._hold(name, None)
        finally:
            self._loading = ""

    def _compared(
        self, reference: Reference, live: dict[str, UniverseLevels], tolerance_percent: float | None = None
    ) -> Comparison:
        house = self._front.house
        percent = house.references.tolerance_percent if tolerance_percent is None else tolerance_percent
        return compare(reference, house, live, percent / 100)

    # --- reading ------------------------------------------------------------------------------------------------

    async def listing(self, _request: web.Request) -> web.Response:
        return answer(await self._list())

    async def show(self, request: web.Request) -> web.Response:
        is_csv = _is_csv(request)
        name = request.match_info["name"]
        reference = await self._find(name)
        row = next((one for one in await self._list() if one["name"] == name), None)
        if reference is None or row is None:
            raise _none(name)
        found = await asyncio.to_thread(views.detail, row, reference)
        return _csv(views.reference_csv(found)) if is_csv else answer(found)

    async def compare(self, request: web.Request) -> web.Response:
        is_csv, name = _is_csv(request), request.match_info["name"]
        tolerance = _tolerance(request, self._front.house.references.tolerance_percent)
        snapshot = self._front.current().snapshot
        live = self._watch.live(snapshot)  # before the disk is waited for: what moves is known of now alone
        reference = await self._find(name)
        if reference is None:
            raise _none(name)
        at_ns = snapshot.now_ns + snapshot.wall_offset_ns

        def make() -> ComparisonAnswer:
            return views.comparison(reference, self._compared(reference, live, tolerance), at_ns, tolerance)

        found = await asyncio.to_thread(make)
        return _csv(views.comparison_csv(found)) if is_csv else answer(found)

    async def _list(self) -> list[ReferenceAnswer]:
        rows = await self._history.ask(lambda archive: archive.references())
        return [views.listed(*row) for row in rows or ()]

    async def _find(self, name: str) -> Reference | None:
        """A reference by name. Refused if what is kept cannot be read."""
        if name in self._held:
            return self._held[name]

        def read(archive: Archive) -> tuple[Reference | None, str]:
            try:
                return archive.reference(name), ""
            except ValueError as error:
                return None, str(error)

        found = await self._history.ask(read)
        if found is None:
            return None  # the history cannot be read: asked again next time
        reference, trouble = found
        if trouble:
            raise Refused(409, f"{name}: {trouble}. Delete it and keep it again.")
        if reference is not None or name == self._front.house.readiness.reference:
            self._hold(name, reference)
        return reference

    def _hold(self, name: str, reference: Reference | None) -> None:
        self._held.pop(name, None)
        self._held[name] = reference
        if len(self._held) > MOST_HELD:
            wanted = self._front.house.readiness.reference
            self._held.pop(next(one for one in self._held if one not in (name, wanted)))
        self._reason_ns = None

    # --- changing -----------------------------------------------------------------------------------------------

    async def keep(self, request: web.Request) -> web.Response:
        given = order(
            await body(request), name=object, by=object, universes=object, racks=object, positions=object, replace=bool
        )
        name, by = word(given, "name", LONGEST_REFERENCE_NAME), word(given, "by", 80, default="")
        if name in (".", ".."):
            raise Refused(400, '"name": an address cannot hold this name.')
        chosen = tuple(_names(given, key) for key in ("universes", "racks", "positions"))
        async with self._keeping:
            rows = await self._list()
            is_there = any(row["name"] == name for row in rows)
            if is_there and given.get("replace") is not True:
                raise Refused(409, f'Reference levels named {name} are kept already: send "replace": true, or delete.')
            if not is_there and len(rows) >= MOST_REFERENCES:
                raise Refused(409, f"At most {MOST_REFERENCES} are kept: delete one first.")
            kept = await self._keep(name, by, chosen)
        return answer(kept, 201)

    async def _keep(
        self, name: str, by: str, chosen: tuple[list[str], ...] = ([], [], []), *, automatic: bool = False
    ) -> ReferenceKeptAnswer:
        """Keep what arrives now, once it is known what moves. Refused if nothing arrives."""
        for wanted in (WatchPage(), Look()):  # judging publishes more often while somebody looks
            with contextlib.suppress(ValueError):
                await self._front.see_after(await self._front.ask(wanted))
        snapshot = self._front.current().snapshot
        levels = self._watch.live(snapshot)
        await asyncio.sleep(AFTER_S)
        later = self._watch.live(self._front.current().snapshot)
        live = {
            universe: UniverseLevels(
                one.levels, one.slots, one.moving | (later[universe].moving if universe in later else False)
            )
            for universe, one in levels.items()
        }
        at_ns = snapshot.now_ns + snapshot.wall_offset_ns
        try:
            reference = await asyncio.to_thread(keep, name, at_ns, by, self._front.house, live, chosen)
        except ValueError as error:
            raise Refused(409, f"Nothing was kept: {error}.") from None
        raw = await asyncio.to_thread(pack, reference)
        facts = views.about(reference, len(raw), automatic=automatic)
        row = ReferenceRow(at_ns // MILLISECOND_NS, by, facts, raw)
        stored = await self._history.keep_reference(name, row)
        self._hold(name, reference)
        return {**views.listed(name, row.at_ms, by, facts), "stored": stored}

    async def delete(self, request: web.Request) -> web.Response:
        name = request.match_info["name"]
        async with self._keeping:
            if not any(row["name"] == name for row in await self._list()):
                raise _none(name)
            stored = await self._history.keep_reference(name, None)
            self._held.pop(name, None)
            self._reason_ns = None
        return answer({"name": name, "deleted": True, "stored": stored})

    async def _keep_curtain_up(self) -> None:
        zone = ZoneInfo(self._front.house.time_zone)
        name = f"curtain up {datetime.fromtimestamp(clock.wall_ns() / 1e9, zone):%Y-%m-%d %H:%M}"
        try:
            async with self._keeping:
                rows = await self._list()
                automatic = [row["name"] for row in rows if row["automatic"] and row["name"] != name]
                if len(rows) - len(automatic) >= MOST_REFERENCES:
                    raise Refused(409, f"{MOST_REFERENCES} references are kept: delete one.")
                await self._keep(name, "", automatic=True)
                for old in automatic[MOST_AUTOMATIC - 1 :]:
                    await self._history.keep_reference(old, None)
                    self._held.pop(old, None)
            self._trouble = ""
        except Refused as refused:
            self._trouble = f"The levels at curtain up were not kept: {refused}"
        except Exception as error:
            traceback.print_exc(file=sys.stderr)
            self._trouble = f"The levels at curtain up were not kept, by an internal fault: {error!r}."


def _none(name: str) -> Refused:
    return Refused(404, f"No reference levels are kept under the name {name[:LONGEST_REFERENCE_NAME]}.")


def _names(given: dict[str, object], key: str) -> list[str]:
    names = given.get(key, [])
    if not isinstance(names, list) or not all(isinstance(one, str) for one in names) or len(names) > LONGEST_LIST:
        raise Refused(400, f'"{key}" must be a list of texts.')
    return names


def _is_csv(request: web.Request) -> bool:
    kind = request.query.get("format", "json")
    if kind not in ("json", "csv"):
        raise Refused(400, '"format" must be json or csv.')
    return kind == "csv"


def _tolerance(request: web.Request, otherwise: float) -> float:
    text = request.query.get("tolerance_percent")
    try:
        value = otherwise if text is None else float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 100:
        raise Refused(400, '"tolerance_percent" must be a number from 0 to 100.')
    return value


def _csv(text: str) -> web.Response:
    response = web.Response(text=text, content_type="text/csv")
    response.enable_compression()
    return response
