"""The Ed25519 key of a stand (RFC 8032): who holds its public part can tell whether the stand has signed a text.

The secret part lies in a file that only its user can read, in the folder that HILSEQ_KEYS names, by default
`~/.config/hilseq/keys`. `StandKey` is the seam for a key that lies elsewhere (PKCS #11, TPM): a public part, `sign`.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from hilseq.errors import UsageError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FOLDER = "HILSEQ_KEYS"
#: Lines `NAME KEY` of the stands whose public keys are known here.
KNOWN = "known-stands"
_LENGTH = 32
_KEPT = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_")
#: Longest file of known stands, bytes.
_LARGEST = 1 << 20


def key_folder() -> Path:
    """Return where keys lie."""
    named = os.environ.get(FOLDER, "").strip()
    home = os.environ.get("XDG_CONFIG_HOME", "").strip() or "~/.config"
    return Path(named or f"{home}/hilseq/keys").expanduser()


@dataclass(frozen=True, slots=True)
class StandKey:
    """The key of a stand. `public` is its public part, as `public_text` writes it."""

    public: str
    _secret: Ed25519PrivateKey

    def sign(self, text: bytes) -> str:
        """Return the signature of a text, base64."""
        return base64.b64encode(self._secret.sign(text)).decode("ascii")


def key_file(stand: str) -> Path:
    """Return the file of a stand's key, whether it is there or not."""
    name = "".join(letter if letter in _KEPT else "_" for letter in stand)[:48]
    if name != stand:
        name += "~" + hashlib.sha256(stand.encode("utf-8", "surrogatepass")).hexdigest()[:16]
    return key_folder() / f"{name}.key"


def stand_key(stand: str) -> StandKey:
    """Return the key of a stand, made when it is first asked for.

    Raises UsageError when its file cannot be used, or others can read it.
    """
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    path = key_file(stand)
    try:
        if not path.exists():
            _make(path)
        if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
            raise UsageError(
                f"the key {path} can be read by others: chmod 600, or make a new one where they did"
            )
        secret = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except OSError as error:
        raise UsageError(f"the key {path} cannot be had: {error.strerror or error}") from None
    except (ValueError, TypeError):
        raise UsageError(f"{path} holds no key; move it away, and a new one is made") from None
    if not isinstance(secret, Ed25519PrivateKey):
        raise UsageError(f"{path} holds a key of another kind; expected Ed25519")
    raw = secret.public_key().public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
    return StandKey(base64.b64encode(raw).decode("ascii"), secret)


def _make(path: Path) -> None:
    """Make a key; of two that make one at once, the first is kept. Raises OSError."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    text = Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    new = path.with_name(f".{path.name}.{os.getpid()}")
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(new, path)
        except FileExistsError:
            return
    finally:
        new.unlink(missing_ok=True)


def is_signed(text: bytes, signature: str, public: str) -> bool:
    """Return whether the holder of a public key has signed a text; False for what is no key or no signature."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(_decoded(public)).verify(_decoded(signature), text)
    except (InvalidSignature, ValueError, binascii.Error):
        return False
    return True


def _decoded(text: str) -> bytes:
    """Return what base64 holds. Raises ValueError for another spelling of the same (RFC 4648 3.5)."""
    content = base64.b64decode(text, validate=True)
    if base64.b64encode(content).decode("ascii") != text:
        raise ValueError("its last character holds bits that mean nothing")
    return content


def known_stands(more: Path | None = None) -> dict[str, str]:
    """Return public key -> name of the stands that are known here, by lists with lines `NAME KEY`.

    `more` is a list, beside the one in the folder of keys. Raises UsageError for a line that is none.
    """
    known: dict[str, str] = {}
    for path in (key_folder() / KNOWN, more):
        if path is not None and (path is more or path.is_file()):
            known |= _listed(path)
    return known


def trusted_keys(stand: str) -> frozenset[str]:
    """Return the public keys that count for a stand here: those of the known stands, and its own where it is ours.

    Raises UsageError for a list or a key that cannot be read.
    """
    own = {stand_key(stand).public} if key_file(stand).is_file() else set[str]()
    return frozenset(own | known_stands().keys())


def _listed(path: Path) -> dict[str, str]:
    try:
        with path.open(encoding="utf-8") as file:
            lines = file.read(_LARGEST).splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path} cannot be read as a list of stands: {error}") from None
    known = {}
    for number, line in enumerate(lines, 1):
        name, _, key = line.strip().rpartition(" ")
        if not line.strip() or line.startswith("#"):
            continue
        if not name or not _is_key(key):
            raise UsageError(f"{path}:{number}: expected NAME KEY, as `hilseq stand key` prints it")
        known[key] = name.strip()
    return known


def _is_key(text: str) -> bool:
    try:
        return len(base64.b64decode(text, validate=True)) == _LENGTH
    except (ValueError, binascii.Error):
        return False
