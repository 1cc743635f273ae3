"""The server's certificate: signed by the local authority, for a year and a month at most."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from trialog.web.tls.authority import BACKDATED, Authority
from trialog.web.tls.files import open_to_others, write_whole
from trialog.web.tls.hostnames import HostNames

KEPT = "server.pem"
LIFETIME = timedelta(days=397)
"""From its first to its last second: the most that browsers take; common practice."""

RENEWED_BEFORE_END = timedelta(days=30)
_LONGEST_COMMON_NAME = 64
_SERVES = x509.KeyUsage(
    digital_signature=True, content_commitment=False, key_encipherment=False,
    data_encipherment=False, key_agreement=False, key_cert_sign=False, crl_sign=False,
    encipher_only=False, decipher_only=False,
)  # fmt: skip


@dataclass(frozen=True)
class Issued:
    """A certificate with its private key."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey


def issue(authority: Authority, host: HostNames, *, now: datetime) -> Issued:
    """Make a key, and a certificate of it for a computer's names and addresses."""
    key = ec.generate_private_key(ec.SECP256R1())
    begins = now - BACKDATED
    issuer = authority.certificate
    certificate = (
        x509.CertificateBuilder()
        .subject_name(_subject(host))
        .issuer_name(issuer.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(max(begins, issuer.not_valid_before_utc))
        # The last second counts, and what outlives its issuer is refused.
        .not_valid_after(min(begins + LIFETIME - timedelta(seconds=1), issuer.not_valid_after_utc))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_SERVES, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(_names(host), critical=False)
        .add_extension(_issued_by(authority), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(authority.key, hashes.SHA256())
    )
    return Issued(certificate, key)


def _subject(host: HostNames) -> x509.Name:
    """Name the certificate for a reader; browsers look at the names in its extension only."""
    name = next((one for one in host.names if len(one) <= _LONGEST_COMMON_NAME), "trialog")
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def _names(host: HostNames) -> x509.SubjectAlternativeName:
    names = [x509.DNSName(name) for name in host.names]
    return x509.SubjectAlternativeName([*names, *map(x509.IPAddress, host.addresses)])


def _issued_by(authority: Authority) -> x509.AuthorityKeyIdentifier:
    return x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key())


def why_renew(
    issued: Issued | None, authority: Authority, host: HostNames, *, now: datetime
) -> str | None:
    """Say why a certificate must be made anew; None where it will do."""
    if issued is None:
        return "there was none that could be used"
    certificate = issued.certificate
    if not _signed_by(certificate, authority):
        return "another authority had signed it"
    ends = certificate.not_valid_after_utc
    # One that ends with its authority cannot be made to last longer.
    if now > ends - RENEWED_BEFORE_END and ends < authority.ends:
        return f"it ends on {ends:%Y-%m-%d}"
    begins = certificate.not_valid_before_utc
    if now < begins and authority.certificate.not_valid_before_utc < begins:
        return "it has not begun: this computer's clock was set back"
    missing = _missing(certificate, host)
    return f"it lacked {', '.join(missing)}" if missing else None


def _signed_by(certificate: x509.Certificate, authority: Authority) -> bool:
    try:
        certificate.verify_directly_issued_by(authority.certificate)
    except (ValueError, TypeError, InvalidSignature):
        return False
    return True


def _missing(certificate: x509.Certificate, host: HostNames) -> list[str]:
    kind = x509.SubjectAlternativeName
    held = certificate.extensions.get_extension_for_class(kind).value
    names = set(held.get_values_for_type(x509.DNSName))
    addresses = set(held.get_values_for_type(x509.IPAddress))
    lacking = [one for one in host.addresses if one not in addresses]
    return [*(name for name in host.names if name not in names), *map(str, lacking)]


def keep(issued: Issued, folder: Path) -> Path:
    """Write a certificate with its key; return the file, which `ssl` reads as it is."""
    key = issued.key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    path = folder / KEPT
    write_whole(path, key + issued.certificate.public_bytes(serialization.Encoding.PEM))
    return path


def find_kept(folder: Path) -> Issued | None:
    """Return the certificate that a folder keeps.

    None where there is none, it is broken, or others may have read its key: the authority
    makes another at no cost to anybody, so that none of this needs a person.
    """
    path = folder / KEPT
    if not path.is_file() or open_to_others(path):
        return None
    content = path.read_bytes()
    try:
        key = serialization.load_pem_private_key(content, password=None)
        certificate = x509.load_pem_x509_certificate(content)
        certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except (ValueError, TypeError, UnsupportedAlgorithm, x509.ExtensionNotFound):
        return None
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        return None
    return Issued(certificate, key) if key.public_key() == certificate.public_key() else None
