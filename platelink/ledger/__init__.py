"""SQLite files of every kind: how they are opened, written and kept; who did what, when and why."""
