"""Seal and signature: a record that was sealed long ago still holds, and no byte of its files can be changed unnoticed."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519

from specimeter.errors import RecordError
from specimeter.record import folder, log, seal

SEALED = Path(__file__).parent / "sealed"  # written once, by the version of the seal that its issue.json names
KEY = ed25519.Ed25519PrivateKey.from_private_bytes(hashlib.sha256(b"a key for tests only").digest())
PUBLIC = KEY.public_key().public_bytes_raw().hex()


@pytest.fixture
def sealed(tmp_path):
    """A copy that may be damaged."""
    return shutil.copytree(SEALED, tmp_path / "sealed")


def resum(path: Path) -> None:
    """SHA256SUMS made to fit what is there: what somebody would do who changes a file on purpose."""
    (path / folder.SUMS).write_bytes(folder.sums({p.name: p.read_bytes() for p in path.iterdir() if p.name != folder.SUMS}))


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def noticed(path: Path) -> list[str]:
    """What a reader is told; a record that cannot be read is told by its error."""
    try:
        read = folder.read(path)
    except RecordError as error:
        return [str(error)]
    return [*folder.faults(read), *seal.faults(read)[0]]


def test_the_kept_record_still_holds():
    """Files, log, seal and signature of a record written before; the signature also by the library alone."""
    read = folder.read(SEALED)
    assert folder.faults(read) == []
    assert seal.faults(read, PUBLIC) == ([], f"issued as R-1, revision 1; signed by the Ed25519 key {seal.fingerprint(PUBLIC)}")
    signature = json.loads((SEALED / "issue.sig").read_bytes())
    message = b"specimeter-issue-signature-1\0" + (SEALED / "issue.json").read_bytes()
    public = ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(PUBLIC))
    public.verify(bytes.fromhex(signature["signature"]), message)  # raises where it does not hold
    assert json.loads((SEALED / "issue.json").read_bytes())["log_head"] == read.record.log[-1].hash


@pytest.mark.parametrize("name", ["record.json", "issue.json", "issue.sig", "p1.png"])
def test_every_byte_matters_and_its_file_is_named(name):
    """One bit of every byte flipped: the sums tell which file."""
    listing = (SEALED / folder.SUMS).read_bytes()
    there = {path.name: sha256(path.read_bytes()) for path in SEALED.iterdir() if path.name != folder.SUMS}
    assert folder.unlike_listing(listing, there) == []
    content = bytearray((SEALED / name).read_bytes())
    for place in range(len(content)):
        content[place] ^= 1 << (place % 8)
        (told,) = folder.unlike_listing(listing, {**there, name: sha256(content)})
        assert told.startswith(name)
        content[place] ^= 1 << (place % 8)


def test_every_byte_of_the_sums_matters():
    """A hash that is another, a name that is not there, a line that is none: each is told."""
    content = bytearray((SEALED / folder.SUMS).read_bytes())
    there = {path.name: sha256(path.read_bytes()) for path in SEALED.iterdir() if path.name != folder.SUMS}
    for place in range(len(content)):
        content[place] ^= 1 << (place % 8)
        assert folder.unlike_listing(bytes(content), there)
        content[place] ^= 1 << (place % 8)


@pytest.mark.parametrize("name", ["record.json", "issue.json", "issue.sig", "p1.png", "SHA256SUMS"])
def test_a_changed_byte_on_disk_is_noticed(sealed, name):
    """The same through the folder."""
    content = bytearray((sealed / name).read_bytes())
    content[len(content) // 2] ^= 1
    (sealed / name).write_bytes(content)
    assert folder.sums_faults(sealed)


@pytest.mark.parametrize("name", ["record.json", "issue.json", "issue.sig"])
def test_sums_that_were_made_to_fit_do_not_help(sealed, name):
    """Bytes all over with SHA256SUMS rewritten: the seal, the signature or the record's own checks notice; no other error."""
    content = (sealed / name).read_bytes()
    for place in range(0, len(content), 23 if name == "record.json" else 3):
        changed = bytearray(content)
        changed[place] ^= 1 << (place % 8)
        (sealed / name).write_bytes(changed)
        resum(sealed)
        if name == "issue.sig" and json.loads(content) == _json(bytes(changed)):
            continue  # a capital hexadecimal digit or another blank: the same signature
        assert noticed(sealed), place


def _json(data: bytes):
    try:
        table = json.loads(data)
        return {key: value.lower() if key in ("public_key", "signature") else value for key, value in table.items()}
    except (ValueError, AttributeError):
        return None


def test_another_photograph_is_noticed(sealed):
    """Even with fitting sums and a seal made again without the key."""
    (sealed / "p1.png").write_bytes(b"another picture")
    resum(sealed)
    told = noticed(sealed)
    assert any("p1.png is not the photograph that was measured" in one for one in told)
    assert any("the hash of p1.png is another one" in one for one in told)


def test_a_seal_made_again_with_another_key_is_told(sealed):
    """Whoever changes everything and signs anew is found by the key that must have signed."""
    read = folder.read(sealed)
    contents = {p.name: p.read_bytes() for p in sealed.iterdir() if p.name not in ("SHA256SUMS", "issue.json", "issue.sig")}
    other = ed25519.Ed25519PrivateKey.from_private_bytes(hashlib.sha256(b"another key").digest())
    for name, data in seal.files(read.record, contents, other).items():
        (sealed / name).write_bytes(data)
    resum(sealed)
    assert seal.faults(folder.read(sealed))[0] == []
    assert "another key" in seal.faults(folder.read(sealed), PUBLIC)[0][0]


@pytest.mark.parametrize("name", ["issue.json", "p1.png", "record.json"])
def test_a_missing_file_is_named(sealed, name):
    """The sums list it, and it is not there."""
    (sealed / name).unlink()
    assert any(name in one for one in noticed(sealed))


def test_a_signature_taken_away_is_noticed(sealed):
    """By the sums; with fitting sums by whoever knows that it must be signed."""
    (sealed / "issue.sig").unlink()
    assert any("issue.sig is missing" in one for one in noticed(sealed))
    resum(sealed)
    told, words = seal.faults(folder.read(sealed), PUBLIC)
    assert (told, words) == (["it is not signed, and a key was given to check by"], "issued as R-1, revision 1; not signed")


def test_a_file_put_in_is_noticed(sealed):
    """Nothing joins a record unseen."""
    (sealed / "notes.txt").write_bytes(b"x")
    assert folder.sums_faults(sealed) == ["notes.txt is not listed in SHA256SUMS: it was added afterwards"]
    with pytest.raises(RecordError, match=r"notes\.txt"):
        folder.sound(sealed)


@pytest.mark.parametrize("name", [".DS_Store", "Thumbs.db", "desktop.ini", "~$features.xlsx", ".~lock.features.csv#"])
def test_what_a_desktop_leaves_is_no_fault(sealed, name):
    """A folder that was only looked at is as it was written."""
    (sealed / name).write_bytes(b"x")
    assert folder.sums_faults(sealed) == []
    assert noticed(sealed) == []


def test_the_sums_are_what_sha256sum_reads():
    """GNU coreutils: hash, two blanks, name, newline; by hashlib."""
    for line in (SEALED / "SHA256SUMS").read_text().splitlines():
        sha256, name = line.split("  ")
        assert hashlib.sha256((SEALED / name).read_bytes()).hexdigest() == sha256


def test_the_log_of_the_kept_record_is_chained():
    """The vector holds the chain as it was written."""
    assert log.faults(json.loads((SEALED / "record.json").read_bytes())) == []


def test_keys_are_read_from_pem_and_others_refused(tmp_path):
    """An Ed25519 key in PKCS 8; another curve, an encrypted one, no key and no file are named."""
    pem, pkcs8, plain = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    (tmp_path / "key.pem").write_bytes(KEY.private_bytes(pem, pkcs8, plain))
    public = KEY.public_key().public_bytes(pem, serialization.PublicFormat.SubjectPublicKeyInfo)
    (tmp_path / "public.pem").write_bytes(public)
    assert seal.private_key(tmp_path / "key.pem").private_bytes_raw() == KEY.private_bytes_raw()
    assert seal.public_key(tmp_path / "public.pem") == PUBLIC
    (tmp_path / "ec.pem").write_bytes(ec.generate_private_key(ec.SECP256R1()).private_bytes(pem, pkcs8, plain))
    (tmp_path / "locked.pem").write_bytes(KEY.private_bytes(pem, pkcs8, serialization.BestAvailableEncryption(b"secret")))
    (tmp_path / "none.pem").write_bytes(b"no key")
    for name in ("ec.pem", "locked.pem", "none.pem", "absent.pem", "public.pem"):
        with pytest.raises(seal.SignatureError, match=name):
            seal.private_key(tmp_path / name)
