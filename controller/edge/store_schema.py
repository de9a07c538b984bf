"""The tables of the store, as numbered steps.

Rule 1: a step that has run anywhere is never edited; a change is a new step at the end.
Rule 2: a step may add and fill, it forgets nothing.
Rule 3: rows of history are added and never changed; the last one is what holds. The count alone is
        one row, written anew each time, and a reference may be marked as dropped.
"""

from typing import Final

APPLICATION_ID: Final = 0x41524B31  # "ARK1" in the file's header: the database is ours

_FIRST: Final = (
    """
    CREATE TABLE count (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        sequence INTEGER NOT NULL,
        count_pulses INTEGER NOT NULL,
        doubt_pulses INTEGER CHECK (doubt_pulses >= 0),
        moving INTEGER NOT NULL CHECK (moving IN (0, 1)),
        direction TEXT CHECK (direction IN ('east', 'west')),
        bound_pulses INTEGER,
        reed_closed INTEGER CHECK (reed_closed IN (0, 1)),
        boot_id TEXT NOT NULL,
        saved_s REAL NOT NULL,
        saved_utc REAL NOT NULL,
        crc INTEGER NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE limits (
        id INTEGER PRIMARY KEY,
        at_utc REAL NOT NULL,
        west_limit_pulses INTEGER NOT NULL,
        crc INTEGER NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE reference (
        id INTEGER PRIMARY KEY,
        at_utc REAL NOT NULL,
        name TEXT NOT NULL,
        slot_deg REAL NOT NULL,
        count_pulses REAL NOT NULL,
        sigma_pulses REAL NOT NULL CHECK (sigma_pulses > 0),
        signal REAL,
        crc INTEGER NOT NULL,
        dropped INTEGER NOT NULL DEFAULT 0 CHECK (dropped IN (0, 1)),
        dropped_utc REAL
    ) STRICT
    """,
    """
    CREATE TABLE landing (
        id INTEGER PRIMARY KEY,
        at_utc REAL NOT NULL,
        direction TEXT NOT NULL CHECK (direction IN ('east', 'west')),
        coast_s REAL NOT NULL,
        rate_pulses_per_s REAL NOT NULL,
        spin_up_s REAL NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE hold (
        id INTEGER PRIMARY KEY,
        at_utc REAL NOT NULL,
        held INTEGER NOT NULL CHECK (held IN (0, 1)),
        reason TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE fault (
        id INTEGER PRIMARY KEY,
        at_utc REAL NOT NULL,
        text TEXT NOT NULL,
        advice TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE move (
        id INTEGER PRIMARY KEY,
        at_utc REAL NOT NULL,
        command_id TEXT NOT NULL,
        what TEXT NOT NULL,
        from_pulses INTEGER NOT NULL,
        target_pulses INTEGER NOT NULL,
        final_pulses INTEGER NOT NULL,
        duration_s REAL NOT NULL,
        run_s REAL NOT NULL,
        corrections INTEGER NOT NULL,
        outcome TEXT NOT NULL,
        reason TEXT NOT NULL
    ) STRICT
    """,
)

# A short run coasts otherwise than a long one; what was learned before holds for both.
_SLOW_COAST: Final = (
    "ALTER TABLE landing ADD COLUMN coast_slow_s REAL",
    "UPDATE landing SET coast_slow_s = coast_s",
)

# Written when the disk was in trouble, to see whether it still is.
_PROBE: Final = (
    "CREATE TABLE probe (id INTEGER PRIMARY KEY CHECK (id = 1), tries INTEGER NOT NULL) STRICT",
    "INSERT INTO probe VALUES (1, 0)",
)

MIGRATIONS: Final[tuple[tuple[str, ...], ...]] = (_FIRST, _SLOW_COAST, _PROBE)
VERSION: Final = len(MIGRATIONS)

HISTORY: Final = ("limits", "reference", "landing", "hold", "fault", "move")
# What the check sum of a row covers; SQLite finds a torn page, and not a flipped bit.
SUMMED: Final[dict[str, tuple[str, ...]]] = {
    "limits": ("at_utc", "west_limit_pulses"),
    "reference": ("at_utc", "name", "slot_deg", "count_pulses", "sigma_pulses"),
}

TABLES: Final = ("count", *HISTORY)
