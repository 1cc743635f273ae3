"""The local authority: made once, kept for its owner only, refused where it is not whole."""

from __future__ import annotations

import stat
import threading
from datetime import timedelta

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
)
from support.https import HERE

from trialog.errors import InvalidValueError
from trialog.web.tls import authority as room
from trialog.web.tls.authority import FOR_TABLETS, KEPT, make_authority, open_authority
from trialog.web.tls.issuing import issue


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "data" / "tls"


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


def test_it_is_made_once_and_kept(folder, now):
    first = open_authority(folder, now=now)
    later = open_authority(folder, now=now + timedelta(days=3000))
    assert later.certificate == first.certificate
    assert later.key.private_numbers() == first.key.private_numbers()


def test_only_its_owner_may_read_the_key_or_enter_the_folder(folder, now):
    open_authority(folder, now=now)
    assert mode(folder / KEPT) == 0o600
    assert mode(folder) == 0o700
    assert sorted(path.name for path in folder.iterdir()) == sorted([KEPT, FOR_TABLETS])


def test_what_tablets_get_is_the_certificate_alone(folder, now):
    made = open_authority(folder, now=now)
    assert x509.load_der_x509_certificate(made.for_tablets) == made.certificate
    assert (folder / FOR_TABLETS).read_bytes() == made.for_tablets
    assert b"PRIVATE" in (folder / KEPT).read_bytes()
    assert b"PRIVATE" not in made.for_tablets


def test_it_signs_servers_for_ten_years_and_no_authority_below_it(now):
    certificate = make_authority(now=now).certificate
    lasts = certificate.not_valid_after_utc - now
    assert timedelta(days=3651) < lasts < timedelta(days=3653)
    constraints = certificate.extensions.get_extension_for_class(x509.BasicConstraints)
    assert constraints.critical
    assert (constraints.value.ca, constraints.value.path_length) == (True, 0)
    usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    assert usage.key_cert_sign
    assert not usage.digital_signature
    assert isinstance(certificate.public_key().curve, ec.SECP256R1)


def test_the_fingerprint_is_in_pairs_as_tablets_show_it(now):
    made = make_authority(now=now)
    pairs = made.fingerprint.split(":")
    assert len(pairs) == 32
    assert all(len(pair) == 2 and pair == pair.upper() for pair in pairs)
    assert bytes.fromhex("".join(pairs)) == made.certificate.fingerprint(
        x509.load_der_x509_certificate(made.for_tablets).signature_hash_algorithm
    )


def kept_parts(folder):
    content = (folder / KEPT).read_bytes()
    key, _, certificate = content.partition(b"-----BEGIN CERTIFICATE-----")
    return key, b"-----BEGIN CERTIFICATE-----" + certificate


def other_key():
    return ec.generate_private_key(ec.SECP256R1()).private_bytes(
        Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()
    )


BREAKAGES = {
    "empty": lambda _key, _certificate: b"",
    "key only": lambda key, _certificate: key,
    "certificate only": lambda _key, certificate: certificate,
    "end cut off": lambda key, certificate: (key + certificate)[:-40],
    "beginning only": lambda key, certificate: (key + certificate)[:100],
    "other key": lambda _key, certificate: other_key() + certificate,
    "zeros": lambda _key, _certificate: b"\x00" * 800,
    "bits turned": lambda key, certificate: key + certificate.replace(b"A", b"B"),
}


@pytest.mark.parametrize("broken", BREAKAGES.values(), ids=BREAKAGES)
def test_a_broken_file_is_named_and_never_replaced(folder, now, broken):
    open_authority(folder, now=now)
    content = broken(*kept_parts(folder))
    (folder / KEPT).write_bytes(content)
    with pytest.raises(InvalidValueError, match=r"must be whole in \S+authority\.pem"):
        open_authority(folder, now=now)
    assert (folder / KEPT).read_bytes() == content


def test_a_servers_certificate_is_no_authority(folder, now):
    made = open_authority(folder, now=now)
    issued = issue(made, HERE, now=now)
    key = issued.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    (folder / KEPT).write_bytes(key + issued.certificate.public_bytes(Encoding.PEM))
    with pytest.raises(InvalidValueError, match="must be whole"):
        open_authority(folder, now=now)


@pytest.mark.parametrize("bits", [0o640, 0o604, 0o644, 0o622])
def test_a_key_that_others_may_read_is_refused(folder, now, bits):
    open_authority(folder, now=now)
    (folder / KEPT).chmod(bits)
    with pytest.raises(InvalidValueError, match="readable by its owner only"):
        open_authority(folder, now=now)


def test_one_that_has_ended_is_refused_with_what_to_do(folder, now):
    open_authority(folder, now=now)
    with pytest.raises(InvalidValueError, match=r"not have ended.*move the file away"):
        open_authority(folder, now=now + timedelta(days=3653))


def test_one_from_the_future_means_that_the_clock_is_wrong(folder, now):
    open_authority(folder, now=now)
    with pytest.raises(InvalidValueError, match="set this computer's clock"):
        open_authority(folder, now=now - timedelta(days=2))


def test_a_folder_that_cannot_be_made_is_named(tmp_path, now):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InvalidValueError, match="folder for HTTPS must be one to read and write"):
        open_authority(tmp_path / "file" / "tls", now=now)


def test_two_servers_that_start_at_once_agree_on_one_authority(folder, now):
    at_once, found = threading.Barrier(4), []

    def start():
        at_once.wait()
        found.append(open_authority(folder, now=now).fingerprint)

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 4
    assert len(set(found)) == 1


def test_a_crash_while_it_is_written_leaves_nothing_half_done(folder, now, monkeypatch):
    def crash(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", crash)
    with pytest.raises(InvalidValueError, match="No space left on device"):
        open_authority(folder, now=now)
    assert list(folder.iterdir()) == []
    monkeypatch.undo()
    assert open_authority(folder, now=now)


def test_without_links_in_the_file_system_it_is_kept_all_the_same(folder, now, monkeypatch):
    def none(*_args):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(room.Path, "hardlink_to", none)
    first = open_authority(folder, now=now)
    assert open_authority(folder, now=now).fingerprint == first.fingerprint
    assert mode(folder / KEPT) == 0o600
