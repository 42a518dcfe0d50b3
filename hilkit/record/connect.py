"""Opens a record for reading."""

from __future__ import annotations

import sqlite3
from pathlib import Path

__all__ = ["connect"]


def connect(database: Path) -> sqlite3.Connection:
    """Return a connection whose rows are known by column; ``sqlite3.Error`` where it cannot be opened."""
    # A killed run leaves a write-ahead log, which SQLite folds in when it may write; a finished one may be
    # read-only.
    mode = "rw" if database.with_name(database.name + "-wal").exists() else "ro"
    connection = sqlite3.connect(f"{database.resolve().as_uri()}?mode={mode}", uri=True)
    connection.row_factory = sqlite3.Row
    return connection
