"""The server's certificate: for this computer's names, and anew before anybody notices."""

from __future__ import annotations

import ssl
import stat
import subprocess
import threading
from dataclasses import replace
from datetime import timedelta
from ipaddress import ip_address

import pytest
from cryptography import x509
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError
from support.https import HERE, make_keeper

from trialog.errors import InvalidValueError
from trialog.web.tls.authority import make_authority
from trialog.web.tls.issuing import KEPT, find_kept, issue
from trialog.web.tls.keeper import renewing

DAY = timedelta(days=1)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "tls"


def served(folder):
    return find_kept(folder).certificate


def verifier(keeper, subject, at):
    store = Store([keeper.authority.certificate])
    return PolicyBuilder().store(store).time(at).build_server_verifier(subject)


@pytest.mark.parametrize(
    "subject",
    [*map(x509.DNSName, HERE.names[:2]), *map(x509.IPAddress, HERE.addresses)],
    ids=lambda subject: str(subject.value),
)
def test_an_independent_verifier_accepts_each_name_and_address(folder, now, subject):
    keeper = make_keeper(folder, now)
    for at in (now - DAY + timedelta(minutes=1), now, now + 390 * DAY):
        assert len(verifier(keeper, subject, at).verify(served(folder), [])) == 2


@pytest.mark.parametrize(
    "subject", [x509.DNSName("other.example"), x509.IPAddress(ip_address("192.0.2.21"))]
)
def test_an_independent_verifier_refuses_any_other(folder, now, subject):
    keeper = make_keeper(folder, now)
    with pytest.raises(VerificationError):
        verifier(keeper, subject, now).verify(served(folder), [])


def test_another_authority_vouches_for_nothing(folder, now):
    make_keeper(folder, now)
    stranger = Store([make_authority(now=now).certificate])
    policy = PolicyBuilder().store(stranger).time(now)
    with pytest.raises(VerificationError):
        policy.build_server_verifier(x509.DNSName("shop-pc")).verify(served(folder), [])


def test_openssl_accepts_it_by_its_strict_rules(folder, present):
    """Outside source: OpenSSL's own command, run here."""
    keeper = make_keeper(folder, present)
    authority = folder / "authority-alone.pem"
    authority.write_text(ssl.DER_cert_to_PEM_cert(keeper.authority.for_tablets))
    words = ["openssl", "verify", "-x509_strict", "-purpose", "sslserver", "-CAfile", authority]
    for option, value in (("-verify_hostname", "shop-pc.local"), ("-verify_ip", "192.0.2.20")):
        done = subprocess.run(
            [*words, option, value, folder / KEPT], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
    wrong = [*words, "-verify_hostname", "other.example", folder / KEPT]
    assert subprocess.run(wrong, capture_output=True, check=False).returncode != 0


def test_it_lasts_no_longer_than_browsers_take(folder, now):
    make_keeper(folder, now)
    certificate = served(folder)
    # Both ends count, so the last second is one of the 397 days.
    lasts = certificate.not_valid_after_utc - certificate.not_valid_before_utc
    assert lasts + timedelta(seconds=1) == timedelta(days=397)
    assert certificate.not_valid_before_utc == now - DAY


def test_it_serves_and_signs_nothing(folder, now):
    make_keeper(folder, now)
    extensions = served(folder).extensions
    assert extensions.get_extension_for_class(x509.BasicConstraints).value.ca is False
    purposes = extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert list(purposes) == [x509.ExtendedKeyUsageOID.SERVER_AUTH]


def test_its_key_is_for_its_owner_only(folder, now):
    make_keeper(folder, now)
    assert stat.S_IMODE((folder / KEPT).stat().st_mode) == 0o600


def test_a_new_start_keeps_it(folder, now):
    make_keeper(folder, now)
    first = served(folder)
    make_keeper(folder, now + 300 * DAY)
    assert served(folder) == first


def test_it_is_renewed_when_fewer_than_thirty_days_are_left(folder, now):
    keeper = make_keeper(folder, now)
    first, context = served(folder), keeper.context
    ends = first.not_valid_after_utc
    assert keeper.renew_if_due(ends - 30 * DAY) is None
    assert keeper.context is context
    why = keeper.renew_if_due(ends - 30 * DAY + timedelta(seconds=1))
    assert why == f"it ends on {ends:%Y-%m-%d}"
    assert keeper.context is not context
    assert served(folder).not_valid_after_utc > ends + 300 * DAY


def test_it_is_renewed_for_a_new_address_and_a_new_name(folder, now):
    host = [HERE]
    keeper = make_keeper(folder, now)
    keeper._find_host = lambda: host[0]
    host[0] = replace(HERE, addresses=(*HERE.addresses, ip_address("192.0.2.99")))
    assert keeper.renew_if_due(now) == "it lacked 192.0.2.99"
    host[0] = replace(HERE, names=("cell3.example", *HERE.names))
    assert keeper.renew_if_due(now) == "it lacked cell3.example"
    assert keeper.renew_if_due(now) is None
    verifier(keeper, x509.DNSName("cell3.example"), now).verify(served(folder), [])


def test_what_one_process_renews_all_serve(folder, now):
    one, other = make_keeper(folder, now), make_keeper(folder, now)
    first = other.context
    assert other.renew_if_due(now) is None
    assert other.context is first
    assert one.renew_if_due(now + 370 * DAY) is not None
    assert other.renew_if_due(now + 370 * DAY) is None
    assert other.context is not first
    renewed = other.context
    assert other.renew_if_due(now + 370 * DAY) is None
    assert other.context is renewed


def test_a_name_or_address_that_went_away_is_no_reason(folder, now):
    keeper = make_keeper(folder, now)
    keeper._find_host = lambda: replace(HERE, addresses=HERE.addresses[1:])
    assert keeper.renew_if_due(now) is None


@pytest.mark.parametrize(
    "harm",
    [
        lambda path: path.write_bytes(path.read_bytes()[:-60]),
        lambda path: path.write_bytes(b""),
        lambda path: path.unlink(),
        lambda path: path.chmod(0o644),
    ],
    ids=["half-written", "empty", "gone", "open to others"],
)
def test_one_that_cannot_be_used_is_made_anew_with_a_new_key(folder, now, harm):
    keeper = make_keeper(folder, now)
    before = served(folder).public_key()
    harm(folder / KEPT)
    assert keeper.renew_if_due(now) == "there was none that could be used"
    assert served(folder).public_key() != before


def test_one_of_an_earlier_authority_is_made_anew(folder, now):
    keeper = make_keeper(folder, now)
    (folder / "authority.pem").unlink()
    again = make_keeper(folder, now)
    assert again.authority.fingerprint != keeper.authority.fingerprint
    verifier(again, x509.DNSName("shop-pc"), now).verify(served(folder), [])


def test_it_never_outlives_its_authority_and_is_then_left_alone(folder, now):
    keeper = make_keeper(folder, now)
    late = keeper.authority.ends - 20 * DAY
    assert keeper.renew_if_due(late)
    assert served(folder).not_valid_after_utc == keeper.authority.ends
    assert keeper.renew_if_due(late + 10 * DAY) is None


def test_a_clock_that_was_set_back_is_mended_by_a_new_one(folder, now):
    keeper = make_keeper(folder, now)
    keeper.renew_if_due(now + 380 * DAY)
    assert "set back" in keeper.renew_if_due(now + 30 * DAY)
    assert served(folder).not_valid_before_utc == now + 29 * DAY


def test_long_names_and_none_make_certificates_too(now):
    authority = make_authority(now=now)
    long = ".".join(["x" * 63] * 3)
    certificate = issue(authority, replace(HERE, names=(long,)), now=now).certificate
    held = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert held.get_values_for_type(x509.DNSName) == [long]


def test_a_running_server_looks_by_itself(folder, now):
    keeper = make_keeper(folder, now)
    context = keeper.context
    looked = iter([now, now + 380 * DAY, now + 380 * DAY])
    enough = threading.Event()

    def clock():
        moment = next(looked, None)
        if moment is None:
            enough.set()
        return moment or now + 380 * DAY

    with renewing(keeper, every=0.001, clock=clock):
        assert enough.wait(20)
    assert keeper.context is not context
    assert served(folder).not_valid_after_utc > now + 700 * DAY


def test_a_renewal_that_fails_is_logged_and_the_old_one_stays(folder, now, caplog):
    keeper = make_keeper(folder, now)
    context, failed = keeper.context, threading.Event()

    def broken():
        failed.set()
        raise InvalidValueError("TLS name", "be a host name or an address", "?")

    keeper._find_host = broken
    with renewing(keeper, every=0.001, clock=lambda: now):
        assert failed.wait(20)
    assert keeper.context is context
    assert "could not be renewed" in caplog.text
