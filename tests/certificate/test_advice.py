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


def test_so_does_the_check(sealed: bytes, unsealed: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """To a reader who has named nothing."""
    last = [in_words(verify(data, ()))[-1] for data in (sealed, seal(unsealed, authority.station, at))]
    assert last == [
        "Compare the fingerprint with the one that the works publishes, or name its certificate with --signer.",
        "Compare the fingerprint with the one that the works publishes, or name the root of the works with --root.",
    ]
