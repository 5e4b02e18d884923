"""Ed25519 signatures in the OpenSSH format, so that the stock ``ssh-keygen -Y verify`` checks a claim pack.

Format: PROTOCOL.sshsig of OpenSSH (the signed blob and the armour), RFC 4251 section 5 (strings with a
32-bit length), RFC 8709 (``ssh-ed25519`` keys and signatures). Ed25519 signing is deterministic, so the
same pack signed with the same key gives the same bytes.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import os
import struct
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_ssh_private_key,
)

from config.errors import InputError

NAMESPACE = "hubproof-claim-pack"  # a signature made for anything else is no signature of a pack
IDENTITY = "hubproof-station"  # the name under which allowed_signers lists the key
_MAGIC, _VERSION, _HASH, _TYPE = b"SSHSIG", 1, b"sha512", b"ssh-ed25519"
_BEGIN, _END, _WIDTH = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----", 70
_KEY_BYTES = 32
_LINK_SECRET = b"hubproof: link of the record in a claim pack"


@dataclass(frozen=True, slots=True)
class PublicKey:
    """An Ed25519 public key: 32 bytes."""

    raw: bytes

    @property
    def line(self) -> str:
        """The key as OpenSSH writes it in one line, without a comment."""
        return f"ssh-ed25519 {base64.b64encode(self._blob).decode()}"

    @property
    def fingerprint(self) -> str:
        """``SHA256:…`` as ``ssh-keygen -l`` prints it."""
        return "SHA256:" + base64.b64encode(hashlib.sha256(self._blob).digest()).decode().rstrip("=")

    @property
    def allowed_signers(self) -> str:
        """The line that ``ssh-keygen -Y verify -f`` wants, bound to this project's namespace."""
        return f'{IDENTITY} namespaces="{NAMESPACE}" {self.line}\n'

    @property
    def _blob(self) -> bytes:
        return _string(_TYPE) + _string(self.raw)


@dataclass(frozen=True, slots=True)
class SigningKey:
    """The station's private key."""

    private: Ed25519PrivateKey

    def blinded(self, link_sha256: str) -> str:
        """What a pack says of a link of the record: HMAC-SHA-256 (RFC 2104) under a secret of this key.

        The secret is derived with HKDF (RFC 5869), so that it says nothing of the key itself; the same key
        and link give the same 64 hexadecimal digits.
        """
        raw = self.private.private_bytes(Encoding.Raw, PrivateFormat.Raw, NoEncryption())
        secret = HKDF(SHA256(), _KEY_BYTES, salt=None, info=_LINK_SECRET).derive(raw)
        return hmac.digest(secret, link_sha256.encode(), "sha256").hex()

    @property
    def public(self) -> PublicKey:
        """The half that may be handed out."""
        return PublicKey(self.private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw))


def load_or_make_key(path: Path) -> SigningKey:
    """The key in `path` (OpenSSH private key format), made there on first use, readable by its owner only.

    Raises:
        InputError: the file cannot be read or written, or holds no Ed25519 key without a passphrase.
    """
    try:
        if not path.exists():
            _write_new_key(path)
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(path)) from error
    return load_key(path)


def load_key(path: Path) -> SigningKey:
    """The key in `path`, in OpenSSH private key format.

    Raises:
        InputError: the file cannot be read, or holds no Ed25519 key without a passphrase.
    """
    try:
        private = load_ssh_private_key(path.read_bytes(), password=None)
    except OSError as error:
        raise InputError(
            f"cannot be read: {error.strerror}", where=str(path), expected="the station's signing key"
        ) from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise InputError(
            f"holds no usable signing key: {error}",
            where=str(path),
            expected="an Ed25519 private key in OpenSSH format, without a passphrase",
            do="move the file away and a new key is made",
        ) from error
    if not isinstance(private, Ed25519PrivateKey):
        raise InputError("is not an Ed25519 key", where=str(path), expected="ssh-keygen -t ed25519")
    return SigningKey(private)


def _write_new_key(path: Path) -> None:
    """Make a key; of two commands started at once the second uses the key of the first."""
    text = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption())
    path.parent.mkdir(parents=True, exist_ok=True)
    with (
        contextlib.suppress(FileExistsError),
        open(path, "xb", opener=lambda name, flags: os.open(name, flags, 0o600)) as file,
    ):
        file.write(text)


def parse_public_key(text: str, *, where: str) -> PublicKey:
    """Read one line ``ssh-ed25519 AAAA… comment``.

    Raises:
        InputError: it is not such a line.
    """
    words = text.split()
    try:
        blob = (
            base64.b64decode(words[1], validate=True) if len(words) > 1 and words[0] == "ssh-ed25519" else b""
        )
        kind, rest = _take(blob)
        raw, rest = _take(rest)
    except ValueError as error:
        raise InputError("is not an OpenSSH public key", where=where, expected="ssh-ed25519 …") from error
    if kind != _TYPE or len(raw) != _KEY_BYTES or rest:
        raise InputError("is not an Ed25519 public key", where=where, expected="ssh-ed25519 …")
    return PublicKey(raw)


def sign(message: bytes, key: SigningKey) -> bytes:
    """The armoured detached signature of `message`, as ``ssh-keygen -Y sign`` writes it."""
    signature = _string(_TYPE) + _string(key.private.sign(_signed_blob(message)))
    return _armour(key.public, signature)


def check(message: bytes, armoured: bytes) -> PublicKey:
    """The key that signed `message`.

    Raises:
        InputError: the signature is not one of this key, this message and this namespace, or is not
            written as it must be (so that no byte of it can be changed unseen).
    """
    where = "signature"
    try:
        body = armoured.decode("ascii").removeprefix(_BEGIN + "\n").removesuffix(_END + "\n")
        blob = base64.b64decode("".join(body.split()), validate=True)
        key, signature = _parse(blob)
        if _armour(key, _string(_TYPE) + _string(signature)) != armoured:
            raise ValueError("not in canonical form")
        Ed25519PublicKey.from_public_bytes(key.raw).verify(signature, _signed_blob(message))
    except InvalidSignature as error:
        raise InputError("does not fit what it should sign", where=where) from error
    except ValueError as error:
        raise InputError(f"cannot be read: {error}", where=where, expected="an OpenSSH signature") from error
    return key


def _parse(blob: bytes) -> tuple[PublicKey, bytes]:
    magic, version, rest = blob[:6], blob[6:10], blob[10:]
    public, rest = _take(rest)
    namespace, rest = _take(rest)
    reserved, rest = _take(rest)
    algorithm, rest = _take(rest)
    signature, rest = _take(rest)
    key_type, public = _take(public)
    raw, tail = _take(public)
    signature_type, signature = _take(signature)
    bytes_signed, signature_tail = _take(signature)
    expected = (_MAGIC, struct.pack(">I", _VERSION), NAMESPACE.encode(), b"", _HASH, _TYPE, _TYPE, b"")
    if (magic, version, namespace, reserved, algorithm, key_type, signature_type, rest) != expected:
        raise ValueError("it is not an Ed25519 signature made for a claim pack")
    if len(raw) != _KEY_BYTES or tail or signature_tail:
        raise ValueError("its key is not an Ed25519 key")
    return PublicKey(raw), bytes_signed


def _signed_blob(message: bytes) -> bytes:
    digest = hashlib.sha512(message).digest()
    return _MAGIC + _string(NAMESPACE.encode()) + _string(b"") + _string(_HASH) + _string(digest)


def _armour(key: PublicKey, signature: bytes) -> bytes:
    public = _string(_TYPE) + _string(key.raw)
    blob = (
        _MAGIC
        + struct.pack(">I", _VERSION)
        + _string(public)
        + _string(NAMESPACE.encode())
        + _string(b"")
        + _string(_HASH)
        + _string(signature)
    )
    text = base64.b64encode(blob).decode()
    lines = [text[start : start + _WIDTH] for start in range(0, len(text), _WIDTH)]
    return "\n".join([_BEGIN, *lines, _END, ""]).encode()


def _string(content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + content


def _take(blob: bytes) -> tuple[bytes, bytes]:
    """The first length-prefixed string of `blob`, and what follows it."""
    if len(blob) < 4:
        raise ValueError("it ends too early")
    (length,) = struct.unpack(">I", blob[:4])
    if length > len(blob) - 4:
        raise ValueError("it ends too early")
    return blob[4 : 4 + length], blob[4 + length :]
