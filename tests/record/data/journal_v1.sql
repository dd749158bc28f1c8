-- A journal of schema version 1, written by hand: what the first release left on disks.
PRAGMA application_id = 1347177009;
PRAGMA user_version = 1;
CREATE TABLE journal (one INTEGER PRIMARY KEY CHECK (one = 1), uuid TEXT NOT NULL, unit TEXT NOT NULL) STRICT;
CREATE TABLE runs (
    run_id TEXT PRIMARY KEY,
    number INTEGER NOT NULL UNIQUE REFERENCES entries (number) DEFERRABLE INITIALLY DEFERRED,
    started_ms INTEGER NOT NULL, step TEXT NOT NULL, plate TEXT, operator TEXT
) STRICT, WITHOUT ROWID;
CREATE TABLE entries (
    number INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('start', 'channels', 'samples', 'event', 'end')),
    run_id TEXT REFERENCES runs (run_id) CHECK (run_id IS NOT NULL OR kind = 'event'),
    at_ms INTEGER NOT NULL, body ANY NOT NULL
) STRICT;
CREATE TABLE ends (
    run_id TEXT PRIMARY KEY REFERENCES runs (run_id),
    number INTEGER NOT NULL UNIQUE REFERENCES entries (number),
    state TEXT NOT NULL CHECK (state IN ('complete', 'stopped', 'aborted', 'interrupted'))
) STRICT, WITHOUT ROWID;
CREATE INDEX entries_by_run ON entries (run_id, kind, at_ms);
CREATE INDEX runs_by_time ON runs (started_ms);
INSERT INTO journal VALUES (1, '6b5fd8a0-0000-4000-8000-000000000001', 'unit-1');
BEGIN;
INSERT INTO runs VALUES ('old', 1, 1750000000000, 'film', 'P-1', 'A');
INSERT INTO entries VALUES (1, 'start', 'old', 1750000000000,
    '{"format":1,"step":"film","operator":"A","plate":"P-1","target_dose_mj_cm2":340.0}');
INSERT INTO entries VALUES (2, 'event', 'old', 1750000001000, '{"format":1,"name":"lamp on","ticks":17}');
INSERT INTO entries VALUES (3, 'samples', 'old', 1750000002000,
    x'0102000000000000000000000078daab562a4a2c57b2528856cac94ccf28892f2ecd8d37508ad551502a4bcc294d2d064b65161525a66426e625a7c6e796c727e71a29c5d6725d48616740061752f6333832bc60d0636006f3b95818708200a6060600fa8118d6');
INSERT INTO entries VALUES (4, 'end', 'old', 1750000003000,
    '{"format":1,"state":"stopped","reason":"operator","samples":2,"events":1}');
INSERT INTO ends VALUES ('old', 4, 'stopped');
COMMIT;
