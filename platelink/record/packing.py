"""Puts the samples of closed runs together, beside whoever writes the journal. No clock of its own.

A run's blocks become one chunk, a third as long. Its entries stay as they are, and whoever reads or
publishes them gets the same bits as before.

Each statement leaves a journal that is whole: the chunk is written first, then read back and
compared with every block before that is taken away.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager

from platelink.codec import StoredBlock, decode, join
from platelink.ledger.database import Database
from platelink.record.chunk import pack, part_of, same, unpack
from platelink.record.errors import JournalRefused

_AT_ONCE = 64
"""Blocks in one commit: the appending thread waits for it, about a millisecond."""
Beside = Callable[[], AbstractContextManager[Database]]


class Packer:
    """``beside`` gives the connection for a short while; it may be another file's the next time.
    ``look`` is called between the parts of the work, and ends it by raising."""

    def __init__(self, beside: Beside, look: Callable[[], None] = lambda: None) -> None:
        self._beside, self._look = beside, look
        self._uuid = ""
        self._left: set[str] = set()
        """Runs whose samples cannot be read: they stay as they are, for whoever repairs them."""

    def step(self) -> bool:
        """Pack one run; False where none is left. ``JournalError``: not now; nothing is lost."""
        with self._beside() as database:
            uuid = str(database.rows("SELECT uuid FROM journal")[0][0])
            if uuid != self._uuid:
                self._uuid, self._left = uuid, set()
            ended = database.rows(
                "SELECT DISTINCT run_id FROM blocks JOIN entries USING (number) "
                "JOIN ends USING (run_id)"
            )
            run_id = next((str(one) for (one,) in ended if one not in self._left), None)
            if run_id is None:
                return False
            rows = database.rows(
                "SELECT number, blocks.body FROM entries JOIN blocks USING (number) "
                "WHERE run_id = ? AND kind = 'samples' ORDER BY number",
                (run_id,),
            )
        try:
            self._pack(run_id, [(number, decode(body)) for number, body in rows])
        except ValueError:  # damaged; whoever reads it says so
            self._left.add(run_id)
        return True

    def _pack(self, run_id: str, stored: Sequence[tuple[int, StoredBlock]]) -> None:
        sql = "SELECT body FROM chunks WHERE run_id = ?"
        with self._mine() as database:
            chunk = database.rows(sql, (run_id,))
        if not chunk:
            _must_follow(stored)
            body = pack(join([block for _, (_, block) in stored]), self._look)
            with self._mine() as database:
                database.execute("INSERT INTO chunks (run_id, body) VALUES (?, ?)", (run_id, body))
                chunk = database.rows(sql, (run_id,))
        packed = unpack(chunk[0][0])
        for number, (first, block) in stored:
            if not same(part_of(packed, first, len(block)), block):
                raise ValueError(f"entry {number} is not what the chunk has")
        numbers = [(number,) for number, _ in stored]
        for begin in range(0, len(numbers), _AT_ONCE):
            with self._mine() as database, database.transaction():
                database.execute_each(
                    "DELETE FROM blocks WHERE number = ?", numbers[begin : begin + _AT_ONCE]
                )

    @contextmanager
    def _mine(self) -> Iterator[Database]:
        """The connection, while it is the same journal's."""
        with self._beside() as database:
            if database.rows("SELECT uuid FROM journal") != [(self._uuid,)]:
                raise JournalRefused("another journal has taken its place")
            yield database


def _must_follow(stored: Sequence[tuple[int, StoredBlock]]) -> None:
    end = 0
    for number, (first, block) in stored:
        if first != end:
            raise ValueError(f"entry {number} begins at sample {first}, expected {end}")
        end += len(block)
