"""The workshop's own Ed25519 key: made on first use, kept where only its owner can read it, shown by its fingerprint.

The private key lies in one PEM file (PKCS #8, RFC 5958), with a passphrase if one is set. Above the PEM block stand the
public key and its fingerprint as text, as RFC 7468 allows, so that both can be shown without the passphrase. A key that
is lost cannot be replaced by anything: records sealed with it stay good, new ones have another key.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import hashlib
import os
import re
import secrets
import stat
import time
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from cycler.errors import InputError, quote
from cycler.files import name_file, sync

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

KEY_VARIABLE, PASSPHRASE_VARIABLE = "CYCLER_KEY", "CYCLER_KEY_PASSPHRASE"
FILE_NAME = "workshop-key.pem"
LOST = "A lost key cannot be replaced by anything: keep a copy of the file apart, where only you can read it."
PASSPHRASE_MAX = 500
"""Longest passphrase. [bytes of UTF-8]"""

_PRIME = 2**255 - 19
_EIGHTH = 0x05FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826
_SMALL_ORDER = {0, 1, _PRIME - 1, _EIGHTH, _PRIME - _EIGHTH}  # y of the points whose order divides 8, the cofactor (RFC 8032, 5.1)
_FILE_MAX = 100_000
_OWNER_ONLY = 0o600
_FOR_OTHERS = 0o077
_WAIT_S = 2.0
_BLOCK = re.compile(rb"-----BEGIN ([A-Z0-9 ]+)-----.*?-----END \1-----", re.DOTALL)
_HEAD = re.compile(rb"^Public key: ([A-Za-z0-9+/=]+)\r?$", re.MULTILINE)


class KeyLocked(InputError):
    """The key file has a passphrase and none was given, or not the right one."""


@dataclass(frozen=True, slots=True)
class PublicKey:
    """An Ed25519 public key. ``raw`` holds its 32 bytes (RFC 8032, 5.1.5)."""

    raw: bytes

    @property
    def b64(self) -> str:
        """The 32 bytes in base64."""
        return base64.b64encode(self.raw).decode("ascii")

    @property
    def fingerprint(self) -> str:
        """First 64 bits of the SHA-256 of the 32 bytes, for comparing by eye or by telephone: "3f2a 9c01 77d0 51be"."""
        digits = hashlib.sha256(self.raw).hexdigest()[:16]
        return " ".join(digits[k : k + 4] for k in range(0, 16, 4))

    @property
    def pem(self) -> str:
        """The key as PEM (SubjectPublicKeyInfo, RFC 8410)."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

        key = Ed25519PublicKey.from_public_bytes(self.raw)
        return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode("ascii")

    def verifies(self, signature: bytes, message: bytes) -> bool:
        """Whether ``signature`` is this key's signature of ``message`` (RFC 8032, 5.1.7).

        Never for a key of small order: one signature of it can hold for any message, so that it proves nothing.
        """
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

        y = int.from_bytes(self.raw, "little") % 2**255  # without the bit of the sign
        if y % _PRIME in _SMALL_ORDER:
            return False
        try:
            Ed25519PublicKey.from_public_bytes(self.raw).verify(signature, message)
        except (InvalidSignature, ValueError):
            return False
        return True


def public_key_of(b64: object) -> PublicKey | None:
    """The key of 32 bytes in base64, or None if it is no such thing."""
    raw = decoded(b64, 32)
    return PublicKey(raw) if raw is not None else None


def decoded(b64: object, length: int) -> bytes | None:
    """``length`` bytes from base64 in its one canonical spelling, or None."""
    if not isinstance(b64, str) or len(b64) > 2 * length + 8:
        return None
    try:
        raw = base64.b64decode(b64, validate=True)
    except (binascii.Error, ValueError):
        return None
    # Spare bits in the last character would give one value several spellings.
    return raw if len(raw) == length and base64.b64encode(raw).decode("ascii") == b64 else None


@dataclass(frozen=True, slots=True)
class SigningKey:
    """The private key, ready to sign.

    Attributes
    ----------
    public : PublicKey
    path : Path or None
        The file it lies in.
    protected : bool
        Whether the file has a passphrase.
    made : bool
        Whether it was made by this call.
    remarks : tuple of str
        What the owner must be told: a new key, rights of the file that were mended.
    """

    _private: Ed25519PrivateKey = field(repr=False)
    public: PublicKey
    path: Path | None = None
    protected: bool = False
    made: bool = False
    remarks: tuple[str, ...] = ()

    @property
    def public_b64(self) -> str:
        """The public key, 32 bytes in base64."""
        return self.public.b64

    @property
    def fingerprint(self) -> str:
        """See :attr:`PublicKey.fingerprint`."""
        return self.public.fingerprint

    def sign(self, message: bytes) -> bytes:
        """The signature of ``message``, 64 bytes (RFC 8032, 5.1.6); the same for the same message."""
        return self._private.sign(message)


def default_key_path() -> Path:
    """Where the workshop's key lies: what CYCLER_KEY names, else a file in the user's data directory."""
    named = os.environ.get(KEY_VARIABLE, "").strip()
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("packreturn", appauthor=False) / FILE_NAME


def key_from_seed(seed: bytes) -> SigningKey:
    """The key of a seed of 32 bytes (RFC 8032, 5.1.5). ValueError if it is of another length."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return _signing(Ed25519PrivateKey.from_private_bytes(seed))


def load_or_make_key(path: str | Path | None = None, passphrase: str | None = None) -> SigningKey:
    """The workshop's key; made if its file does not exist.

    Parameters
    ----------
    path : str or Path, optional
        The key file; :func:`default_key_path` if left out.
    passphrase : str, optional
        That of the file; the one in CYCLER_KEY_PASSPHRASE if left out. A new key is protected by it.

    Raises
    ------
    KeyLocked
        The file has a passphrase and this is not it, or there is none.
    InputError
        No key file, damaged, a key of another kind, a folder, not readable, or the folder cannot be written.

    Notes
    -----
    Two processes that make the key at the same moment end with the same one: the file gets its name once, whole and on
    the disk, and who comes second uses it.
    """
    path = _path(path)
    passphrase = _given(passphrase)
    if not _exists(path):
        _make(path, passphrase)
        key = load_key(path, passphrase)
        told = f"A new workshop key was made: {path} (fingerprint {key.fingerprint}). {LOST}"
        return SigningKey(key._private, key.public, key.path, key.protected, True, (told, *key.remarks))
    return load_key(path, passphrase)


def load_key(path: str | Path | None = None, passphrase: str | None = None, mend: bool = True) -> SigningKey:
    """The key of an existing file; ``mend`` takes away the rights of others to read it. See :func:`load_or_make_key`."""
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    path = _path(path)
    passphrase = _given(passphrase)
    raw = _bytes_of(path, "workshop key")
    block, protected = _private_block(raw, path)  # a file named by mistake keeps its rights
    remarks = mend_rights(path) if mend else ()
    if protected and passphrase is None:
        raise KeyLocked(
            "the workshop key has a passphrase", str(path), "none was given",
            f"type it when asked, or put it into the variable {PASSPHRASE_VARIABLE}",
        )
    try:
        private = load_pem_private_key(block, _as_bytes(passphrase) if protected and passphrase is not None else None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        if protected:
            raise KeyLocked(
                "the passphrase does not open the workshop key", str(path), "it is another one, or the file was damaged",
                "try again, or put a copy of the key file in its place",
            ) from None
        raise _damaged(path, "what stands in it is no private key") from None
    if not isinstance(private, Ed25519PrivateKey):
        kind = type(private).__name__.strip("_").removesuffix("PrivateKey")
        raise InputError(
            "the workshop key is of another kind", str(path), f"it is a key for {kind}, and records are sealed with Ed25519",
            "name another file with --key or CYCLER_KEY; one that does not exist is made",
        )
    key = _signing(private, path, protected, remarks)
    head = _HEAD.search(raw)
    if head and head[1].decode("ascii") != key.public_b64:
        raise _damaged(path, "the public key written above it belongs to another private key")
    return key


def own_public_key(path: str | Path | None = None) -> PublicKey | None:
    """The workshop's public key without its passphrase; None if there is no key file. InputError if it cannot be used. Nothing is mended."""
    path = _path(path)
    if not _exists(path):
        return None
    raw = _bytes_of(path, "workshop key")
    _block, protected = _private_block(raw, path)
    head = _HEAD.search(raw)
    if protected and head:
        key = public_key_of(head[1].decode("ascii"))
        if key is None:
            raise _damaged(path, "the public key written in it cannot be read")
        return key
    return load_key(path, mend=False).public


def is_protected(path: str | Path | None = None) -> bool:
    """Whether a key file has a passphrase. InputError if it is no key file."""
    path = _path(path)
    return _private_block(_bytes_of(path, "workshop key"), path)[1]


def mend_rights(path: str | Path | None = None) -> tuple[str, ...]:
    """Take away the rights of others to read a key file; what must be told of it. InputError if that cannot be done."""
    path = _path(path)
    mode = stat.S_IMODE(path.stat().st_mode) if os.name == "posix" else 0
    if not mode & _FOR_OTHERS:
        return ()
    try:
        os.chmod(path, _OWNER_ONLY)
    except OSError as error:
        raise InputError(
            "others can read the workshop key", str(path),
            f"its rights are {mode:04o} and cannot be changed ({error.strerror or 'no right to'})",
            "set them to 0600, or move the key to a folder of your own",
        ) from None
    return (
        f"Others could read the workshop key {path} (rights {mode:04o}); only you can now (0600). If somebody else may have "
        "copied it, make a new key and tell those who check your records.",
    )


def load_public_key(path: str | Path) -> PublicKey:
    """A public key that was exported (PEM); lines above and below its block are passed over.

    Raises
    ------
    InputError
        File missing, a private key, damaged, or a key of another kind.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_public_key

    path = Path(path)
    raw = _bytes_of(path, "public key")
    blocks = [(found[1], found[0]) for found in _BLOCK.finditer(raw)]
    if any(b"PRIVATE" in label for label, _ in blocks):
        raise InputError(
            "this is a private key", str(path), "a record is checked with the public half; the private one stays with its owner",
            "name a file that was made with: cycler key export FILE",
        )
    public = [block for label, block in blocks if label == b"PUBLIC KEY"]
    if len(public) != 1:
        found = f"{len(public)} public keys" if public else "no public key"
        raise InputError(
            "the file is no public key", str(path), f"{found} in PEM form stands in it",
            "name a file that was made with: cycler key export FILE",
        )
    try:
        key = load_pem_public_key(public[0])
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise InputError(
            "the public key cannot be read", str(path), "the file is damaged", "ask the workshop for it again",
        ) from None
    if not isinstance(key, Ed25519PublicKey):
        kind = type(key).__name__.strip("_").removesuffix("PublicKey")
        raise InputError(
            "the public key is of another kind", str(path), f"it is a key for {kind}, and records are sealed with Ed25519",
            "name a file that was made with: cycler key export FILE",
        )
    return PublicKey(key.public_bytes(Encoding.Raw, PublicFormat.Raw))


def protect_key(path: str | Path | None, passphrase: str | None, new: str | None) -> SigningKey:
    """Set, change or remove (``new`` None) the passphrase of a key file; the key stays the same.

    The new file takes the old one's place at once and is readable by its owner alone. InputError or KeyLocked as for
    :func:`load_or_make_key`; then the file stays as it was.
    """
    path = _path(path)
    if not _exists(path):
        raise _no_key_file(path)
    key = load_key(path, passphrase)
    target = path.resolve()  # a link to the key stays a link
    part = _written_part(target, _file_bytes(key, new))
    try:
        _check_part(part, target, key.public, new)
        os.replace(part, target)
        sync(target.parent)
    except OSError as error:
        raise _cannot_write(path, error) from None
    finally:
        _remove(part)
    return load_key(path, new if new is not None else "")


def check_passphrase(text: str) -> str:
    """A passphrase that can be used. InputError if it is empty, too long or holds what no keyboard types."""
    raw = _as_bytes(text)
    if not text.strip() or len(raw) > PASSPHRASE_MAX or b"\0" in raw:
        raise InputError(
            "the passphrase cannot be used", "passphrase",
            f"it has {len(raw)} bytes" if text.strip() else "it is empty", f"use 1 to {PASSPHRASE_MAX} bytes of text",
        )
    return text


def export_public_key(key: PublicKey, target: str | Path) -> Path:
    """Write a public key as PEM with its fingerprint above it. InputError if the file exists or cannot be written."""
    target = Path(target)
    text = (
        "Public key of a workshop, for checking its records: cycler verify RECORD --key THIS_FILE\n"
        "Compare the fingerprint with the workshop before you trust it.\n"
        f"Fingerprint: {key.fingerprint}\n{key.pem}"
    )
    part = _written_part(target, text.encode("ascii"), 0o644, "public key")
    try:
        name_file(part, target)
    except FileExistsError:
        raise InputError(
            "the file exists", str(target), "a file is never overwritten", "name another file, or move this one away",
        ) from None
    except OSError as error:
        raise _cannot_write(target, error, "public key") from None
    finally:
        _remove(part)
    return target


# --- the file ---------------------------------------------------------------------------------------------------


def _path(path: str | Path | None) -> Path:
    return Path(path) if path is not None else default_key_path()


def _given(passphrase: str | None) -> str | None:
    """The passphrase to use; "" stands for none at all."""
    if passphrase is None:
        passphrase = os.environ.get(PASSPHRASE_VARIABLE)
    return passphrase or None


def _as_bytes(text: str) -> bytes:
    # One keyboard writes a letter with its mark as one character, another as two.
    return unicodedata.normalize("NFC", text).encode("utf-8", "surrogateescape")


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):
        return True  # opening it tells what is wrong


def _signing(
    private: Ed25519PrivateKey, path: Path | None = None, protected: bool = False, remarks: tuple[str, ...] = (),
) -> SigningKey:
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    public = PublicKey(private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw))
    return SigningKey(private, public, path, protected, False, remarks)


def _file_bytes(key: SigningKey, passphrase: str | None) -> bytes:
    from cryptography.hazmat.primitives.serialization import (
        BestAvailableEncryption,
        Encoding,
        NoEncryption,
        PrivateFormat,
    )

    how = BestAvailableEncryption(_as_bytes(check_passphrase(passphrase))) if passphrase is not None else NoEncryption()
    pem = key._private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, how)
    head = f"Private key of the workshop; give it to nobody.\n{LOST}\nPublic key: {key.public_b64}\nFingerprint: {key.fingerprint}\n"
    return head.encode("ascii") + pem


def _make(path: Path, passphrase: str | None) -> None:
    """Make a key file, unless another process was quicker."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    if path == default_key_path() and not os.environ.get(KEY_VARIABLE):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _cannot_write(path, error) from None
    key = _signing(Ed25519PrivateKey.generate())
    part = _written_part(path, _file_bytes(key, passphrase))
    try:
        name_file(part, path)
        sync(path.parent)
    except FileExistsError:
        _wait_for_content(path)
    except OSError as error:
        raise _cannot_write(path, error) from None
    finally:
        _remove(part)


def _written_part(path: Path, content: bytes, mode: int = _OWNER_ONLY, what: str = "workshop key") -> Path:
    """``content`` beside ``path``, whole and on the disk, under a name of its own."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
        try:
            with os.fdopen(handle, "wb") as stream:
                if hasattr(os, "fchmod"):
                    os.fchmod(stream.fileno(), mode)  # whatever the mask of the process says
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        except BaseException:
            _remove(part)
            raise
    except (OSError, ValueError) as error:
        raise _cannot_write(path, error, what) from None
    return part


def _wait_for_content(path: Path) -> None:
    """Give a process that has just taken the name the time to put its key there."""
    end = time.monotonic() + _WAIT_S
    while time.monotonic() < end:
        with contextlib.suppress(OSError):
            if path.stat().st_size:
                return
        time.sleep(0.02)


def _remove(part: Path) -> None:
    with contextlib.suppress(OSError):
        part.unlink(missing_ok=True)


def _check_part(part: Path, path: Path, public: PublicKey, passphrase: str | None) -> None:
    """The new file must open and hold the same key before it takes the old one's place."""
    if load_key(part, passphrase if passphrase is not None else "").public != public:
        raise _damaged(path, "the key written anew is not the same")


def _bytes_of(path: Path, what: str) -> bytes:
    try:
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise InputError(f"the {what} is a folder", str(path), "a file is needed", "name the .pem file in it")
        if not stat.S_ISREG(kind):
            raise InputError(f"the {what} is no file", str(path), "it is a device or a pipe", "name a .pem file")
        with open(path, "rb") as stream:
            raw = stream.read(_FILE_MAX + 1)
    except FileNotFoundError:
        raise (_no_key_file(path) if what == "workshop key" else InputError(
            f"no such {what}", str(path), "the file does not exist", "check the name and folder",
        )) from None
    except OSError as error:
        raise InputError(
            f"cannot read the {what}", str(path), error.strerror or "read error", "check the name and the permissions",
        ) from None
    except ValueError:
        raise InputError(f"no such {what}", quote(path), "no file can have this name", "check the name") from None
    if len(raw) > _FILE_MAX:
        raise InputError(f"the file is no {what}", str(path), f"it has more than {_FILE_MAX} bytes", "name a .pem file")
    return raw


def _private_block(raw: bytes, path: Path) -> tuple[bytes, bool]:
    """The PEM block of a private key and whether it is encrypted."""
    blocks = [(found[1], found[0]) for found in _BLOCK.finditer(raw)]
    private = [(label, block) for label, block in blocks if b"PRIVATE" in label]
    if len(private) == 1:
        label, block = private[0]
        return block, label.startswith(b"ENCRYPTED") or b"ENCRYPTED" in block
    if private:
        raise _damaged(path, f"{len(private)} private keys stand in it")
    if any(b"PUBLIC" in label for label, _ in blocks):
        raise InputError(
            "this is a public key", str(path), "signing needs the private one", "name the file that: cycler key show tells",
        )
    raise _damaged(path, "it is empty" if not raw.strip() else "no private key in PEM form stands in it")


def _damaged(path: Path, why: str) -> InputError:
    return InputError(
        "the workshop key is damaged", str(path), why,
        "put a copy of the key file in its place; without one, move the file away and a new key is made, under another fingerprint",
    )


def _no_key_file(path: Path) -> InputError:
    return InputError(
        "there is no workshop key yet", str(path), "the file does not exist",
        "it is made with the first record, or now with: cycler key show --make",
    )


def _cannot_write(path: Path, error: Exception, what: str = "workshop key") -> InputError:
    why = getattr(error, "strerror", None) or quote(error)
    return InputError(f"cannot write the {what}", str(path), why, "make the folder, make room, or name another file")
