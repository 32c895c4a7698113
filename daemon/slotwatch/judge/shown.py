"""What is shown of the stage beside incidents, and what a person may do to it: racks, rig check, hours."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from slotwatch.judge.model_view import ModelView
from slotwatch.model.rigcheck import RigCheck
from slotwatch.model.stage import Stage
from slotwatch.snapshot.stage import LampHours, RackRow

MINUTE_NS = 60_000_000_000
SECOND_NS = 1_000_000_000
MILLISECOND_NS = 1_000_000


class Shown:
    """Views of one house's stage. Each is computed only as often as it can change."""

    def __init__(self) -> None:
        self._stage: Stage | None = None
        self._now_ns = 0
        self._wall_offset_ns = 0
        self._to_restore: tuple[Iterable[object], dict[str, Any] | None] | None = None
        self._restored = False
        self._check_of: tuple[int, ...] = ()
        self._check: dict[str, object] = {}
        self._racks: tuple[int, tuple[RackRow, ...]] = (-1, ())
        self._hours: tuple[int, tuple[LampHours, ...]] = (-1, ())

    def take_house(self) -> None:
        """Work everything out anew, for another house file."""
        self._hours = self._racks = (-1, ())

    def follow(self, model: ModelView, now_ns: int, wall_offset_ns: int) -> None:
        """Take this pass's model and times."""
        self._stage, self._now_ns, self._wall_offset_ns = model.stage, now_ns, wall_offset_ns
        if self._to_restore is not None:
            kept, self._to_restore = self._to_restore, None
            self._restore(self._stage, *kept)

    # --- views --------------------------------------------------------------------------------------------

    def racks(self, model: ModelView) -> tuple[RackRow, ...]:
        """Estimated currents, as of the last whole second."""
        second = self._now_ns // SECOND_NS
        if self._racks[0] != second:
            self._racks = (second, tuple(rack.row() for rack in model.stage.loads.racks))
        return self._racks[1]

    def rig_check(self, model: ModelView) -> dict[str, object] | None:
        """The rig check that runs or ran last; None before the first."""
        check: RigCheck | None = model.stage.rig_check
        if check is None:
            return None
        moment = (id(check), id(check.plan), check.running, len(check.done), len(check.flagged))
        if self._check_of != moment:
            # Of 20,000 fixtures the list takes 40 ms to make: only when something rose.
            self._check_of = moment
            started_ms = (check.started_ns + self._wall_offset_ns) // MILLISECOND_NS
            self._check = {**check.view(), "started_wall_ms": started_ms}
        return self._check

    def hours(self, model: ModelView, now_ns: int) -> tuple[LampHours, ...]:
        """Hours of circuits and fixtures, as of the last whole minute: they are rows of the history."""
        minute = now_ns // MINUTE_NS
        if self._hours[0] != minute:
            self._hours = (minute, tuple(model.stage.hours.rows()))
        return self._hours[1]

    # --- commands -----------------------------------------------------------------------------------------

    def rig_check_command(self, stop: bool = False, no_light: str = "", light: str = "") -> dict[str, object]:
        """Begin a rig check anew, end the one that runs, or note that a fixture gave no light (or does after all).

        ValueError if there is nothing to check, to end or to mark.
        """
        stage = self._ready()
        if no_light or light:
            if stage.rig_check is None:
                raise ValueError("no rig check was begun")
            return {"no_light": stage.rig_check.mark(no_light or light, self._now_ns, gives_light=not no_light)}
        if not stop:
            check = stage.start_rig_check(self._now_ns)
            return {"running": True, "total": len(check.left())}
        if stage.rig_check is None or not stage.rig_check.running:
            raise ValueError("no rig check runs")
        stage.rig_check.running = False
        return {"running": False, "left": [fixture.name for fixture in stage.rig_check.left()]}

    def lamp_change(self, circuit: str = "", fixture: str = "", name: str = "") -> dict[str, object]:
        """Begin the hours of a circuit or fixture anew. ValueError if nothing has this name."""
        stage = self._ready()
        wanted = f"circuit {circuit}" if circuit else f"fixture {fixture}" if fixture else name
        if not wanted:
            raise ValueError("which lamp was changed? give a circuit or a fixture")
        thing = stage.hours.lamp_change(wanted, self._now_ns)
        self._hours = (-1, ())
        return {thing.kind: thing.name}

    def restore(self, hours: Iterable[object] = (), rig_check: dict[str, Any] | None = None) -> dict[str, object]:
        """Take up what the history knows, once after a start."""
        if self._restored:
            return {"restored": False}
        self._restored = True
        if self._stage is None:
            self._to_restore = hours or (), rig_check
        else:
            self._restore(self._stage, hours or (), rig_check)
        return {"restored": True}

    def _restore(self, stage: Stage, hours: Iterable[object], check: dict[str, Any] | None) -> None:
        stage.hours.restore(row for row in hours if isinstance(row, dict))
        self._hours = (-1, ())
        if check and stage.rig_check is None and len(stage.plan.bright_fixture):
            wall_ns = int(check.get("started_wall_ms", 0)) * MILLISECOND_NS
            # Monotonic times of another run mean nothing here: the wall clock carries them over.
            shift_ns = wall_ns - self._wall_offset_ns - int(check.get("started_ns", 0))
            stage.rig_check = RigCheck.restored(stage.plan, check, shift_ns)

    def _ready(self) -> Stage:
        if self._stage is None:
            raise ValueError("nothing was judged yet; try again in a moment")
        return self._stage
