"""The signing key: the published vectors of RFC 8032, made once and for its owner alone, brought by a maker."""

from __future__ import annotations

import hashlib
import json
import shutil
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.reports import verify_history, write_history
from herdbook.pipeline.store import signing_key
from herdbook.pipeline.store.signing_key import holds, private_key, public_key
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import Catalogue

# RFC 8032, section 7.1, tests 1 to 3: secret key, public key, message, signature
VECTORS = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
        "387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc659"
        "4a7c15e9716ed28dc027beceea1ec40a",
    ),
)


@pytest.mark.parametrize(("secret", "public", "message", "signature"), VECTORS)
def test_signatures_are_those_of_the_rfc(secret: str, public: str, message: str, signature: str) -> None:
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert key.public_key().public_bytes_raw().hex() == public
    assert key.sign(bytes.fromhex(message)).hex() == signature
    assert holds(public, signature, bytes.fromhex(message))
    assert not holds(public, signature, bytes.fromhex(message) + b"x")
    order = 2**252 + 27742317777372353535851937790883648493  # section 5.1.7: S must be under the order, or refused
    half = int.from_bytes(bytes.fromhex(signature[64:]), "little") + order
    assert not holds(public, signature[:64] + half.to_bytes(32, "little").hex(), bytes.fromhex(message))


@pytest.fixture
def small(tmp_path: Path) -> Store:
    book = Catalogue(tmp_path)
    book.vehicle("VX-030")
    return book.close()


def test_the_key_is_made_once_and_for_its_owner_alone(small: Store) -> None:
    key = small.folder / signing_key.PRIVATE
    first = private_key(small)
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert private_key(small).private_bytes_raw() == first.private_bytes_raw()
    assert (small.folder / signing_key.PUBLIC).read_text().strip() == public_key(small)
    assert not [p for p in small.folder.iterdir() if p.name.endswith(".tmp")]


def test_a_published_key_that_is_no_text_any_more_is_written_anew(small: Store) -> None:
    private_key(small)
    published = small.folder / signing_key.PUBLIC
    published.write_bytes(b"\xff" + published.read_bytes()[1:])  # a flipped bit
    private_key(small)
    assert published.read_text("ascii").strip() == public_key(small)


def test_a_maker_brings_a_key(small: Store, tmp_path: Path) -> None:
    own = Ed25519PrivateKey.generate()
    form, plain = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    (tmp_path / "desk.pem").write_bytes(own.private_bytes(serialization.Encoding.PEM, form, plain))
    (tmp_path / "desk.pem").chmod(0o640)
    store = _with(small, key=str(tmp_path / "desk.pem"))
    path = write_history(store, "VX-030", tmp_path / "h.json", "json")
    assert json.loads(path.read_text())["public_key"] == own.public_key().public_bytes_raw().hex()
    pem = own.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    (tmp_path / "desk.pub").write_bytes(pem)
    assert verify_history(None, path, str(tmp_path / "desk.pub")).ok
    (tmp_path / "desk.pem").chmod(0o644)
    with pytest.raises(SettingsError, match="everybody may read"):
        private_key(store)
    (tmp_path / "desk.pem").chmod(0o600)
    (tmp_path / "desk.pem").write_text("no key")
    with pytest.raises(SettingsError, match="no Ed25519 private key"):
        private_key(store)


@pytest.mark.parametrize("given", ["", "abc", "0" * 63, "g" * 64, "x" * 5000])
def test_a_key_that_is_none_is_named(given: str) -> None:
    with pytest.raises(SettingsError, match="no Ed25519 public key"):
        signing_key.read_public_key(given)


def test_a_time_stamp_is_asked_for_only_when_a_command_is_named(small: Store, tmp_path: Path) -> None:
    """The command is given the file's hash; what it answers lies beside the file."""
    path = write_history(small, "VX-030", tmp_path / "h.html")
    assert not path.with_name("h.html.tsr").exists()
    script = "import sys; sys.stdout.write('stamped ' + sys.argv[1])"
    path = write_history(_with(small, time_stamp=[sys.executable, "-c", script]), "VX-030", tmp_path / "h.html")
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    assert path.with_name("h.html.tsr").read_text() == f"stamped {digest}"
    with pytest.raises(SettingsError, match="written and signed, but"):
        write_history(_with(small, time_stamp=[sys.executable, "-c", "raise SystemExit(3)"]), "VX-030", tmp_path)
    with pytest.raises(SettingsError, match="is not known"):
        private_key(_with(small, stamp="x"))


OPENSSL = shutil.which("openssl")
AUTHORITY = """
[tsa]
default_tsa = here
[here]
serial = {folder}/serial
signer_cert = {folder}/tsa.pem
signer_key = {folder}/tsa.key
certs = {folder}/ca.pem
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
ess_cert_id_alg = sha256
[stamping]
extendedKeyUsage = critical,timeStamping
keyUsage = critical,digitalSignature
"""
SCRIPT = """#!/bin/sh
openssl ts -query -digest "$1" -sha256 -cert -out {folder}/asked.tsq &&
openssl ts -reply -config {folder}/authority.cnf -queryfile {folder}/asked.tsq
"""


def _openssl(folder: Path, line: str) -> subprocess.CompletedProcess[bytes]:
    words = line.format(folder=folder).split()
    return subprocess.run(["openssl", *words], cwd=folder, capture_output=True, check=False)


@pytest.fixture
def authority(tmp_path: Path) -> Path:
    """A time authority of our own, in a folder: its root, its certificate, and a command that asks it."""
    folder = tmp_path / "authority"
    folder.mkdir()
    (folder / "serial").write_text("01\n")
    (folder / "authority.cnf").write_text(AUTHORITY.format(folder=folder))
    (folder / "stamp").write_text(SCRIPT.format(folder=folder))
    (folder / "stamp").chmod(0o700)
    for line in (
        "req -x509 -newkey rsa:2048 -nodes -subj /CN=root -days 2 -keyout ca.key -out ca.pem",
        "req -newkey rsa:2048 -nodes -subj /CN=clock -keyout tsa.key -out tsa.csr",
        "x509 -req -in tsa.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile authority.cnf "
        "-extensions stamping -out tsa.pem",
    ):
        done = _openssl(folder, line)
        assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.skipif(not OPENSSL, reason="openssl is not installed")
def test_a_time_authority_attests_a_history(small: Store, tmp_path: Path, authority: Path) -> None:
    """RFC 3161 with a real authority: its answer holds for the file as it is, and for no other one."""
    path = write_history(_with(small, time_stamp=[str(authority / "stamp")]), "VX-030", tmp_path / "h.html")
    check = f"ts -verify -data {path} -in {path}.tsr -CAfile {authority}/ca.pem -untrusted {authority}/tsa.pem"
    assert _openssl(authority, check).returncode == 0
    said = _openssl(authority, f"ts -reply -in {path}.tsr -text").stdout.decode()
    assert "Status: Granted." in said
    assert "Time stamp: " in said
    path.write_bytes(path.read_bytes().replace(b"VX-030", b"VX-031", 1))
    assert _openssl(authority, check).returncode != 0


@pytest.mark.skipif(not OPENSSL, reason="openssl is not installed")
def test_an_answer_that_says_no_is_no_time_stamp(small: Store, tmp_path: Path, authority: Path) -> None:
    """An authority refuses in a well-formed answer, and openssl is content with having one."""
    config = authority / "authority.cnf"
    config.write_text(config.read_text().replace("digests = sha256", "digests = sha512"))
    with pytest.raises(SettingsError, match=r"written and signed, but .* the time authority refused"):
        write_history(_with(small, time_stamp=[str(authority / "stamp")]), "VX-030", tmp_path / "h.html")
    assert not (tmp_path / "h.html.tsr").exists()


@pytest.mark.skipif(not OPENSSL, reason="openssl is not installed")
def test_a_time_authority_that_fails_costs_the_stamp_alone(small: Store, tmp_path: Path, authority: Path) -> None:
    (authority / "tsa.key").unlink()
    with pytest.raises(SettingsError, match=r"written and signed, but \[sign\] time_stamp gave no time stamp"):
        write_history(_with(small, time_stamp=[str(authority / "stamp")]), "VX-030", tmp_path / "h.html")
    assert (tmp_path / "h.html").exists()
    assert not (tmp_path / "h.html.tsr").exists()


def _with(store: Store, **sign: Any) -> Store:
    return Store(store.folder, replace(store.settings, other={"sign": sign}))
