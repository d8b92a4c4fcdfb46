"""The key a store signs with: Ed25519 (RFC 8032), made at first use or brought by the maker.

    [sign]
    key = "/srv/keys/desk.pem"          # a private key (PKCS 8, PEM, no password); else signing.key in the store
    time_stamp = ["/srv/bin/stamp"]     # run with the SHA-256 of each written file; what it prints is kept: see stamp()

The private key never leaves its file, and nobody but its owner may read it. The public key is for everybody: it lies
beside it as signing.pub, stands in every history, and `herdbook store key` prints it. A maker's own key comes from
`openssl genpkey -algorithm ed25519 -out desk.pem`.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
from contextlib import suppress
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import SettingsError, StoreError
from herdbook.pipeline.operating_system import open_to_all, set_rights
from herdbook.pipeline.settings import FILE
from herdbook.pipeline.store.whole_file import whole

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from herdbook.pipeline.store.store import Store

PRIVATE, PUBLIC = "signing.key", "signing.pub"  # in the store's folder
STAMP_S = 60.0  # a time authority that does not answer must not hold up a desk


@dataclass(frozen=True, slots=True)
class SignSettings:
    """The [sign] table, checked."""

    key: str = ""
    time_stamp: tuple[str, ...] = ()


def sign_settings(store: Store) -> SignSettings:
    """Raises: SettingsError naming file, key and what is expected."""
    path, table = store.folder / FILE, store.settings.other.get("sign", {})
    known = [f.name for f in fields(SignSettings)]
    if strange := [key for key in table if key not in known]:
        raise SettingsError(f"[sign] {strange[0]} is not known", path, f"Known there: {', '.join(known)}")
    key, command = table.get("key", ""), table.get("time_stamp", [])
    if not isinstance(key, str):
        raise SettingsError("[sign] key is not a file name", path, 'Write key = "/srv/keys/desk.pem"')
    if not isinstance(command, list) or not all(isinstance(word, str) for word in command):
        raise SettingsError("[sign] time_stamp is not a command", path, 'Write time_stamp = ["/srv/bin/stamp"]')
    return SignSettings(key, tuple(command))


def private_key(store: Store) -> Ed25519PrivateKey:
    """The key to sign with; the store's own is made when there is none. Raises: SettingsError, StoreError."""
    own = sign_settings(store).key
    path = store.folder / (own or PRIVATE)
    if not own and not path.exists():
        _make(path)
    key = _read(path)
    _publish(store, key)
    return key


def public_key(store: Store) -> str:
    """64 hexadecimal digits; "" while the store has no key. Whoever may not read the private key finds signing.pub."""
    path = store.folder / (sign_settings(store).key or PRIVATE)
    try:
        return _hex(_read(path)) if path.exists() else ""
    except StoreError:
        with suppress(OSError, ValueError):
            return (store.folder / PUBLIC).read_text("ascii").strip()
        raise


def read_public_key(given: str) -> str:
    """A public key as a person gives it: 64 hexadecimal digits, or a file that holds them or a PEM key.

    Raises: SettingsError.
    """
    text = given.strip()
    with suppress(OSError, ValueError):  # a long text is no file name
        text = Path(given).read_bytes().decode("ascii").strip()
    with suppress(ValueError, TypeError):
        if text.startswith("-----BEGIN PUBLIC KEY-----"):
            return _raw_of_pem(text)
        if len(bytes.fromhex(text)) == 32 and len(text) == 64:
            return text.lower()
    do = "Give 64 hexadecimal digits as `herdbook store key` prints them, or a file that holds them"
    raise SettingsError(f"--public-key {given[:80]!r} is no Ed25519 public key", do=do)


def holds(public: str, signature: str, message: bytes) -> bool:
    """Whether the signature (hexadecimal) over the message was made with the key that belongs to this public one."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True


def stamp(store: Store, file: Path) -> Path | None:
    """Have the time of a written file attested (RFC 3161), where [sign] time_stamp names a command.

    The command is run with one more word, the SHA-256 of the file in hexadecimal; what it prints (a TimeStampResp) is
    kept beside the file as FILE.tsr. None: no command is named, and nothing was asked of anybody. A shell script of
    two lines does it: openssl ts -query -digest "$1" -sha256 -cert, sent to the authority of your choice; later
    `openssl ts -verify -data FILE -in FILE.tsr -CAfile AUTHORITY.pem` proves that the file existed at the time named.
    Raises: SettingsError when the command fails; the file stands.
    """
    command = sign_settings(store).time_stamp
    if not command:
        return None
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    what = f"{file.name} is written and signed, but [sign] time_stamp gave no time stamp"
    try:
        done = subprocess.run([*command, digest], capture_output=True, timeout=STAMP_S, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        said = f"took over {STAMP_S:.0f} s" if isinstance(error, subprocess.TimeoutExpired) else error.strerror
        raise SettingsError(f"{what} ({command[0]}: {said})", store.folder / FILE, "Correct the command") from None
    if done.returncode or not done.stdout:
        said = f"exit code {done.returncode}, {len(done.stdout)} bytes"
        raise SettingsError(f"{what} ({command[0]}: {said})", store.folder / FILE, "Correct the command")
    if _refuses(done.stdout):
        do = "Ask it why: openssl ts -reply -in ANSWER -text"
        raise SettingsError(f"{what} ({command[0]}: the time authority refused)", store.folder / FILE, do)
    made = file.with_name(file.name + ".tsr")
    with whole(made) as draft:
        draft.write_bytes(done.stdout)
    return made


def _refuses(answer: bytes) -> bool:
    """Whether a TimeStampResp says that no stamp was granted: its status is neither 0 nor 1 (RFC 3161, 2.4.2)."""
    inner = _inside(_inside(answer))
    return inner[:2] == b"\x02\x01" and inner[2:3] > b"\x01"


def _inside(der: bytes) -> bytes:
    """What a DER sequence holds; nothing where it is none."""
    if der[:1] != b"\x30" or len(der) < 2:
        return b""
    return der[2 + (der[1] & 0x7F if der[1] & 0x80 else 0) :]


def _make(path: Path) -> None:
    """A new key, whole or not at all; who comes second takes the first one's."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    form, plain = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    pem = Ed25519PrivateKey.generate().private_bytes(serialization.Encoding.PEM, form, plain)
    draft = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        draft.unlink(missing_ok=True)
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(pem)
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileExistsError):
            os.link(draft, path)
    except OSError as error:
        do = "Make room or check the rights: a history is signed with it"
        raise StoreError(f"the signing key cannot be made ({error.strerror})", path, do) from None
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)


def _read(path: Path) -> Ed25519PrivateKey:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        open_to = open_to_all(path)
        pem = path.read_bytes()
    except OSError as error:
        do = "Histories are signed by who may read it; see [sign] key in herdbook.toml"
        raise StoreError(f"the signing key cannot be read ({error.strerror})", path, do) from None
    if open_to:
        raise SettingsError("everybody may read the signing key", path, f"Take the rights away: chmod 600 {path}")
    try:
        key = load_pem_private_key(pem, None)
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        do = "Make one: openssl genpkey -algorithm ed25519 -out FILE"
        raise SettingsError("is no Ed25519 private key without password", path, do)
    return key


def _hex(key: Ed25519PrivateKey) -> str:
    return key.public_key().public_bytes_raw().hex()


def _publish(store: Store, key: Ed25519PrivateKey) -> None:
    """Keep signing.pub what it should be, where the folder can be written."""
    path, text = store.folder / PUBLIC, _hex(key) + "\n"
    with suppress(OSError, ValueError):  # not there, or not even text any more
        if path.read_text("ascii") == text:
            return
    with suppress(StoreError), whole(path) as draft:
        draft.write_text(text, "ascii")
        set_rights(draft, 0o644)


def _raw_of_pem(text: str) -> str:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    key = load_pem_public_key(text.encode("ascii"))
    if not isinstance(key, Ed25519PublicKey):
        raise ValueError
    return key.public_bytes_raw().hex()
