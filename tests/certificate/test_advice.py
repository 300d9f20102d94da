"""How a reader is told to check: by the certificate where the station signed its own, else by the root of the works."""

from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from testbench.certificate.content import IssueFacts, content_of
from testbench.certificate.hands import of_persons, of_station
from testbench.certificate.keys import load_station_key
from testbench.certificate.languages import words
from testbench.certificate.shift_summary import Shift, shift_content
from testbench.certificate.signing import seal
from testbench.certificate.verify import in_words, verify

SELF_SIGNED, UNDER_ROOT = "--signer CERT.pem", "--root root-cert.pem"


def test_the_keys_say_which(authority: SimpleNamespace, keys: Path) -> None:
    """Persons sign under an authority only."""
    persons = of_persons(authority.operator, authority.reviewer, authority.anchors)
    hands = (of_station(load_station_key(keys)), of_station(authority.station), persons)
    assert [one.under_root for one in hands] == [False, True, True]


@pytest.mark.parametrize("language", ["en", "de", "es"])
@pytest.mark.parametrize(("under_root", "said"), [(False, SELF_SIGNED), (True, UNDER_ROOT)])
def test_the_page_names_the_option_that_its_key_needs(
    accepted: Any, bench: SimpleNamespace, at: datetime, language: str, under_root: bool, said: str
) -> None:
    """In every language, and only that one."""
    facts = IssueFacts(bench.works, at, "Station seal", "A1B2", under_root=under_root)
    told = content_of(accepted.record, accepted.sha256, accepted.traces, facts, words(language)).how_to_verify
    assert [option for option in (SELF_SIGNED, UNDER_ROOT) if option in told] == [said]
    assert_compares_that_of_the_root(told, language, under_root=under_root)


@pytest.mark.parametrize("language", ["en", "de", "es"])
@pytest.mark.parametrize("under_root", [False, True])
def test_a_page_that_sums_up_names_the_fingerprint_that_is_published(
    bench: SimpleNamespace, at: datetime, language: str, under_root: bool
) -> None:
    """Under a root the works publishes that of the root; the one on the page is the signer's."""
    facts = IssueFacts(bench.works, at, "Station seal", "A1B2", under_root=under_root)
    told = shift_content(Shift("early", "B1", at, at), (), "S-B1-000001", facts, words(language)).how_to_verify
    assert_compares_that_of_the_root(told, language, under_root=under_root)


def assert_compares_that_of_the_root(told: str, language: str, *, under_root: bool) -> None:
    compare = {
        "en": "Compare the fingerprint of root-cert.pem with the one that the works publishes.",
        "de": "Den Fingerabdruck von root-cert.pem mit dem vom Werk veröffentlichten vergleichen.",
        "es": "Compare la huella de root-cert.pem con la que publica el taller.",
    }[language]
    assert (compare in told) is under_root
    assert ("root-cert.pem" in told) is under_root


def test_so_does_the_check(sealed: bytes, unsealed: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """To a reader who has named nothing."""
    last = [in_words(verify(data, ()))[-1] for data in (sealed, seal(unsealed, authority.station, at))]
    assert last == [
        "Compare the fingerprint with the one that the works publishes, or name its certificate with --signer.",
        "Name the root of the works with --root; compare the root's fingerprint with the one that the works publishes.",
    ]
