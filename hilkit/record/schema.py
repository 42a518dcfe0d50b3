"""The tables of a record, as one commented text with a version."""

from __future__ import annotations

__all__ = ["SCHEMA", "VERSION"]

VERSION = 3
"""Written to ``PRAGMA user_version``; a record with a higher one was written by a newer hilkit.

1: the first. 2: uncertainty and decision of a reading, decision rules, calibrations that ran out.
3: what a run that goes on with this one must find unchanged; parts that readings share, kept once.
"""

SCHEMA = """
-- One row: the run as a whole. The columns from ended_utc on stay NULL until the run says goodbye.
CREATE TABLE run (
    plan_name       TEXT NOT NULL,
    plan_slug       TEXT NOT NULL,      -- the plan's name as it appears in file and test names
    plan_file       TEXT NOT NULL,
    plan_text       TEXT NOT NULL,      -- the file as it was read
    plan_digest     TEXT NOT NULL,      -- SHA-256 of the resolved plan, hexadecimal
    bench_name      TEXT NOT NULL,
    bench_file      TEXT NOT NULL,
    bench_text      TEXT NOT NULL,
    simulated       INTEGER NOT NULL,   -- 1: no instrument was touched
    seed            TEXT NOT NULL,      -- of the simulated noise; empty on a real bench
    hilkit_version  TEXT NOT NULL,
    python          TEXT NOT NULL,
    host            TEXT NOT NULL,
    process         INTEGER NOT NULL,
    rule            TEXT NOT NULL,      -- the decision rule of the plan, in words
    calibration     TEXT NOT NULL,      -- JSON list: whose calibration ran out, or soon does
    expired_allowed TEXT NOT NULL,      -- the plan's reason for judging all the same; empty: it has none
    chosen          TEXT NOT NULL,      -- --only, --from and --set as given; empty: the whole plan
    choice          TEXT NOT NULL,      -- the same as a JSON object: only, from, sets, bench
    fingerprint     TEXT NOT NULL,      -- JSON object: SHA-256 or version of all that decides the readings
    resumed         TEXT NOT NULL,      -- JSON list: the runs that this one goes on with, the first one first
    begun_utc       TEXT NOT NULL,      -- ISO 8601, UTC, of the run's clock
    ended_utc       TEXT,
    bench_time_s    REAL,
    exit_code       INTEGER,
    reason          TEXT,               -- why the run stopped before its last step; empty if it did not
    not_safe        TEXT                -- JSON list: what could not be brought to its safe state
);

-- Every step of every combination, written before the first one begins.
CREATE TABLE step (
    number            INTEGER PRIMARY KEY,  -- from 1, in the order of the run
    combination       INTEGER NOT NULL,     -- from 1
    vary              TEXT NOT NULL,        -- JSON list of [name, text as in the plan]
    step              TEXT NOT NULL,        -- the step id
    procedure         TEXT NOT NULL,
    procedure_version INTEGER NOT NULL,
    settings          TEXT NOT NULL,        -- JSON object, after $name was replaced
    limits            TEXT NOT NULL,        -- JSON object
    expected_s        REAL NOT NULL,        -- bench time
    rule              TEXT NOT NULL,        -- the decision rule, in words
    outcome           TEXT NOT NULL,        -- not begun, begun, done, error, skipped
    verdict           TEXT NOT NULL,        -- none, pass, inconc, fail, error
    reason            TEXT NOT NULL,
    taken_in          TEXT NOT NULL,        -- folder of the earlier run that took it; empty: this one
    instrument        TEXT NOT NULL,        -- whose last lines follow
    transcript        TEXT NOT NULL,        -- JSON list of lines
    begun_utc         TEXT,
    begun_s           REAL,                 -- bench time since the run began
    ended_utc         TEXT,
    ended_s           REAL
);

-- A sweep, kept once however many readings were taken from it.
CREATE TABLE trace (
    number    INTEGER PRIMARY KEY,
    step      INTEGER NOT NULL REFERENCES step(number),
    settings  TEXT NOT NULL,                -- JSON object: rbw_hz, detector, averages, ... as read back
    points    BLOB NOT NULL                 -- NumPy npz: frequency_hz, level_dbm (at the analyser input)
);

-- Lines of uncertainty budgets and self-checks, each kept once however many readings have it.
CREATE TABLE part (
    number    INTEGER PRIMARY KEY,
    text      TEXT NOT NULL                 -- JSON object
);

-- Every reading, committed before the next one begins. Keyed by step, name, phase and idx.
CREATE TABLE reading (
    number      INTEGER PRIMARY KEY,        -- from 1, in the order taken
    step        INTEGER NOT NULL REFERENCES step(number),
    name        TEXT NOT NULL,
    phase       TEXT NOT NULL,              -- empty where the procedure has none
    idx         REAL,                       -- NULL outside a series
    value       REAL NOT NULL,
    unit        TEXT NOT NULL,              -- '1' for a plain number
    bound       TEXT NOT NULL,              -- exact, upper bound, lower bound
    confidence  REAL,                       -- of a bound
    note        TEXT NOT NULL,
    verdict     TEXT NOT NULL,
    limit_text  TEXT NOT NULL,              -- empty: no limit
    margin      REAL,                       -- in the reading's unit, negative where the limit is missed
    reason      TEXT NOT NULL,
    evidence    TEXT NOT NULL,              -- JSON list of self-checks, by their numbers in part
    budget      TEXT NOT NULL,              -- JSON object, lines by their numbers in part; or null
    uncertainty TEXT NOT NULL,              -- JSON object: standard, expanded, coverage_factor, ...; or null
    decision    TEXT NOT NULL,              -- JSON object: rule, guard_band, false_acceptance, ...; or null
    comparison  TEXT NOT NULL,              -- JSON object: the distance that was judged instead; or null
    trace       INTEGER REFERENCES trace(number),
    at_s        REAL NOT NULL,
    utc         TEXT NOT NULL
);

-- What was found out: identities, firmware, reference. step 0 is the bench itself.
CREATE TABLE fact (
    number  INTEGER PRIMARY KEY,
    step    INTEGER NOT NULL,
    name    TEXT NOT NULL,
    text    TEXT NOT NULL
);

-- Sentences on what went on. step 0 is the run itself.
CREATE TABLE note (
    number  INTEGER PRIMARY KEY,
    step    INTEGER NOT NULL,
    at_s    REAL NOT NULL,
    text    TEXT NOT NULL
);
"""
