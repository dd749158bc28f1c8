"""Ed25519 keys (RFC 8032) as signed notes have them (C2SP signed-note, tlog-cosignature). Pure.

A unit has one key for two kinds of signature, as C2SP signed-note allows: a text that is signed
begins with the name of a log of ours, a text that is cosigned with ``cosignature/v1``.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature, InvalidTag
from cryptography.hazmat.primitives import serialization as s
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.x509 import Certificate, load_pem_x509_certificates

from platelink.evidence.wrong import EvidenceError

ED25519, COSIGNATURE = b"\1", b"\4"
"""Types of a signature (C2SP signed-note): of a log, and of another unit with its time."""
KEY_BYTES, SIGNATURE_BYTES, TIME_BYTES, NONCE_BYTES = 32, 64, 8, 12
_MOST_S = (1 << 63) - 1


def good_name(name: str) -> bool:
    """True of what may name a key: no space, no plus, no control character."""
    return bool(name) and not any(c == "+" or c.isspace() or not c.isprintable() for c in name)


def _cosigned(text: bytes, at_s: int) -> bytes:
    """What a cosigner signs: two lines, then the whole text of the checkpoint."""
    return f"cosignature/v1\ntime {at_s}\n".encode() + text


def cosigned_at_s(signature: bytes) -> int:
    """When a cosignature says it was made, seconds since 1970."""
    return int.from_bytes(signature[:TIME_BYTES], "big")


@dataclass(frozen=True, slots=True)
class Verifier:
    """A public key, its name, and which kind of signature it is for."""

    name: str
    public: bytes
    kind: bytes = ED25519

    def __post_init__(self) -> None:
        known = self.kind in (ED25519, COSIGNATURE)
        if not good_name(self.name) or len(self.public) != KEY_BYTES or not known:
            raise EvidenceError(f"{self.name!r:.60} with {len(self.public)} bytes is no key")

    @property
    def id(self) -> bytes:
        """Four bytes that say which key it is; no more than a hint."""
        named = self.name.encode() + b"\n" + self.kind + self.public
        return hashlib.sha256(named).digest()[:4]

    @property
    def text(self) -> str:
        """Name, id and key in one line, as others are given it."""
        key = base64.b64encode(self.kind + self.public).decode()
        return f"{self.name}+{self.id.hex()}+{key}"

    @property
    def pem(self) -> bytes:
        """The key as openssl reads it."""
        key = Ed25519PublicKey.from_public_bytes(self.public)
        return key.public_bytes(s.Encoding.PEM, s.PublicFormat.SubjectPublicKeyInfo)

    @property
    def cosigner(self) -> Verifier:
        """The same key as it cosigns the logs of others."""
        return Verifier(self.name, self.public, COSIGNATURE)

    def holds(self, signature: bytes, text: bytes) -> bool:
        """Was this text signed with it?"""
        if self.kind == COSIGNATURE:
            at_s, signature = cosigned_at_s(signature), signature[TIME_BYTES:]
            text = _cosigned(text, at_s)
            if at_s > _MOST_S:
                return False
        try:
            Ed25519PublicKey.from_public_bytes(self.public).verify(signature, text)
        except (InvalidSignature, ValueError):
            return False
        return True

    @classmethod
    def of_text(cls, line: str, kind: bytes = ED25519) -> Verifier:
        """``EvidenceError`` for anything but what ``text`` gives of a key of this kind."""
        parts = line.split("+", 2)
        try:
            name, _, key = parts
            found = cls(name, base64.b64decode(key, validate=True)[1:], kind)
        except (ValueError, binascii.Error):
            raise EvidenceError(f"{line!r:.80} is no key: NAME+ID+KEY in one line") from None
        if found.text != line:
            raise EvidenceError(f"the key of {name!r:.60} is damaged: its id does not fit it")
        return found

    @classmethod
    def of_pem(cls, name: str, data: bytes) -> Verifier:
        """A key as openssl writes it, under this name."""
        try:
            key = s.load_pem_public_key(data)
        except (ValueError, TypeError) as error:
            raise EvidenceError(f"no public key in PEM: {error}") from None
        if not isinstance(key, Ed25519PublicKey):
            raise EvidenceError("the public key is not of Ed25519")
        return cls(name, key.public_bytes(s.Encoding.Raw, s.PublicFormat.Raw))


def certificates_of(pem: bytes) -> tuple[Certificate, ...]:
    """Certificates of others, each once; ``EvidenceError`` where it is no PEM."""
    try:
        return tuple(dict.fromkeys(load_pem_x509_certificates(pem)))
    except ValueError:
        raise EvidenceError("the authority's certificate is no PEM") from None


def closed(text: bytes, key: bytes, nonce: bytes, bound: bytes) -> bytes:
    """A text that only this key opens, and only with what it is bound to (ChaCha20-Poly1305, RFC
    8439). ``nonce`` is never used twice with one key."""
    return nonce + ChaCha20Poly1305(key).encrypt(nonce, text, bound)


def reopened(data: bytes, key: bytes, bound: bytes) -> bytes:
    """The text; ``EvidenceError`` where the key, or what it is bound to, is another."""
    try:
        nonce, rest = data[:NONCE_BYTES], data[NONCE_BYTES:]
        return ChaCha20Poly1305(key).decrypt(nonce, rest, bound)
    except (InvalidTag, ValueError):
        raise EvidenceError("it was closed with another key, or is of something else") from None


@dataclass(frozen=True, slots=True)
class Signer:
    """A private key and its name."""

    name: str
    key: Ed25519PrivateKey

    @property
    def verifier(self) -> Verifier:
        """The public half."""
        public = self.key.public_key().public_bytes(s.Encoding.Raw, s.PublicFormat.Raw)
        return Verifier(self.name, public)

    def sign(self, text: bytes) -> bytes:
        """64 bytes."""
        return self.key.sign(text)

    def cosign(self, text: bytes, at_s: int) -> bytes:
        """72 bytes (C2SP tlog-cosignature): the time, seconds since 1970, and the signature."""
        return at_s.to_bytes(TIME_BYTES, "big") + self.key.sign(_cosigned(text, at_s))

    @classmethod
    def of_seed(cls, name: str, seed: bytes) -> Signer:
        """The key of 32 secret bytes."""
        return cls(name, Ed25519PrivateKey.from_private_bytes(seed))

    @property
    def pem(self) -> bytes:
        """The private key, as it is kept: whoever has it can sign."""
        return self.key.private_bytes(s.Encoding.PEM, s.PrivateFormat.PKCS8, s.NoEncryption())

    @classmethod
    def of_pem(cls, name: str, data: bytes) -> Signer:
        """``EvidenceError`` for anything but what ``pem`` gives."""
        try:
            key = s.load_pem_private_key(data, None)
        except (ValueError, TypeError) as error:
            raise EvidenceError(f"no private key in PEM: {error}") from None
        if not isinstance(key, Ed25519PrivateKey):
            raise EvidenceError("the private key is not of Ed25519")
        return cls(name, key)
