"""Append-only files beside the journal: one SQLite file each; who did what, when and why."""
