"""The embedded store: one SQLite file, WAL, every commit synced."""

from service.store.sqlite.store import SqliteStore, open_store

__all__ = ["SqliteStore", "open_store"]
