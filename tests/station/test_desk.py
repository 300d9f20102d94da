"""Persons identify themselves and sign: through the real store and the real hashes, their cost aside."""

import contextlib
import runpy
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from testbench.certificate.data import statements
from testbench.credentials.secrets import Argon2Secrets
from testbench.errors import (
    AlreadySignedError,
    BenchError,
    ClockBehindError,
    FirstPersonError,
    LastEngineerError,
    NotAuthenticatedError,
    NotAWitnessError,
    NotReadyToReleaseError,
    NotTheOperatorError,
    OwnRunError,
    PepperMissingError,
    PersonAlikeError,
    PersonDisabledError,
    PersonExistsError,
    PersonLockedError,
    PersonRefusedError,
    PersonStandsError,
    PersonUnknownError,
    RoleMissingError,
    RowNotNamedError,
    SecretRefusedError,
    StoreFailedError,
)
from testbench.procedure.valve import WitnessPoint
from testbench.run.attendance import Attendance, Attendee
from testbench.run.record import Origin, RunRecord, canonical, sha256
from testbench.run.signature import Meaning, Method, Role
from testbench.station.desk import Around, Desk, Given
from testbench.station.lockout import LockOut
from testbench.station.people import OWNER, Change, Person, people_of
from testbench.station.sign_off import check_may_sign
from testbench.store.repository import SqliteStore

MAKE = Path(__file__).parents[1] / "records" / "make.py"
ASHE, QUILL = Given("ashe", "the tide at Port Ellery"), Given("quill", "7394")


@pytest.fixture(scope="session")
def examples() -> SimpleNamespace:
    """What ``tests/records/make.py`` offers."""
    return SimpleNamespace(**runpy.run_path(str(MAKE)))


class InHand:
    """A desk whose clock and folder tests hold in their hands."""

    def __init__(self, folder: Path) -> None:
        self.now = datetime(2026, 11, 26, 9, 0, tzinfo=UTC)
        self.path, self.keys = folder / "testbench.db", folder / "keys"
        self.open()

    def open(self) -> None:
        self.store = SqliteStore(self.path, "B1")
        around = Around(
            "B1", LockOut(), lambda: self.now, lambda: "not set since 2026-11-26T05:00:00.000Z",
            lambda bits: (1 << bits) - 1, statements(),
        )  # fmt: skip
        self.desk = Desk(self.store, Argon2Secrets(self.keys, cheap=True), around)

    def again(self) -> None:
        """Close everything and start anew, as after a power cut."""
        self.store.close()
        self.open()

    def refused_by_secret(self, given: Given) -> None:
        with contextlib.suppress(NotAuthenticatedError):
            self.desk.authenticate(given, Method.PIN)

    def refused(self, given: Given, method: Method = Method.PIN) -> str:
        with pytest.raises(BenchError) as refusal:
            self.desk.authenticate(given, method)
        return f"{type(refusal.value).__name__}: {refusal.value}"


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[InHand]:
    """Nobody is registered."""
    made = InHand(tmp_path)
    yield made
    made.store.close()


@pytest.fixture
def staffed(hand: InHand) -> InHand:
    """An engineer and reviewer, an operator, another operator who reviews as well, a witness."""
    desk = hand.desk
    desk.add(OWNER, "ashe", "Tobin Ashe", (Role.ENGINEER, Role.REVIEWER), {Method.PASSWORD: ASHE.secret})
    desk.add("ashe", "quill", "Mara Quill", (Role.OPERATOR,), {Method.PIN: QUILL.secret})
    both = {Method.PIN: "8052", Method.PASSWORD: "salt and cold iron"}
    desk.add("ashe", "venn", "Orla Venn", (Role.OPERATOR, Role.REVIEWER), both)
    desk.add("ashe", "marlow", "Ines Marlow", (Role.WITNESS,), {Method.PIN: "6170"})
    return hand


@pytest.fixture
def live(examples: SimpleNamespace) -> RunRecord:
    """A live accepted run that Mara Quill performed."""
    record, _ = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    return record.model_copy(update={"origin": Origin.LIVE, "operator_id": "quill"})


@pytest.fixture
def signed(staffed: InHand, live: RunRecord) -> InHand:
    """The same desk, the run signed as performed."""
    staffed.desk.sign_run(live, QUILL, Meaning.PERFORMED)
    return staffed


# People -----------------------------------------------------------------------------------------


def test_the_first_person_is_an_engineer_on_the_authority_of_the_owner(hand):
    """Nobody can be asked for a password yet, and the entry says so."""
    with pytest.raises(FirstPersonError) as refusal:
        hand.desk.add(OWNER, "quill", "Mara Quill", (Role.OPERATOR,), {Method.PIN: "7394"})
    assert str(refusal.value) == "'quill' would be the first person of this bench and is no engineer."
    assert hand.desk.people() == {}
    hand.desk.add(OWNER, "ashe", "Tobin Ashe", (Role.ENGINEER,), {Method.PASSWORD: ASHE.secret})
    assert {one.entry.authenticated for one in hand.store.people()} == {"owner of the home"}
    assert hand.desk.engineer(ASHE) == "ashe"
    with pytest.raises(NotAuthenticatedError):
        hand.desk.add(OWNER, "thorne", "Ivo Thorne", (Role.ENGINEER,), {Method.PASSWORD: "a dozen of letters"})
    assert list(hand.desk.people()) == ["ashe"]


@pytest.mark.parametrize(
    ("person", "name", "sentence"),
    [("quill", "Another Quill", "'quill' is taken by 'quill'."),
     ("other", "MARA QUILL", "'MARA QUILL' is taken by 'quill'.")],
)  # fmt: skip
def test_an_id_and_a_name_belong_to_one_person_for_ever(staffed, person, name, sentence):
    """Also when that person is disabled."""
    staffed.desk.change("ashe", "quill", Change.DISABLED)
    with pytest.raises(PersonExistsError) as refusal:
        staffed.desk.add("ashe", person, name, (Role.OPERATOR,), {Method.PIN: "6170"})
    assert str(refusal.value) == sentence


@pytest.mark.parametrize(
    ("person", "name", "sentence"),
    [("Ivo", "Ivo Thorne", "person: 2 to 20 small letters, digits and hyphens, a letter first"),
     ("thorne", " I ", "name: 2 to 60 characters"),
     ("thorne", "--", "name: a name has at least one letter"),
     ("thorne", "Ivo\u200b Thorne", "name: a name is one line of signs that can be seen"),
     ("thorne", "Ivo \u0422horne", "name: its letter '\u0422' is CYRILLIC CAPITAL LETTER TE, among Latin letters")],
)  # fmt: skip
def test_an_id_that_cannot_be_typed_is_refused(staffed, person, name, sentence):
    """And nothing of the person is kept."""
    before = staffed.store.people()
    with pytest.raises(PersonRefusedError) as refusal:
        staffed.desk.add("ashe", person, name, (Role.OPERATOR,), {Method.PIN: "6170"})
    assert str(refusal.value) == f"The person was not entered: {sentence}."
    assert staffed.store.people() == before


@pytest.mark.parametrize(
    ("person", "name", "sentence"),
    [("other", "Mara Quil1", "'Mara Quil1' looks like 'Mara Quill', which is taken by 'quill'."),
     ("other", "Mara-Qu\u00edll", "'Mara-Qu\u00edll' looks like 'Mara Quill', which is taken by 'quill'."),
     ("quil1", "Ivo Thorne", "'quil1' looks like 'quill', which is taken by 'quill'.")],
)  # fmt: skip
def test_a_name_that_looks_like_another_is_refused(staffed, person, name, sentence):
    """Two persons with one name on paper would make the rule that testers never release an empty one."""
    before = staffed.store.people()
    with pytest.raises(PersonAlikeError) as refusal:
        staffed.desk.add("ashe", person, name, (Role.REVIEWER,), {Method.PASSWORD: "a dozen of letters"})
    assert str(refusal.value) == sentence
    assert staffed.store.people() == before


def test_spaces_and_forms_of_letters_make_no_other_name(staffed):
    """Normalised (NFKC, single spaces) before it is compared and kept; and as it is typed to identify oneself."""
    with pytest.raises(PersonExistsError) as refusal:
        staffed.desk.add(
            "ashe", "other", " \uff2dara  Quill", (Role.REVIEWER,), {Method.PASSWORD: "a dozen of letters"}
        )
    assert str(refusal.value) == "'Mara Quill' is taken by 'quill'."
    added, _ = staffed.desk.add("ashe", "thorne", " Ivo \u00a0 Thorne", (Role.OPERATOR,), {Method.PIN: "8052"})
    assert added.name == "Ivo Thorne"
    assert staffed.desk.authenticate(Given("Ivo  Thorne", "8052"), Method.PIN).id == "thorne"


@pytest.mark.parametrize("take", [(Change.DISABLED, ()), (Change.ROLES, (Role.REVIEWER,))])
def test_the_last_engineer_stays(staffed, take):
    """Or nobody could change anything any more. An engineer without a password does not count."""
    staffed.desk.change("ashe", "quill", Change.ROLES, (Role.ENGINEER,))
    with pytest.raises(LastEngineerError) as refusal:
        staffed.desk.change("ashe", "ashe", *take)
    assert str(refusal.value) == "'ashe' is the last enabled engineer of this bench."
    staffed.desk.set_secret("ashe", "quill", Method.PASSWORD, "a dozen of letters")
    staffed.desk.change("quill", "ashe", *take)


def test_nobody_is_deleted_and_everything_said_stays(staffed):
    """Disabled, enabled, given other roles: entries behind each other."""
    for change in (Change.DISABLED, Change.ENABLED):
        staffed.desk.change("ashe", "quill", change)
    staffed.desk.change("ashe", "quill", Change.ROLES, (Role.WITNESS,))
    said = [one.entry.change for one in staffed.store.people() if one.entry.person == "quill"]
    assert said == ["added", "PIN set", "disabled", "enabled", "roles"]
    quill = people_of(staffed.store.people())["quill"]
    assert (quill.name, quill.enabled, quill.roles) == ("Mara Quill", True, (Role.WITNESS,))


@pytest.mark.parametrize(
    ("change", "roles", "state"),
    [(Change.DISABLED, (), "disabled"), (Change.ROLES, (Role.REVIEWER, Role.OPERATOR), "operator, reviewer")],
)
def test_a_change_that_changes_nothing_is_refused(staffed, change, roles, state):
    """Nothing is entered twice; enabled is what everybody begins as."""
    with pytest.raises(PersonStandsError) as refusal:
        staffed.desk.change("ashe", "venn", Change.ENABLED)
    assert str(refusal.value) == "'venn' is enabled already."
    if change is Change.DISABLED:
        staffed.desk.change("ashe", "venn", change)
    before = staffed.store.people()
    with pytest.raises(PersonStandsError) as refusal:
        staffed.desk.change("ashe", "venn", change, roles)
    assert str(refusal.value) == f"'venn' is {state} already."
    assert staffed.store.people() == before


def test_an_unknown_person_is_named_to_the_engineer(staffed):
    """Who was authenticated before may know who is there."""
    with pytest.raises(PersonUnknownError) as refusal:
        staffed.desk.change("ashe", "quil", Change.DISABLED)
    assert str(refusal.value) == ("Nobody is registered as 'quil'; registered are ashe, quill, venn, marlow.")


PIN_ALLOWED = "4 to 8 digits, not all the same and no straight run"


@pytest.mark.parametrize(
    ("pin", "found"),
    [("739", "it has 3 digits"), ("739405817", "it has 9 digits"), ("0000", "its digits are all the same"),
     ("1234", "it is a straight run of digits"), ("8765", "it is a straight run of digits"),
     ("7890", "it is a straight run of digits"), ("12a4", "it holds something else than digits"),
     ("٤٥٦٩", "it holds something else than digits"), ("", "it holds something else than digits")],
)  # fmt: skip
def test_a_weak_pin_is_refused_and_never_named(staffed, pin, found):
    """The old one stays."""
    with pytest.raises(SecretRefusedError) as refusal:
        staffed.desk.set_secret("ashe", "quill", Method.PIN, pin)
    assert str(refusal.value) == f"This PIN is refused: {found}; allowed: {PIN_ALLOWED}."
    assert not pin or pin not in repr(vars(refusal.value)).replace("1234", "")
    assert staffed.desk.authenticate(QUILL, Method.PIN).id == "quill"


@pytest.mark.parametrize("pin", ["1235", "73940581", "0012", "1357"])
def test_other_pins_of_4_to_8_digits_are_taken(staffed, pin):
    """The other side of each limit."""
    staffed.desk.set_secret("ashe", "quill", Method.PIN, pin)
    assert staffed.desk.authenticate(Given("quill", pin), Method.PIN).id == "quill"
    assert "NotAuthenticatedError" in staffed.refused(QUILL)


@pytest.mark.parametrize(("password", "good"), [("a dozen wav", False), ("a dozen wave", True), ("aaaaaaaaabbc", False),
                                               ("x" * 201, False)])  # fmt: skip
def test_a_password_has_at_least_12_characters(staffed, password, good):
    """Eleven are too few, twelve are enough."""
    if good:
        staffed.desk.set_secret("ashe", "ashe", Method.PASSWORD, password)
        return
    with pytest.raises(SecretRefusedError, match=r"^This password is refused: it "):
        staffed.desk.set_secret("ashe", "ashe", Method.PASSWORD, password)


# Authentication ---------------------------------------------------------------------------------


def test_a_guesser_is_told_nothing(staffed):
    """Wrong secret, unknown person, a person without that secret: the same words."""
    staffed.desk.change("ashe", "marlow", Change.DISABLED)
    for person in ("quill", "nobody", "ashe", "marlow"):
        said = staffed.refused(Given(person, "1111"))
        assert said == f"NotAuthenticatedError: '{person}' and what was entered do not belong together."


def test_the_printed_name_serves_as_well_as_the_id(staffed):
    """It is what the screen shows."""
    assert staffed.desk.authenticate(Given("Mara Quill", "7394"), Method.PIN).id == "quill"


def test_the_fourth_wrong_try_leaves_the_fifth_and_the_fifth_locks(staffed):
    """After the fifth not even the right PIN is looked at, also after a restart; later it is."""
    for _ in range(4):
        assert "NotAuthenticatedError" in staffed.refused(Given("quill", "1111"))
    assert staffed.desk.authenticate(QUILL, Method.PIN).id == "quill"
    for _ in range(5):
        assert "NotAuthenticatedError" in staffed.refused(Given("quill", "1111"))
    locked = "PersonLockedError: 'quill' is locked until 2026-11-26T09:01:00.000Z, after 5 wrong tries in a row."
    assert staffed.refused(QUILL) == locked
    staffed.again()
    assert staffed.refused(QUILL) == locked
    staffed.now -= timedelta(days=2)
    assert staffed.refused(QUILL) == locked, "a clock set back does not unlock"
    staffed.now += timedelta(days=2, seconds=60)
    assert staffed.desk.authenticate(QUILL, Method.PIN).id == "quill"


def test_the_sixth_wrong_try_locks_for_longer(staffed):
    """And tries while it is locked are none."""
    for _ in range(5):
        staffed.refused(Given("quill", "1111"))
    for _ in range(9):
        assert "PersonLockedError" in staffed.refused(Given("quill", "1111"))
    staffed.now += timedelta(seconds=60)
    staffed.refused(Given("quill", "1111"))
    assert "until 2026-11-26T09:03:00.000Z, after 6 wrong tries" in staffed.refused(QUILL)


def test_somebody_unknown_is_locked_like_anybody(staffed):
    """Or the lock would tell who is registered. What was typed as a name is not kept: it may be a password."""
    for _ in range(5):
        staffed.refused(Given("the tide at Port Ellery", "1111"))
    said = staffed.refused(Given("the tide at Port Ellery", "1111"))
    assert said.startswith("PersonLockedError: 'the tide at Port Ellery' is locked until")
    assert "tide at" not in everything(staffed.path)


def test_a_new_pin_ends_the_lock(staffed):
    """Set by an engineer."""
    for _ in range(5):
        staffed.refused(Given("quill", "1111"))
    staffed.desk.set_secret("ashe", "quill", Method.PIN, "6170")
    assert staffed.desk.authenticate(Given("quill", "6170"), Method.PIN).id == "quill"


def test_one_method_does_not_lock_the_other(staffed):
    """Nobody at the bench can keep a reviewer from releasing."""
    for _ in range(6):
        staffed.refused(Given("venn", "1111"))
    assert staffed.desk.authenticate(Given("venn", "salt and cold iron"), Method.PASSWORD).id == "venn"


def test_a_disabled_person_with_the_right_secret_is_told(staffed):
    """Nobody else is."""
    staffed.desk.change("ashe", "quill", Change.DISABLED)
    with pytest.raises(PersonDisabledError) as refusal:
        staffed.desk.authenticate(QUILL, Method.PIN)
    assert str(refusal.value) == "'quill' is disabled on this bench."
    staffed.desk.change("ashe", "quill", Change.ENABLED)
    assert staffed.desk.authenticate(QUILL, Method.PIN).id == "quill"


def test_a_role_is_asked_for(staffed):
    """An operator's PIN opens no engineer's door, nor the other way round."""
    with pytest.raises(RoleMissingError) as refusal:
        staffed.desk.in_role(Given("marlow", "6170"), Role.OPERATOR, Method.PIN)
    assert str(refusal.value) == "'marlow' is witness; this needs the role operator."


def test_a_try_that_cannot_be_kept_is_not_made(staffed, monkeypatch):
    """A full disk gives no free guesses: the secret is not looked at."""
    looked = []
    monkeypatch.setattr(Argon2Secrets, "matches", lambda *_: looked.append(1) or False)

    def guess_until_refused() -> None:
        for _ in range(200):
            staffed.now += timedelta(hours=2)
            looked.clear()
            staffed.refused_by_secret(Given("quill", "1111"))

    fill_up(staffed)
    with pytest.raises(StoreFailedError, match=r"the disk is full\.$"):
        guess_until_refused()
    assert looked == []


def test_a_missing_pepper_is_said_and_never_made_anew(staffed):
    """Unless an engineer wants it, and then the older PINs are void, and said so."""
    (staffed.keys / "pepper").unlink()
    path = staffed.keys / "pepper"
    missing = f"PepperMissingError: No PIN can be checked: {path}: No such file or directory."
    assert staffed.refused(QUILL) == missing
    with pytest.raises(PepperMissingError):
        staffed.desk.set_secret("ashe", "quill", Method.PIN, "6170")
    assert not path.exists()
    staffed.desk.set_secret("ashe", "quill", Method.PIN, "6170", new_pepper=True)
    assert staffed.desk.authenticate(Given("quill", "6170"), Method.PIN).id == "quill"
    assert staffed.refused(Given("venn", "8052")) == (
        "PepperChangedError: The PIN of 'venn' cannot be checked: keys/pepper is not the key file that it was set with."
    )
    staffed.desk.set_secret("ashe", "venn", Method.PIN, "8052")
    assert staffed.desk.authenticate(Given("venn", "8052"), Method.PIN).id == "venn"


def test_a_home_without_a_pepper_gets_one_with_its_first_pin(hand):
    """A password needs none."""
    hand.desk.add(OWNER, "ashe", "Tobin Ashe", (Role.ENGINEER,), {Method.PASSWORD: ASHE.secret})
    assert not (hand.keys / "pepper").exists()
    hand.desk.add("ashe", "quill", "Mara Quill", (Role.OPERATOR,), {Method.PIN: QUILL.secret})
    assert (hand.keys / "pepper").exists()


def test_a_hash_of_other_parameters_is_renewed_at_the_next_right_try(staffed):
    """As an entry of its own: the old one stays."""
    stored = people_of(staffed.store.people())["ashe"].secrets[Method.PASSWORD].stored
    real = Desk(staffed.store, Argon2Secrets(staffed.keys), staffed.desk._around)
    assert real.authenticate(ASHE, Method.PASSWORD).id == "ashe"
    newest = staffed.store.people()[-1]
    assert (newest.entry.note, newest.entry.by) == ("hash renewed", "ashe")
    assert newest.secret.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert stored in [one.secret for one in staffed.store.people()]
    assert real.authenticate(ASHE, Method.PASSWORD).id == "ashe"
    assert staffed.store.people()[-1] == newest


def test_a_stored_secret_that_was_exchanged_is_found(staffed):
    """Whoever puts another hash beside an entry, own PIN or not, is not authenticated by it."""
    staffed.store.close()
    editor = sqlite3.connect(staffed.path)
    editor.execute("DROP TRIGGER person_entry_update")
    editor.execute("UPDATE person_entry SET secret = (SELECT secret FROM person_entry WHERE person = 'ashe' AND "
                   "secret <> '') WHERE person = 'quill' AND secret <> ''")  # fmt: skip
    editor.commit()
    editor.close()
    staffed.open()
    with pytest.raises(RowNotNamedError) as refusal:
        staffed.desk.people()
    assert str(refusal.value) == "Person entry 4 is not what the ledger names; it counts for nothing."


def everything(path: Path) -> str:
    """Whatever lies in the file, as text."""
    connection = sqlite3.connect(path)
    dumped = "\n".join(connection.iterdump())
    connection.close()
    return dumped


def test_no_secret_lies_in_the_records(signed):
    """Neither PIN nor password; hashes lie beside the entries, not in them."""
    dumped = everything(signed.path)
    assert ASHE.secret not in dumped
    assert "'7394'" not in dumped
    assert '"7394"' not in dumped
    assert all("argon2" not in canonical(one.entry).decode() for one in signed.store.people())


def test_what_is_given_does_not_print_its_secret():
    """A log line of it names the person."""
    assert repr(QUILL) == "Given('quill', …)"


# Signatures -------------------------------------------------------------------------------------


def test_a_signature_says_who_when_what_and_of_what(staffed, live):
    """And lies in the register as it was given out."""
    one = staffed.desk.sign_run(live, QUILL, Meaning.PERFORMED)
    assert (one.person, one.printed_name, one.role, one.method) == ("quill", "Mara Quill", "operator", "PIN")
    assert (one.signed_at, one.clock_status) == ("2026-11-26T09:00:00.000Z", "not set since 2026-11-26T05:00:00.000Z")
    assert one.statement == (
        "I performed run B1-000001 on valve HL-4-0117 under the procedure named in its record. "
        "What I observed is recorded as I saw it. Verdict: accepted."
    )
    assert one.record_sha256 == sha256(canonical(live))
    assert one.binds(live)
    assert not one.binds(live.model_copy(update={"run": "B1-000002"}))
    assert not one.binds(live.model_copy(update={"reason": "other"}))
    staffed.again()
    assert staffed.store.signatures_of("B1-000001") == (one,)


def test_each_signature_authenticates_anew(signed, live):
    """A right PIN a moment ago is worth nothing."""
    with pytest.raises(NotAuthenticatedError):
        signed.desk.sign_run(live, Given("ashe", "the tide at Port Eller"), Meaning.RELEASED)
    assert len(signed.store.signatures_of(live.run)) == 1


def test_another_person_releases_what_its_operator_has_signed(signed, live):
    """The way it is meant: performed, reviewed, released."""
    signed.desk.sign_run(live, ASHE, Meaning.REVIEWED)
    signed.desk.sign_run(live, ASHE, Meaning.RELEASED)
    found = signed.store.signatures_of(live.run)
    assert [(one.meaning, one.person) for one in found] == [
        ("performed", "quill"), ("reviewed", "ashe"), ("released", "ashe"),
    ]  # fmt: skip


def refusal_of(desk, record, given, meaning):
    with pytest.raises(BenchError) as refusal:
        desk.sign_run(record, given, meaning)
    return refusal.value


@pytest.mark.parametrize("meaning", [Meaning.REVIEWED, Meaning.RELEASED])
def test_nobody_reviews_or_releases_the_own_run(staffed, live, meaning):
    """Also an operator who is a reviewer; by id, and in an old record by name."""
    venn = Given("venn", "salt and cold iron")
    own = live.model_copy(update={"operator": "Orla Venn", "operator_id": "venn"})
    staffed.desk.sign_run(own, Given("venn", "8052"), Meaning.PERFORMED)
    found = refusal_of(staffed.desk, own, venn, meaning)
    assert isinstance(found, OwnRunError)
    assert str(found) == f"'venn' performed run B1-000001 and cannot sign it as {meaning}."
    old = own.model_copy(update={"operator_id": "", "run": "B1-000002"})
    assert isinstance(refusal_of(staffed.desk, old, venn, meaning), OwnRunError)
    staffed.desk.sign_run(own, ASHE, meaning)


def test_who_looks_like_the_operator_on_paper_releases_nothing(signed, live):
    """A register from before look-alikes were refused may hold such a name."""
    alike = Person("alike", "Mara  Qu\u0456ll", (Role.REVIEWER,))
    with pytest.raises(OwnRunError) as refusal:
        check_may_sign(live, signed.store.signatures_of(live.run), alike, Meaning.RELEASED)
    assert str(refusal.value) == "'alike' performed run B1-000001 and cannot sign it as released."


def test_only_the_operator_of_a_run_performed_it(staffed, live):
    """Another operator did not."""
    found = refusal_of(staffed.desk, live, Given("venn", "8052"), Meaning.PERFORMED)
    assert isinstance(found, NotTheOperatorError)
    assert str(found) == "Run B1-000001 was performed by 'quill'; 'venn' cannot sign it as performed."


def test_a_run_is_performed_and_released_once(signed, live):
    """And nobody reviews it twice."""
    found = refusal_of(signed.desk, live, QUILL, Meaning.PERFORMED)
    assert isinstance(found, AlreadySignedError)
    assert str(found) == "Run B1-000001 is already signed as performed, by Mara Quill."
    for meaning in (Meaning.REVIEWED, Meaning.RELEASED):
        signed.desk.sign_run(live, ASHE, meaning)
        assert isinstance(refusal_of(signed.desk, live, ASHE, meaning), AlreadySignedError)
    venn = Given("venn", "salt and cold iron")
    signed.desk.sign_run(live, venn, Meaning.REVIEWED)
    assert isinstance(refusal_of(signed.desk, live, venn, Meaning.RELEASED), AlreadySignedError)


@pytest.mark.parametrize(
    ("verdict", "said"), [("rejected", "rejected"), ("inconclusive", "inconclusive"), (None, "void")]
)
def test_only_an_accepted_run_is_released(staffed, live, verdict, said):
    """A rejected one is signed and reviewed, never released."""
    other = RunRecord.model_validate({**live.model_dump(), "verdict": verdict})
    staffed.desk.sign_run(other, QUILL, Meaning.PERFORMED)
    found = refusal_of(staffed.desk, other, ASHE, Meaning.RELEASED)
    assert isinstance(found, NotReadyToReleaseError)
    assert str(found) == f"Run B1-000001 cannot be released: its verdict is {said}."
    staffed.desk.sign_run(other, ASHE, Meaning.REVIEWED)


def test_a_run_that_its_operator_has_not_signed_is_not_released(staffed, live):
    """The other half of the rule."""
    found = refusal_of(staffed.desk, live, ASHE, Meaning.RELEASED)
    assert str(found) == "Run B1-000001 cannot be released: its operator has not signed it as performed."


def test_a_witness_signs_what_was_attended(staffed, live):
    """By the name that was said before the stage began."""
    marlow = Given("marlow", "6170")
    found = refusal_of(staffed.desk, live, marlow, Meaning.WITNESSED)
    assert isinstance(found, NotAWitnessError)
    assert str(found) == "Run B1-000001 was attended by nobody; Ines Marlow cannot sign it as witnessed."
    point = WitnessPoint(stage="shell test", point="witness point", party="Ellery Water Board", notify="its desk",
                         notice_days=5)  # fmt: skip
    there = Attendance(point=point, notice="no notice", attended=(Attendee(name="Ines Marlow", party="Ellery"),))
    first = live.stages[0].model_copy(update={"attendance": there})
    attended = live.model_copy(update={"stages": (first, *live.stages[1:])})
    assert staffed.desk.sign_run(attended, marlow, Meaning.WITNESSED).role is Role.WITNESS


def test_a_clock_that_was_set_back_signs_nothing(signed, live):
    """Neither before the end of the run nor before another signature of it."""
    signed.now = datetime(2026, 11, 26, 8, 59, 59, 999_000, tzinfo=UTC)
    found = refusal_of(signed.desk, live, ASHE, Meaning.REVIEWED)
    assert isinstance(found, ClockBehindError)
    assert str(found) == (
        "The clock shows 2026-11-26T08:59:59.999Z, which is before the signature of Mara Quill at "
        "2026-11-26T09:00:00.000Z; nothing is signed."
    )
    signed.now = datetime.fromisoformat(live.ended) - timedelta(milliseconds=1)
    assert "before the end of run B1-000001" in str(refusal_of(signed.desk, live, ASHE, Meaning.REVIEWED))
    signed.now = datetime(2026, 11, 26, 9, 0, tzinfo=UTC)
    signed.desk.sign_run(live, ASHE, Meaning.REVIEWED)


def test_a_signature_that_finds_no_room_is_none(staffed, live):
    """A full disk: one sentence, nothing half-done; with room it is signed."""
    runs = [live.model_copy(update={"run": f"B1-{number:06d}"}) for number in range(200)]
    done = []

    def sign_until_refused() -> None:
        for run in runs:
            staffed.desk.sign_run(run, QUILL, Meaning.PERFORMED)
            done.append(run)

    fill_up(staffed)
    with pytest.raises(StoreFailedError) as refusal:
        sign_until_refused()
    assert str(refusal.value) == f"The records in {staffed.path} cannot be used: the disk is full."
    assert [run for run in runs if staffed.store.signatures_of(run.run)] == done
    limit(staffed, 100_000)
    staffed.desk.sign_run(runs[len(done)], QUILL, Meaning.PERFORMED)


def limit(hand: InHand, pages: int) -> None:
    """A stand-in for a disk with this much room (SQLite reports both alike)."""
    with hand.store._database.reading() as connection:
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")


def fill_up(hand: InHand) -> None:
    """Leave no page free."""
    with hand.store._database.reading() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar()
    limit(hand, used)


def test_two_at_once_sign_once(signed, live):
    """The rule is asked within the transaction that keeps the signature."""
    other = InHand.__new__(InHand)
    other.now, other.path, other.keys = signed.now, signed.path, signed.keys
    other.open()
    other.desk.sign_run(live, ASHE, Meaning.RELEASED)
    assert isinstance(refusal_of(signed.desk, live, ASHE, Meaning.RELEASED), AlreadySignedError)
    other.store.close()


def test_an_adoption_and_its_signature_are_one(staffed):
    """What an engineer takes into use is signed by the hash of its file."""
    engineer = staffed.desk.in_role(ASHE, Role.ENGINEER, Method.PASSWORD)
    one = staffed.desk.procedure_signature(engineer, "our-swing-check", "a" * 64)
    assert (one.subject, one.subject_id, one.record_sha256, one.trace_sha256) == (
        "procedure", "our-swing-check", "a" * 64, "",
    )  # fmt: skip
    assert one.statement.startswith("I take procedure our-swing-check into use on this bench.")
    assert staffed.store.signatures_of("our-swing-check") == (), "nothing is kept before the adoption is"
    assert not replace(engineer, enabled=False).may(Role.ENGINEER)


def test_a_locked_person_signs_nothing(signed, live):
    """Not even with the right password."""
    for _ in range(5):
        signed.refused(Given("ashe", "not the password"), Method.PASSWORD)
    assert isinstance(refusal_of(signed.desk, live, ASHE, Meaning.RELEASED), PersonLockedError)
