"""Signed notes (C2SP signed-note), checkpoints (tlog-checkpoint) and proofs (tlog-proof). Pure.

Whatever is read is written again and compared, so that no byte is free, signed or not.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from platelink.evidence.keys import Signer, Verifier, good_name
from platelink.evidence.merkle import included
from platelink.evidence.wrong import EvidenceError

HASH_BYTES: Final = 32
_KEY_ID = 4
_MAGIC = "c2sp.org/tlog-proof@v1"
_MOST_BYTES = 100_000
"""A note is read whole; no log signs a longer one."""


@dataclass(frozen=True, slots=True)
class Signature:
    """One line below a note."""

    name: str
    key_id: bytes
    signature: bytes

    @property
    def line(self) -> str:
        """As it stands there."""
        return f"— {self.name} {base64.b64encode(self.key_id + self.signature).decode()}\n"

    def is_of(self, key: Verifier) -> bool:
        """Does it say that it is of this key? Whether it holds is another matter."""
        return (self.name, self.key_id) == (key.name, key.id)


@dataclass(frozen=True, slots=True)
class Note:
    """A text that ends with a line break, and who signed it."""

    text: str
    signatures: tuple[Signature, ...]

    @property
    def data(self) -> bytes:
        """The note as it is kept and sent."""
        return f"{self.text}\n{''.join(one.line for one in self.signatures)}".encode()

    def signed_by(self, keys: Sequence[Verifier]) -> list[Verifier]:
        """Those of the keys that signed it. ``EvidenceError`` where a signature of one of them does
        not hold; signatures of others count for nothing."""
        known = {(key.name, key.id): key for key in keys}
        found = []
        for one in self.signatures:
            key = known.get((one.name, one.key_id))
            if key is None:
                continue
            if not key.holds(one.signature, self.text.encode()):
                raise EvidenceError(f"the signature of {key.name} does not hold for this text")
            found.append(key)
        return found


def sign(text: str, *signers: Signer) -> Note:
    """The text signed by all of them."""
    return Note(text, tuple(
        Signature(one.name, one.verifier.id, one.sign(text.encode())) for one in signers
    ))  # fmt: skip


def read_note(data: bytes, *, most_bytes: int = _MOST_BYTES) -> Note:
    """``EvidenceError`` for anything but a note as ``Note.data`` writes it."""
    try:
        whole = data.decode()
    except UnicodeDecodeError:
        raise EvidenceError("the note is no UTF-8") from None
    text, mark, below = whole.rpartition("\n\n")
    if not mark or not text or len(data) > most_bytes:
        raise EvidenceError("no signed note: no text, then an empty line, then signatures")
    if any(c < " " and c != "\n" for c in whole):
        raise EvidenceError("a control character stands in the note")
    note = Note(text + "\n", tuple(map(_signature, below.splitlines(keepends=True))))
    if not note.signatures or note.data != data:
        raise EvidenceError("the note is not as a signed note is written")
    return note


def _signature(line: str) -> Signature:
    match line.removesuffix("\n").split(" "):
        case ["—", name, value] if good_name(name):
            try:
                raw = base64.b64decode(value, validate=True)
            except binascii.Error:
                raw = b""
            if len(raw) > _KEY_ID:  # how long it is, its kind says
                return Signature(name, raw[:_KEY_ID], raw[_KEY_ID:])
    raise EvidenceError(f"{line!r:.60} is no line of a signature")


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """How a log stood: its name, how many leaves, their root."""

    origin: str
    size: int
    root: bytes

    @property
    def text(self) -> str:
        """What is signed."""
        return f"{self.origin}\n{self.size}\n{base64.b64encode(self.root).decode()}\n"


def read_checkpoint(note: Note) -> Checkpoint:
    """``EvidenceError`` for anything but what ``Checkpoint.text`` gives; extension lines, too."""
    try:
        origin, size, root, rest = note.text.split("\n", 3)
        found = Checkpoint(origin, int(size), base64.b64decode(root, validate=True))
    except ValueError:
        raise EvidenceError("the note is no checkpoint: log, size, root") from None
    if rest or len(found.root) != HASH_BYTES or found.size < 0 or found.text != note.text:
        raise EvidenceError("the checkpoint is not as one is written: log, size, root")
    return found


@dataclass(frozen=True, slots=True)
class Proof:
    """That a leaf is in a log: its place, the way to the root, and the checkpoint."""

    index: int
    path: tuple[bytes, ...]
    note: Note

    @property
    def data(self) -> bytes:
        """As a file ``.tlog-proof``."""
        path = "".join(base64.b64encode(one).decode() + "\n" for one in self.path)
        return f"{_MAGIC}\nindex {self.index}\n{path}\n".encode() + self.note.data

    def must_hold(self, leaf: bytes) -> Checkpoint:
        """The checkpoint, where the proof leads from this leaf's hash to its root."""
        head = read_checkpoint(self.note)
        if included(leaf, self.index, head.size, self.path) != head.root:
            raise EvidenceError(
                f"the seal is not leaf {self.index} of the log: its proof leads to another root "
                "than the checkpoint has"
            )
        return head


def read_proof(data: bytes) -> Proof:
    """``EvidenceError`` for anything but what ``Proof.data`` gives."""
    above, mark, below = data.partition(b"\n\n")
    try:
        magic, index, *path = above.decode().split("\n")
        word, number = index.split(" ")
        found = Proof(
            int(number), tuple(base64.b64decode(one, validate=True) for one in path),
            read_note(below),
        )  # fmt: skip
        good = (magic, word) == (_MAGIC, "index") and all(
            len(one) == HASH_BYTES for one in found.path
        )
    except ValueError:
        good = False
    if not (mark and good and found.index >= 0 and found.data == data):
        raise EvidenceError("the proof is not as a proof of a log is written")
    return found
