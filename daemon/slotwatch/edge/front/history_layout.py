"""The tables of the history's file, by layout version, and the steps from each earlier layout to the newest.

A layout that was released is never edited: each change is a further step. `PRAGMA user_version` holds the
version of a file.
"""

from __future__ import annotations

import sqlite3

STEPS: tuple[str, ...] = (
    """
CREATE TABLE IF NOT EXISTS incidents (
  id INTEGER NOT NULL, opened_ms INTEGER NOT NULL, closed_ms INTEGER, severity INTEGER NOT NULL, rule TEXT NOT NULL,
  revision INTEGER NOT NULL, body TEXT NOT NULL, PRIMARY KEY (id, opened_ms)) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS incidents_by_time ON incidents (opened_ms);
CREATE TABLE IF NOT EXISTS acknowledgements (
  at_ms INTEGER NOT NULL, incident INTEGER NOT NULL, given INTEGER NOT NULL, by TEXT NOT NULL, note TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS marks (at_ms INTEGER NOT NULL, text TEXT NOT NULL, by TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS phases (at_ms INTEGER PRIMARY KEY, phase TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS not_judged (
  from_ms INTEGER NOT NULL, network TEXT NOT NULL, to_ms INTEGER, reason TEXT NOT NULL,
  PRIMARY KEY (from_ms, network)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS universes (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE IF NOT EXISTS minutes (
  minute INTEGER NOT NULL, universe INTEGER NOT NULL, frames INTEGER NOT NULL, centihertz INTEGER NOT NULL,
  worst_gap_ms INTEGER NOT NULL, lost INTEGER NOT NULL, sources INTEGER NOT NULL, state INTEGER NOT NULL,
  not_judged_ds INTEGER NOT NULL, PRIMARY KEY (minute, universe)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS hours (key TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS rig_checks (at_ms INTEGER PRIMARY KEY, body TEXT NOT NULL);
""",
    # `state`: what holds now, by name: the phase, the last sign of life, the next incident's number.
    # `exceptions`: one row each time an exception is made from an incident, or taken back (`given` 0).
    """
CREATE TABLE IF NOT EXISTS state (key TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS exceptions (
  at_ms INTEGER NOT NULL, incident INTEGER NOT NULL, given INTEGER NOT NULL, body TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS acknowledgements_by_incident ON acknowledgements (incident);
""",
    # `reference_levels`: levels under a name (`model.reference_bytes.pack`) and what lists say of them.
    # `last_good`: the last good levels of the universes of an incident, compressed JSON.
    """
CREATE TABLE IF NOT EXISTS reference_levels (
  name TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, by TEXT NOT NULL, about TEXT NOT NULL, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS last_good (
  incident INTEGER NOT NULL, opened_ms INTEGER NOT NULL, body BLOB NOT NULL, PRIMARY KEY (incident, opened_ms));
""",
    # `stream_minutes`: a row for each source that moved; times in tenths of a millisecond. Source 0: one of too many.
    # `show_figures`: of one show, by the method that worked them out; the house's own under an empty name.
    # `usual_starts`: from when a universe's shows count, as what it was declared then, and why.
    # `trends`: what was found to grow worse, and when it was shown.
    """
CREATE TABLE IF NOT EXISTS sources (id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE);
CREATE TABLE IF NOT EXISTS stream_minutes (
  minute INTEGER NOT NULL, universe INTEGER NOT NULL, rank INTEGER NOT NULL, source INTEGER NOT NULL,
  frames INTEGER NOT NULL, lost INTEGER NOT NULL, intervals INTEGER NOT NULL, centihertz INTEGER NOT NULL,
  p50 INTEGER NOT NULL, p95 INTEGER NOT NULL, p99 INTEGER NOT NULL, longest INTEGER NOT NULL,
  PRIMARY KEY (minute, universe, rank)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS show_figures (
  universe TEXT NOT NULL, since_ms INTEGER NOT NULL, until_ms INTEGER NOT NULL, method INTEGER NOT NULL,
  body TEXT NOT NULL, PRIMARY KEY (universe, since_ms)) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS show_figures_by_time ON show_figures (since_ms);
CREATE TABLE IF NOT EXISTS usual_starts (
  universe TEXT PRIMARY KEY, since_ms INTEGER NOT NULL, declared TEXT NOT NULL, why TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS trends (
  universe TEXT NOT NULL, figure TEXT NOT NULL, found_ms INTEGER NOT NULL, body TEXT NOT NULL,
  PRIMARY KEY (universe, figure)) WITHOUT ROWID;
""",
    # `clock_steps`: when this computer's clock was set, by what it was set to, and by how much. In order of rowid.
    """
CREATE TABLE IF NOT EXISTS clock_steps (at_ms INTEGER NOT NULL, step_ms INTEGER NOT NULL);
""",
)
VERSION = len(STEPS)


def bring_up_to_date(db: sqlite3.Connection) -> None:
    """Make the tables, or add what an older file lacks, in one transaction. DatabaseError for a newer file."""
    found = check_version(db)
    if found == VERSION:
        return
    statements = "".join(STEPS[found:])
    db.executescript(f"BEGIN IMMEDIATE; {statements} PRAGMA user_version={VERSION}; COMMIT;")


def check_version(db: sqlite3.Connection) -> int:
    """The file's layout. DatabaseError with a sentence if it is newer than this program."""
    found = int(db.execute("PRAGMA user_version").fetchone()[0])
    if found > VERSION:
        raise sqlite3.DatabaseError(
            f"it was written by a newer slotwatch (layout {found}, this one reads up to {VERSION}): install that"
        )
    return found
