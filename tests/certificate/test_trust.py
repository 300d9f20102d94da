"""Whose signature is it: pinned, under a root, in time, in its role, not revoked. Both sides of each."""

from dataclasses import replace
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from cryptography.hazmat.primitives.serialization import Encoding

from testbench.certificate import authority as ca
from testbench.certificate.authority import Role, Subject, Why
from testbench.certificate.content import IssueFacts
from testbench.certificate.hands import of_station
from testbench.certificate.issue import unsealed_document
from testbench.certificate.keys import StationKey, signer_of
from testbench.certificate.signing import seal
from testbench.certificate.trust import Anchors, Signed, trust_in
from testbench.certificate.verify import in_words, verify

AT = datetime.fromisoformat("2026-11-25T10:02:03+00:00")


def der(certificate: Any) -> bytes:
    return certificate.public_bytes(Encoding.DER)


class Works:
    """An authority in memory, with one station under it."""

    def __init__(self, role: Role = Role.STATION, works: str = "Works") -> None:
        root_key, issuing_key, key = ca.new_key(), ca.new_key(), ca.new_key()
        self.root = ca.Issuer(root_key, ca.root_certificate(root_key, works, AT))
        subject = Subject(Role.ISSUING, "Certificate authority", works)
        self.issuing = ca.Issuer(issuing_key, ca.certificate_for(subject, issuing_key.public_key(), self.root, AT))
        self.leaf = ca.certificate_for(Subject(role, "Station seal", works), key.public_key(), self.issuing, AT)
        chain = (der(self.issuing.certificate),)
        self.key = StationKey(key, der(self.leaf), signer_of(der(self.leaf)), chain)

    def signed(self, at: datetime, stamped: datetime | None = None, field: str = "StationSeal") -> Signed:
        return Signed(field, self.key.certificate, self.key.chain, at, "B-B", stamped)

    def listed(self, why: Why, revoked: datetime) -> bytes:
        entry = ca.Revoked(self.leaf.serial_number, revoked, why)
        return der(ca.revocation_list(self.issuing, Role.ISSUING, [entry], 2, revoked))

    def anchors(self, *lists: bytes) -> Anchors:
        return Anchors((der(self.root.certificate),), lists)

    def list_of_root(self) -> bytes:
        return der(ca.revocation_list(self.root, Role.ROOT, [], 1, AT))


@pytest.fixture(scope="module")
def works() -> Works:
    return Works()


def test_under_the_root_a_station_is_known(works: Works) -> None:
    """The customer pins one root and knows every station of the works."""
    found = trust_in(works.signed(AT), works.anchors())
    assert (found.trusted, found.reason) == (True, "")
    assert found.revocation == "not checked: no revocation list was named"


def test_under_another_root_of_the_same_name_it_is_not(works: Works) -> None:
    """Names prove nothing."""
    found = trust_in(works.signed(AT), Works().anchors())
    assert found.reason == "The seal is none that was named as trusted."


def test_pinning_the_issuing_authority_is_enough(works: Works) -> None:
    """Whoever trusts only a part of the works may."""
    assert trust_in(works.signed(AT), Anchors((der(works.issuing.certificate),))).trusted


@pytest.mark.parametrize(
    ("at", "trusted"),
    [
        (AT - timedelta(days=1, seconds=1), False),
        (AT - timedelta(days=1), True),
        (AT + timedelta(days=730), True),
        (AT + timedelta(days=730, seconds=1), False),
    ],
)
def test_a_certificate_counts_within_its_time(works: Works, at: datetime, trusted: bool) -> None:
    """The time of signing decides, not the time of looking."""
    assert trust_in(works.signed(at), works.anchors()).trusted is trusted


@pytest.mark.parametrize(
    ("role", "field", "trusted"),
    [
        (Role.STATION, "StationSeal", True),
        (Role.STATION, "Operator", False),
        (Role.PERSON, "Operator", True),
        (Role.PERSON, "Reviewer", True),
        (Role.PERSON, "StationSeal", False),
    ],
)
def test_a_person_is_no_station_and_a_station_no_person(role: Role, field: str, trusted: bool) -> None:
    """Else one person's key would do for a document that needs two."""
    works = Works(role)
    found = trust_in(works.signed(AT, field=field), works.anchors())
    assert found.trusted is trusted
    assert found.reason == ("" if trusted else "The certificate of Station seal is not made for this signature.")


def test_an_authority_signs_no_document(works: Works) -> None:
    """Its key usage says so (RFC 5280, 4.2.1.3)."""
    signed = Signed("StationSeal", der(works.issuing.certificate), (), AT, "B-B")
    assert not trust_in(signed, works.anchors()).trusted


def test_a_certificate_made_by_a_station_is_worth_nothing(works: Works) -> None:
    """CA:FALSE is checked on the way up (RFC 5280, 6.1.4)."""
    assert isinstance(works.key.key, type(ca.new_key()))
    forger, key = ca.Issuer(works.key.key, works.leaf), ca.new_key()  # type: ignore[arg-type]
    leaf = ca.certificate_for(Subject(Role.STATION, "Station seal", "Works"), key.public_key(), forger, AT)
    signed = Signed("StationSeal", der(leaf), (works.key.certificate, *works.key.chain), AT, "B-B")
    assert trust_in(signed, works.anchors()).reason == "The seal is none that was named as trusted."


# Revocation -------------------------------------------------------------------------------------

REVOKED = AT + timedelta(days=100)
BEFORE, AFTER = REVOKED - timedelta(seconds=1), REVOKED


@pytest.mark.parametrize(
    ("why", "signed", "stamped", "trusted"),
    [
        (Why.SUPERSEDED, BEFORE, None, True),
        (Why.SUPERSEDED, AFTER, None, False),
        (Why.AFFILIATION_CHANGED, BEFORE, None, True),
        (Why.CESSATION, AFTER, None, False),
        (Why.KEY_COMPROMISE, BEFORE, None, False),  # whoever has the key writes any date
        (Why.KEY_COMPROMISE, BEFORE, BEFORE, True),
        (Why.KEY_COMPROMISE, BEFORE, AFTER, False),
    ],
)
def test_a_revocation_reaches_back_only_where_the_key_was_lost(
    works: Works, why: Why, signed: datetime, stamped: datetime | None, trusted: bool
) -> None:
    """RFC 5280, 5.3.1 for the reasons; that a time stamp rescues is common practice (ETSI EN 319 102-1, 5.6)."""
    found = trust_in(works.signed(signed, stamped), works.anchors(works.listed(why, REVOKED)))
    assert found.trusted is trusted
    told = f"The certificate of Station seal was revoked on 2027-03-05 ({why})."
    assert found.reason == ("" if trusted else told)
    after = f"revoked on 2027-03-05 ({why}), after this was signed"
    assert found.revocation == (after if trusted else "revoked")


def test_a_list_without_the_certificate_says_as_of_when(works: Works) -> None:
    """The newest list counts, in whatever order they are named."""
    old, new = (
        der(ca.revocation_list(works.issuing, Role.ISSUING, [], number, AT + timedelta(days=number)))
        for number in (1, 40)
    )
    for lists in ((old, new), (new, old)):
        assert trust_in(works.signed(AT), works.anchors(*lists, works.list_of_root())).revocation == (
            "not revoked as of 2027-01-04"
        )


@pytest.mark.parametrize("unreadable", [b"", b"no list"])
def test_what_is_no_list_is_passed_over(works: Works, unreadable: bytes) -> None:
    """A file that says nothing is refused by the command, before it gets here."""
    found = trust_in(works.signed(AT), works.anchors(unreadable))
    assert (found.trusted, found.revocation) == (True, "not checked: no revocation list was named")


def test_a_list_that_another_of_the_same_name_signed_is_passed_over(works: Works) -> None:
    """Else anybody could revoke, or clear, a certificate; a renewed authority has the same name as well."""
    other = Works()
    other.leaf = works.leaf
    found = trust_in(works.signed(AT), works.anchors(other.listed(Why.SUPERSEDED, AT)))
    assert found.trusted
    assert found.revocation == (
        "not checked: no revocation list of Certificate authority, Works was named, only of another Certificate "
        "authority, Works"
    )


def test_a_valid_list_of_other_works_is_named(works: Works) -> None:
    """Not "no list was named": one was, and says nothing here."""
    other = Works(works="Brinepool Fittings")
    lists = [
        der(ca.revocation_list(issuer, role, [], 1, AT))
        for issuer, role in ((other.issuing, Role.ISSUING), (other.root, Role.ROOT))
    ]
    assert trust_in(works.signed(AT), works.anchors(*lists)).revocation == (
        "not checked: no revocation list of Certificate authority, Works was named, only of Certificate authority, "
        "Brinepool Fittings; Certificate root, Brinepool Fittings"
    )
    own = der(ca.revocation_list(works.issuing, Role.ISSUING, [], 1, AT)), works.list_of_root()
    assert trust_in(works.signed(AT), works.anchors(*lists, *own)).revocation == "not revoked as of 2026-11-25"


@pytest.mark.parametrize("looked", [None, AT + timedelta(days=34)])
def test_a_list_of_the_issuing_authority_alone_leaves_a_doubt(works: Works, looked: datetime | None) -> None:
    """That authority may be what was revoked, by the root; a list of the root that is out of date says as little."""
    own = der(ca.revocation_list(works.issuing, Role.ISSUING, [], 1, AT))
    old = der(ca.revocation_list(works.root, Role.ROOT, [], 1, AT - timedelta(days=380)))
    lists = (own,) if looked is None else (own, old)
    found = trust_in(works.signed(AT), replace(works.anchors(*lists), at=looked))
    assert found.trusted
    assert found.revocation == (
        "not revoked as of 2026-11-25; of its authority nothing is known: no list in date of Certificate root, Works "
        "was named"
    )


def test_a_list_with_a_wrong_signature_says_so(works: Works) -> None:
    """It claims to be of the very authority, and one bit of its signature is another."""
    listed = works.listed(Why.SUPERSEDED, AT)
    found = trust_in(works.signed(AT), works.anchors(listed[:-1] + bytes([listed[-1] ^ 1])))
    assert (found.trusted, found.revocation) == (
        True,
        "not checked: the revocation list that bears the name of Certificate authority, Works has a wrong signature",
    )


FRESH = "not revoked as of 2026-11-25"


@pytest.mark.parametrize(
    ("looked", "said"),
    [
        (None, FRESH),
        (AT - timedelta(seconds=1), f"{FRESH}, which is still to come: this computer's clock is wrong, or the list's"),
        (AT, FRESH),
        (AT + timedelta(days=35), FRESH),
        (AT + timedelta(days=35, seconds=1), f"{FRESH}; that list is out of date, the next was due by 2026-12-30"),
    ],
)
def test_a_list_is_fresh_for_its_time(works: Works, looked: datetime | None, said: str) -> None:
    """thisUpdate and nextUpdate (RFC 5280, 5.1.2.4 and 5.1.2.5), on both sides; a page stays what it was."""
    listed = der(ca.revocation_list(works.issuing, Role.ISSUING, [], 1, AT))
    found = trust_in(works.signed(AT), replace(works.anchors(listed, works.list_of_root()), at=looked))
    assert (found.trusted, found.revocation) == (True, said)


def test_an_authority_that_was_revoked_takes_its_stations_with_it(works: Works) -> None:
    """The root's list names the authority."""
    entry = ca.Revoked(works.issuing.certificate.serial_number, AT, Why.KEY_COMPROMISE)
    listed = der(ca.revocation_list(works.root, Role.ROOT, [entry], 2, AT))
    found = trust_in(works.signed(AT), works.anchors(listed))
    assert found.reason == "The certificate of Certificate authority was revoked on 2026-11-25 (keyCompromise)."


def test_a_revoked_signer_is_said_first(bench: SimpleNamespace, works: Works) -> None:
    """Intact, and not to be relied on."""
    run, hands = bench.tell(bench.accepted_nps_4), of_station(works.key)
    facts = IssueFacts(bench.works, AT, hands.signer, hands.fingerprint)
    data = hands.sign(unsealed_document(run.record, run.sha256, run.traces, facts, "A4"), AT)
    found = verify(data, works.anchors(works.listed(Why.KEY_COMPROMISE, REVOKED)))
    assert (found.intact, found.trusted, found.follows) == (True, False, True)
    assert in_words(found)[0] == (
        "REVOKED: C-B1-2026-0001 for valve HL-4-0117, verdict accepted. "
        "Nothing was changed since it was sealed, but a signer's certificate was revoked."
    )


def test_a_pinned_certificate_needs_no_root(unsealed: bytes, authority: SimpleNamespace) -> None:
    """As before there were roots; what is pinned by itself is not looked up in lists."""
    data = seal(unsealed, authority.station, AT)
    found = verify(data, [authority.station.certificate])
    assert found.trusted
    assert found.signatures[0].revocation == "pinned by its own certificate, which is looked up in no list"
