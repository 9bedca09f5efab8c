"""A signature under a bundle's manifest: Ed25519 (RFC 8032), with the operator's key.

The manifest names the digest of every other file, so a signature under it
covers the bundle. Keys are the operator's: PEM files, made for example with
``openssl genpkey -algorithm ed25519``. A signature says that who had the key
made this bundle; whose key it is the reader must know from elsewhere.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from replay.errors import UsageError
from replay.reports.bundle.container import BundleError

ALGORITHM = "Ed25519"


@dataclass(frozen=True, slots=True)
class Signed:
    """What a look at a signature found; ``fingerprint`` is SHA-256 of the public key."""

    good: bool
    fingerprint: str
    known: bool
    """Whether it is the key that the reader gave."""


def private_key(key: Path, password: bytes | None = None) -> Any:
    """Return the operator's key to sign with.

    Raises
    ------
    UsageError
        The key cannot be read, or is not of this kind.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        private = load_pem_private_key(key.read_bytes(), password)
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(f"the key cannot be read: {error}", file=key) from None
    if not isinstance(private, Ed25519PrivateKey):
        raise UsageError(
            "the key is of another kind", file=key, todo="`openssl genpkey -algorithm ed25519`"
        )
    return private


def signature(manifest: bytes, private: Any) -> bytes:
    """Return the signature file for a manifest, by a key of `private_key`."""
    made = {
        "algorithm": ALGORITHM,
        "public_key": private.public_key().public_bytes_raw().hex(),
        "signature": private.sign(manifest).hex(),
    }
    return json.dumps(made, indent=1, sort_keys=True).encode() + b"\n"


def look(manifest: bytes, content: bytes, key: Path | None) -> Signed:
    """Look at a signature file; ``key`` is the public key that it ought to be of.

    Raises
    ------
    BundleError
        It is not a signature file.
    UsageError
        The reader's key cannot be read.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    said = _said(content)
    try:
        public = bytes.fromhex(said["public_key"])
        mine = Ed25519PublicKey.from_public_bytes(public)
        written = bytes.fromhex(said["signature"])
        if public.hex() != said["public_key"] or written.hex() != said["signature"]:
            raise ValueError  # another spelling of the same bytes is a change too
    except (ValueError, TypeError):
        raise BundleError("the signature is not one", todo="get the bundle again") from None
    known = key is not None and _public(key) == public
    try:
        (mine if key is None else Ed25519PublicKey.from_public_bytes(_public(key))).verify(
            written, manifest
        )
    except InvalidSignature:
        return Signed(False, fingerprint(public), known)
    return Signed(True, fingerprint(public), known)


def fingerprint(public: bytes) -> str:
    """Return what people compare: the SHA-256 of a public key's 32 bytes."""
    return hashlib.sha256(public).hexdigest()


def _said(content: bytes) -> dict[str, Any]:
    try:
        said = json.loads(content)
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict) or said.get("algorithm") != ALGORITHM:
        raise BundleError("the signature is of another kind", todo=f"only {ALGORITHM} is known")
    if set(said) != {"algorithm", "public_key", "signature"} or (
        json.dumps(said, indent=1, sort_keys=True).encode() + b"\n" != content
    ):
        raise BundleError("the signature file was changed", todo="get the bundle again")
    return said


def _public(key: Path) -> bytes:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        public = load_pem_public_key(key.read_bytes())
    except (OSError, ValueError) as error:
        raise UsageError(f"the public key cannot be read: {error}", file=key) from None
    if not isinstance(public, Ed25519PublicKey):
        raise UsageError("the public key is of another kind", file=key)
    return public.public_bytes_raw()
