"""Publisher and recorder as processes of their own, on a stand-in for the journal.

    python service_processes.py publisher SOURCE CURSOR BROKER_PORT PASSWORD [OTHER_PORTS [USER]]
    python service_processes.py recorder JOURNAL BROKER_PORT PASSWORD STORE_URL [OTHER_PORTS]

OTHER_PORTS: the broker is a cluster, and these are its other nodes, 1,2,... or "none".

They work until they are killed, and print a line of status as JSON now and then.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import NamedTuple

from pydantic import TypeAdapter

from platelink.publish.broker import BrokerSettings, StreamSettings
from platelink.publish.publisher import Publisher
from platelink.publish.publishing import PublisherSettings
from platelink.publish.recorder import Recorder, RecorderSettings, RecorderStatus
from platelink.publish.store import StoreSettings
from platelink.runs import AnyEntry

SITE, UNIT = "invented-shop", "unit-1"
USER = f"{SITE}/{UNIT}"
ENTRY: TypeAdapter[AnyEntry] = TypeAdapter(AnyEntry)


class Row(NamedTuple):
    number: int
    entry: AnyEntry


class StandInJournal:
    """Numbered entries in a SQLite file: one process appends, another reads."""

    def __init__(self, path: Path) -> None:
        self._db = sqlite3.connect(path, isolation_level=None)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("CREATE TABLE IF NOT EXISTS entry(number INTEGER PRIMARY KEY, text TEXT)")

    def append(self, number: int, entry: AnyEntry) -> None:
        self._db.execute("INSERT INTO entry VALUES (?, ?)", (number, entry.model_dump_json()))

    def outbox_after(self, number: int, limit: int) -> Sequence[Row]:
        query = "SELECT number, text FROM entry WHERE number > ? ORDER BY number LIMIT ?"
        rows = self._db.execute(query, (number, limit)).fetchall()
        return [Row(n, ENTRY.validate_json(text)) for n, text in rows]

    def last_number(self) -> int:
        last: int = self._db.execute("SELECT coalesce(max(number), 0) FROM entry").fetchone()[0]
        return last

    def replaced(self) -> bool:
        return False

    def close(self) -> None:
        self._db.close()


class Process:
    """One of the two, to be started and killed again and again; its prints go into ``log``."""

    def __init__(self, log: Path, *arguments: str) -> None:
        self.log = log
        self._command = [sys.executable, __file__, *arguments]
        self._child: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as log:
            self._child = subprocess.Popen(self._command, stdout=log, stderr=log)

    def kill(self) -> None:
        if self._child is not None:
            self._child.kill()
            self._child.wait()
            self._child = None

    def alive(self) -> bool:
        return self._child is not None and self._child.poll() is None

    def statuses(self) -> list[dict[str, object]]:
        lines = self.log.read_text("utf-8").splitlines() if self.log.exists() else []
        strange = [line for line in lines if not line.startswith("{")]
        assert not strange, "\n".join(strange)
        return [json.loads(line) for line in lines if line.endswith("}")]


def broker_at(user: str, port: str, password: str, others: str) -> BrokerSettings:
    streams = None
    if others:
        ports = () if others == "none" else others.split(",")
        hosts = tuple(("127.0.0.1", int(other)) for other in ports)
        streams = StreamSettings(hosts, replicas=len(hosts) + 1, stream_bytes=100_000_000)
    return BrokerSettings("127.0.0.1", int(port), user, password, will_delay_s=0, streams=streams)


def run_publisher(
    source: str, cursor: str, port: str, password: str, others: str = "", user: str = USER
) -> None:
    site, unit = user.split("/")
    settings = PublisherSettings(broker_at(user, port, password, others), site, unit)
    publisher = Publisher(
        settings,
        open_source=lambda: StandInJournal(Path(source)),
        cursor_path=Path(cursor),
    )
    publisher.start()
    while True:
        time.sleep(0.5)
        print(json.dumps(asdict(publisher.status())), flush=True)


def run_recorder(journal: str, port: str, password: str, store_url: str, others: str = "") -> None:
    settings = RecorderSettings(
        broker=broker_at("recorder", port, password, others),
        store=StoreSettings(store_url),
        journal_path=Path(journal),
        name=Path(journal).stem,
    )

    def report(status: RecorderStatus) -> None:
        print(json.dumps(asdict(status)), flush=True)

    Recorder(settings).run(threading.Event(), report, report_every_s=0.5)


if __name__ == "__main__":
    {"publisher": run_publisher, "recorder": run_recorder}[sys.argv[1]](*sys.argv[2:])
