"""The local certificate authority: what a tablet trusts once, for ten years."""

from __future__ import annotations

import hashlib
import platform
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from trialog.errors import InvalidValueError
from trialog.web.tls.files import explained, make_folder, open_to_others, write_first, write_whole

KEPT = "authority.pem"
FOR_TABLETS = "trialog-ca.crt"
"""The certificate alone, for who installs it by cable or by a management tool."""

LIFETIME = timedelta(days=3652)
BACKDATED = timedelta(days=1)
"""A tablet's clock may be behind; common practice, no source."""

_ANEW = (
    "to make a new one, move the file away and start again; each tablet must then trust the new one"
)
_POWER = "who reads it can pose as any website to the tablets"
_SIGNS = x509.KeyUsage(
    digital_signature=False, content_commitment=False, key_encipherment=False,
    data_encipherment=False, key_agreement=False, key_cert_sign=True, crl_sign=True,
    encipher_only=False, decipher_only=False,
)  # fmt: skip
_UNREADABLE = (
    ValueError, TypeError, InvalidSignature, UnsupportedAlgorithm, x509.ExtensionNotFound
)  # fmt: skip


@dataclass(frozen=True)
class Authority:
    """A certificate authority with its private key."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey

    @property
    def for_tablets(self) -> bytes:
        """The certificate as a tablet installs it (DER): it holds no secret."""
        return self.certificate.public_bytes(serialization.Encoding.DER)

    @property
    def fingerprint(self) -> str:
        """The SHA-256 of the certificate, in pairs as browsers and tablets show it."""
        return hashlib.sha256(self.for_tablets).digest().hex(":").upper()

    @property
    def ends(self) -> datetime:
        """When the certificate ends."""
        return self.certificate.not_valid_after_utc


def open_authority(folder: Path, *, now: datetime) -> Authority:
    """Return the authority that a folder keeps; it is made at the first call.

    Raises
    ------
    InvalidValueError
        If what the folder keeps is broken, open to others, or has ended.
    """
    with explained(folder):
        make_folder(folder)
        path = folder / KEPT
        if not path.exists():
            write_first(path, _written(make_authority(now=now)))
        if open_to_others(path):
            rule = f"be readable by its owner only in {path} (chmod 600): {_POWER}"
            raise InvalidValueError("HTTPS authority", rule, f"{path.stat().st_mode & 0o777:o}")
        authority = _read(path)
        _require_current(authority, path, now)
        _lay_out(folder / FOR_TABLETS, authority.for_tablets)
    return authority


def make_authority(*, now: datetime) -> Authority:
    """Make an authority that may sign certificates of servers and nothing below them."""
    key = ec.generate_private_key(ec.SECP256R1())
    # The computer's name tells the authorities of two servers apart in a tablet's list.
    words = f"trialog on {platform.node()[:40] or 'this computer'}"
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, words)])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + LIFETIME)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_SIGNS, critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    return Authority(certificate, key)


def _written(authority: Authority) -> bytes:
    """Put key and certificate in one file, so that neither is ever there without the other."""
    key = authority.key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),  # the server starts without anybody to type a password
    )
    return key + authority.certificate.public_bytes(serialization.Encoding.PEM)


def _read(path: Path) -> Authority:
    content = path.read_bytes()
    try:
        key = serialization.load_pem_private_key(content, password=None)
        certificate = x509.load_pem_x509_certificate(content)
        constraints = certificate.extensions.get_extension_for_class(x509.BasicConstraints)
        certificate.verify_directly_issued_by(certificate)
    except _UNREADABLE as error:
        raise _broken(path) from error
    if not isinstance(key, ec.EllipticCurvePrivateKey) or not constraints.value.ca:
        raise _broken(path)
    if key.public_key() != certificate.public_key():
        raise _broken(path)
    return Authority(certificate, key)


def _broken(path: Path) -> InvalidValueError:
    rule = f"be whole in {path}, a key and the certificate that belongs to it; {_ANEW}"
    return InvalidValueError("HTTPS authority", rule, f"{path.stat().st_size} bytes that are not")


def _require_current(authority: Authority, path: Path, now: datetime) -> None:
    begins = authority.certificate.not_valid_before_utc
    if now < begins:
        rule = f"have begun ({path} does on {begins:%Y-%m-%d}); set this computer's clock"
        raise InvalidValueError("HTTPS authority", rule, f"{now:%Y-%m-%d}")
    if now >= authority.ends:
        rule = f"not have ended ({path} did on {authority.ends:%Y-%m-%d}); {_ANEW}"
        raise InvalidValueError("HTTPS authority", rule, f"{now:%Y-%m-%d}")


def _lay_out(path: Path, content: bytes) -> None:
    if not path.is_file() or path.read_bytes() != content:
        write_whole(path, content, mode=0o644)
