"""An issued record's seal: ``issue.json`` names the hash of every file, and ``issue.sig`` may sign it with Ed25519.

What is signed is the type tag ``specimeter-issue-signature-1``, a zero byte and the exact bytes of ``issue.json``. Whose key it
is must be known by other means: `check --key` compares it with one that is.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from specimeter.errors import RecordError, SpecimeterError
from specimeter.record.folder import SUMS, Folder, of_the_system
from specimeter.record.model import Record

SEAL, SIGNATURE = "issue.json", "issue.sig"
TAG = b"specimeter-issue-signature-1\0"
_NOT_SEALED = {SUMS, SEAL, SIGNATURE}


class SignatureError(SpecimeterError, ValueError):
    """A key cannot be read, or signing is not installed."""


def check_unsealed(folder: Path) -> None:
    """Refuse to put another record in the place of an issued one, readable or not. Raises RecordError."""
    if (folder / SEAL).is_file():
        raise RecordError(
            "the record was issued and is frozen, and another one cannot take its place",
            file=folder,
            expected="a record that is not issued",
            mend="give the specimen another id or another --out folder; or begin a new revision of the issued record: "
            "specimeter issue RECORD --amend --why REASON --by NAME",
        )


def content(record: Record, sha256_of: Mapping[str, str]) -> bytes:
    """``issue.json`` of an issued record; `sha256_of`: every file of the folder, ``record.json`` among them."""
    assert record.issue is not None
    data = {
        "type": "specimeter-issue",
        "version": 1,
        "specimen": record.id,
        "number": record.issue.number,
        "revision": record.issue.revision,
        "issued": record.issue.when,
        "issued_by": record.issue.by,
        "authorised_by": record.issue.authorised_by,
        "log_head": record.log[-1].hash,
        "photos": {photo.id: photo.sha256 for photo in record.photos},
        "files": {name: sha256_of[name] for name in sorted(sha256_of) if name not in _NOT_SEALED},
    }
    if record.amends is not None:
        data["amends_sha256"] = record.amends.sha256
    return json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False).encode() + b"\n"


def files(record: Record, contents: Mapping[str, bytes], key: Any = None) -> dict[str, bytes]:
    """The seal's files for these contents of the folder; signed where a private key is given."""
    seal = content(record, {name: hashlib.sha256(data).hexdigest() for name, data in contents.items()})
    return {SEAL: seal} if key is None else {SEAL: seal, SIGNATURE: _signature(key, seal)}


def private_key(file: str | Path, password: bytes | None = None) -> Any:
    """An Ed25519 private key from a PEM file, such as ``openssl genpkey -algorithm ed25519`` makes.

    Raises
    ------
    SignatureError
        It cannot be read, is of another kind, or ``cryptography`` is not installed.
    """
    serialization, ed25519 = _cryptography()
    return _loaded(
        file,
        lambda data: serialization.load_pem_private_key(data, password=password),
        ed25519.Ed25519PrivateKey,
        "an Ed25519 private key in PEM, as `openssl genpkey -algorithm ed25519` makes it",
    )


def public_key(file: str | Path) -> str:
    """An Ed25519 public key from a PEM file, as 64 hexadecimal digits. Raises as `private_key`."""
    serialization, ed25519 = _cryptography()
    key = _loaded(
        file,
        serialization.load_pem_public_key,
        ed25519.Ed25519PublicKey,
        "an Ed25519 public key in PEM, as `openssl pkey -pubout` makes it",
    )
    return key.public_bytes_raw().hex()


def faults(folder: Folder, key: str | None = None) -> tuple[list[str], str]:
    """What is wrong with the seal, in sentences, and a line on the signature; `key`: the public key that must have signed."""
    record = folder.record
    there = {name: (folder.path / name).is_file() for name in (SEAL, SIGNATURE)}
    if record.issue is None:
        return [
            f"{name} is there, but the record was never issued" for name, is_there in there.items() if is_there
        ], "not issued"
    if not there[SEAL]:
        return [f"{SEAL} is missing: the record says that it was issued"], "no seal"
    seal = (folder.path / SEAL).read_bytes()
    hashes = {
        entry.name: hashlib.sha256(entry.read_bytes()).hexdigest()
        for entry in folder.path.iterdir()
        if entry.is_file() and not of_the_system(entry.name)
    }
    told = [f"{SEAL} does not fit the folder: {what}" for what in _unlike(seal, content(record, hashes))]
    issued = f"issued as {record.issue.number}, revision {record.issue.revision}; "
    if not there[SIGNATURE]:
        return told + (["it is not signed, and a key was given to check by"] if key else []), f"{issued}not signed"
    try:
        signer = _verified((folder.path / SIGNATURE).read_bytes(), seal)
    except SignatureError as error:
        return [*told, error.problem], "signature not verified"
    if key is not None and signer != key:
        told.append(f"{SIGNATURE} is by another key, {fingerprint(signer)}, than the one given, {fingerprint(key)}")
    return told, f"{issued}signed by the Ed25519 key {fingerprint(signer)}"


def fingerprint(public: str) -> str:
    """The first 16 hexadecimal digits of SHA-256 over the raw public key: short enough to read out."""
    return hashlib.sha256(bytes.fromhex(public)).hexdigest()[:16]


def _signature(key: Any, seal: bytes) -> bytes:
    data = {
        "type": "specimeter-signature",
        "algorithm": "Ed25519",
        "public_key": key.public_key().public_bytes_raw().hex(),
        "signature": key.sign(TAG + seal).hex(),
    }
    return json.dumps(data, indent=1).encode() + b"\n"


def _verified(signature: bytes, seal: bytes) -> str:
    """The public key whose signature over the seal holds; SignatureError if it does not."""
    _, ed25519 = _cryptography()
    from cryptography.exceptions import InvalidSignature

    try:
        data = json.loads(signature)
        if (data["type"], data["algorithm"]) != ("specimeter-signature", "Ed25519") or len(data) != 4:
            raise ValueError("another kind of signature")
        public = data["public_key"]
        ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(data["signature"]), TAG + seal)
    except InvalidSignature as error:
        raise SignatureError(f"{SIGNATURE} does not hold: {SEAL} or the signature was changed") from error
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise SignatureError(f"{SIGNATURE} is damaged ({error})") from error
    return public.lower()


def _unlike(seal: bytes, expected: bytes) -> list[str]:
    """In what a seal is not the expected one."""
    if seal == expected:
        return []
    try:
        data, wanted = json.loads(seal), json.loads(expected)
        names = {name: (data.get(name), wanted.get(name)) for name in {**data, **wanted} if name != "files"}
        names |= {
            f"the hash of {name}": (data.get("files", {}).get(name), wanted["files"].get(name))
            for name in {**data.get("files", {}), **wanted["files"]}
        }
        told = [f"{name} is another one" for name, (one, other) in names.items() if one != other]
    except (ValueError, AttributeError, TypeError, RecursionError):
        told = ["it is damaged"]
    return told or ["it is written in another way"]


def _loaded(file: str | Path, load: Any, kind: type, expected: str) -> Any:
    try:
        key = load(Path(file).read_bytes())
    except OSError as error:
        raise SignatureError(f"the key cannot be read ({error.strerror})", file=file, expected=expected) from error
    except (ValueError, TypeError) as error:
        raise SignatureError(f"this is no key that can be read ({error})", file=file, expected=expected) from error
    except Exception as error:  # the library names kinds of key that it does not know by an exception of its own
        raise SignatureError(f"this key cannot be used ({error})", file=file, expected=expected) from error
    if not isinstance(key, kind):
        raise SignatureError(f"the key is of another kind: {type(key).__name__}", file=file, expected=expected)
    return key


def _cryptography() -> tuple[Any, Any]:
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError as error:
        raise SignatureError(
            "signatures need the library cryptography, which is not installed", mend="pip install 'specimeter[sign]'"
        ) from error
    return serialization, ed25519
