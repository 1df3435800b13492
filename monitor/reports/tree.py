"""A Merkle tree over lines, and who signed its root.

Hashes are those of RFC 9162 (section 2.1): 0x00 before a leaf, 0x01 before a pair of nodes, an odd node
goes up as it is, so that no leaf can be taken for a node, nor one be said twice. The number of leaves is
part of what is signed. Signatures are Ed25519 (RFC 8032).
"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.errors import InputError
from monitor.store.chaining import leaf_hash, root_of

if TYPE_CHECKING:  # 6 MB: loaded when something is signed or verified
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

KEY_FILE = "signing.key"  # mode 0600, beside the record: 32 bytes as hexadecimal digits


def root(leaves: Sequence[bytes]) -> str:
    """Merkle tree hash of some leaves, as hexadecimal digits."""
    return root_of([leaf_hash(leaf) for leaf in leaves])


def signing_key(home: Path) -> "Ed25519PrivateKey":
    """The key of a home folder; made with the first question.

    Raises
    ------
    InputError
        If the file is there and holds no key.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    path = home / KEY_FILE
    if not path.exists():
        key = Ed25519PrivateKey.generate()
        path.touch(mode=0o600, exist_ok=False)
        path.write_text(key.private_bytes_raw().hex() + "\n", encoding="ascii")
        return key
    try:
        raw = bytes.fromhex(path.read_text(encoding="ascii").strip())
        return Ed25519PrivateKey.from_private_bytes(raw)
    except (ValueError, UnicodeDecodeError) as error:
        raise InputError(f"{path} holds no signing key; put the right one back") from error


def public_key(key: "Ed25519PrivateKey") -> str:
    """Its public half, as 64 hexadecimal digits: what a stranger compares."""
    return key.public_key().public_bytes_raw().hex()


def sign(key: "Ed25519PrivateKey", message: bytes) -> str:
    """Signature of a message, as hexadecimal digits."""
    return key.sign(message).hex()


def is_signed(message: bytes, *, signature: str, by: str) -> bool:
    """Whether a message was signed by who has the other half of a public key."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(by)).verify(
            bytes.fromhex(signature), message
        )
    except (InvalidSignature, ValueError):
        return False
    return True
