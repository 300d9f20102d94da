"""Time stamps: at once, later, never in the way. The authority is openssl ts behind a loopback port."""

import fcntl
import json
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from asn1crypto import cms
from click.testing import CliRunner
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyhanko.pdf_utils.reader import PdfFileReader

from testbench.certificate import pkcs12
from testbench.certificate.authority import Why, new_key
from testbench.certificate.customer import HandOver, export_for_customer
from testbench.certificate.issue import issue, sealed_document, stamp_file, without_stamp
from testbench.certificate.keyring import Authority
from testbench.certificate.keys import load_station_key
from testbench.certificate.signing import seal
from testbench.certificate.stamping import OverHttp, stamped
from testbench.certificate.trust import Anchors
from testbench.certificate.verify import in_words, verify
from testbench.certificate.withdrawn import signed_list
from testbench.cli.main import cli
from testbench.custody import issue_document, verify_ledger
from testbench.documents import Documents
from testbench.errors import DocumentUnreadableError, StampFailedError
from testbench.procedure.valve import Order
from testbench.recording import StampingByChild
from testbench.run.record import canonical, sha256
from testbench.safekeeping import back_up, restore
from testbench.stamping import stamp_documents, stamp_waiting
from testbench.station.bench import Works
from testbench.summing_up import Asked, issue_lot
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve
from tests.without_home import without_home

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")

SETTINGS = """[tsa]
serial = {folder}/serial
signer_cert = {folder}/tsa.pem
signer_key = {folder}/tsa.key
certs = {folder}/root.pem
signer_digest = sha256
default_policy = 1.2.3.4
digests = sha256
ess_cert_id_alg = sha256
"""


@pytest.fixture(scope="session")
def tsa(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimpleNamespace]:
    """A time-stamp authority on loopback; ``answer`` may be replaced by a test."""
    folder = tmp_path_factory.mktemp("tsa")
    root = _make_tsa(folder)
    made = SimpleNamespace(folder=folder, root=root, answer=lambda query: _reply(folder, query), asked=[])

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            query = self.rfile.read(int(self.headers["Content-Length"]))
            made.asked.append((self.headers["Content-Type"], query))
            answer = made.answer(query)
            self.send_response(200 if answer is not None else 503)
            self.end_headers()
            self.wfile.write(answer or b"")

        def log_message(self, *_: Any) -> None:
            """Nothing to say."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    made.stamps = OverHttp(f"http://127.0.0.1:{server.server_port}/")
    yield made
    server.shutdown()
    server.server_close()
    thread.join()


def _make_tsa(folder: Path, valid: timedelta = timedelta(days=365)) -> bytes:
    """A root and, under it, a certificate whose one purpose is stamping (RFC 3161, 2.3); gives the root, DER."""
    root_key, key, now = new_key(), new_key(), datetime.now(UTC)

    def made(name: str, of: Any, issuer: str, *, authority: bool) -> x509.Certificate:
        builder = (
            x509
            .CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
            .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
            .public_key(of.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=1))
            .not_valid_after(now + valid)
            .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        )
        if not authority:
            stamping = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.TIME_STAMPING])
            builder = builder.add_extension(stamping, critical=True)
        return builder.sign(root_key, hashes.SHA256())

    root = made("Time root", root_key, "Time root", authority=True)
    leaf = made("Time stamps", key, "Time root", authority=False)
    (folder / "root.pem").write_bytes(root.public_bytes(Encoding.PEM))
    (folder / "tsa.pem").write_bytes(leaf.public_bytes(Encoding.PEM))
    (folder / "tsa.key").write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    (folder / "serial").write_text("01\n")
    (folder / "settings").write_text(SETTINGS.format(folder=folder))
    return root.public_bytes(Encoding.DER)


def _reply(folder: Path, query: bytes) -> bytes:
    (folder / "query").write_bytes(query)
    command = ["openssl", "ts", "-reply", "-config", "settings", "-section", "tsa", "-queryfile", "query"]
    subprocess.run([*command, "-out", "reply"], cwd=folder, check=True, capture_output=True)
    return (folder / "reply").read_bytes()


@pytest.fixture
def waiting(unsealed: bytes, authority: SimpleNamespace) -> bytes:
    """A sealed document without a time stamp, signed just now."""
    return seal(unsealed, authority.station, datetime.now(UTC).replace(microsecond=0))


def known(authority: SimpleNamespace, tsa: SimpleNamespace) -> Anchors:
    return Anchors((authority.made.root,), (), (tsa.root,))


def test_a_time_stamp_changes_nothing_but_the_room_kept_for_it(
    waiting: bytes, tsa: SimpleNamespace, authority: SimpleNamespace
) -> None:
    """No revision is added and no signed byte changes; B-B becomes B-T."""
    done = stamped(waiting, tsa.stamps)
    first, length, second, rest = PdfFileReader(BytesIO(waiting)).embedded_signatures[0].byte_range
    assert len(done) == len(waiting) == second + rest
    assert (done[first:length], done[second:]) == (waiting[:length], waiting[second:])
    found = verify(done, known(authority, tsa))
    assert (found.trusted, found.follows, found.signatures[0].level) == (True, True, "B-T")
    since = datetime.now(UTC) - datetime.fromisoformat(found.signatures[0].stamped_at)
    assert timedelta(seconds=-2) < since < timedelta(minutes=3)
    assert tsa.asked[-1][0] == "application/timestamp-query"


def test_openssl_verifies_the_token(waiting: bytes, tsa: SimpleNamespace, tmp_path: Path) -> None:
    """Outside source: openssl ts -verify over the signature's value."""
    one = PdfFileReader(BytesIO(stamped(waiting, tsa.stamps))).embedded_signatures[0]
    (tmp_path / "token").write_bytes(_token_of(one))
    (tmp_path / "value").write_bytes(one.signer_info["signature"].native)
    command = ["openssl", "ts", "-verify", "-token_in", "-in", "token", "-data", "value"]
    said = subprocess.run(
        [*command, "-CAfile", str(tsa.folder / "root.pem")], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert "Verification: OK" in said.stdout + said.stderr


def _token_of(one: Any) -> bytes:
    attributes = {found["type"].native: found["values"][0] for found in one.signer_info["unsigned_attrs"]}
    return bytes(attributes["signature_time_stamp_token"].dump())


@pytest.mark.skipif(shutil.which("pdfsig") is None, reason="poppler-utils is not installed")
def test_pdfsig_still_calls_it_valid(waiting: bytes, tsa: SimpleNamespace, tmp_path: Path) -> None:
    """Outside source: pdfsig of poppler."""
    (tmp_path / "file.pdf").write_bytes(stamped(waiting, tsa.stamps))
    command = ["pdfsig", "-nocert", str(tmp_path / "file.pdf")]
    said = subprocess.run(command, capture_output=True, text=True, check=False).stdout
    assert "Signature Validation: Signature is Valid." in said
    assert "  - Total document signed" in said


def test_the_time_of_a_stranger_counts_for_nothing(
    waiting: bytes, tsa: SimpleNamespace, authority: SimpleNamespace
) -> None:
    """Intact and known; the time stays the station's."""
    found = verify(stamped(waiting, tsa.stamps), authority.anchors)
    assert (found.trusted, found.signatures[0].level, found.signatures[0].stamped_at) == (True, "B-T", "")
    assert any("with the time stamp of an authority that is not known here" in line for line in in_words(found))


@pytest.mark.parametrize(("with_stamp", "code"), [(True, 0), (False, 3)])
def test_after_a_key_was_lost_a_customers_command_takes_what_was_stamped_before(
    waiting: bytes, tsa: SimpleNamespace, authority: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    with_stamp: bool, code: int,
) -> None:  # fmt: skip
    """As it is pasted, with the root of the time stamps that the home has; what has none counts no more."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    shutil.copytree(authority.folder, tmp_path / "works")
    own, later = Authority(tmp_path / "works" / "home" / "keys"), datetime.now(UTC) + timedelta(hours=1)
    shutil.copy(tsa.folder / "root.pem", own.keys / "stamp-root.pem")
    own.revoke("Station seal, bench B1", Why.KEY_COMPROMISE, later, authority.ask, None)
    own.issue_station("B1", "Harrow Lane Valve Works", later, authority.ask, plain=False)
    listed = signed_list((), "B1", later, load_station_key(own.keys, authority.ask))
    works, folder = Works(name="Harrow Lane Valve Works"), tmp_path / "handed"
    export_for_customer(own, HandOver(works, "B1", listed, later, "A4", "en"), folder)
    (folder / "FILE.pdf").write_bytes(stamped(waiting, tsa.stamps) if with_stamp else waiting)
    (command,) = [line for line in (folder / "how-to-check.txt").read_text().splitlines() if "    testbench" in line]
    monkeypatch.chdir(folder)
    found = without_home(*command.split()[1:])
    assert found.exit_code == code, found.output


def test_a_stamped_document_is_not_stamped_again(waiting: bytes, tsa: SimpleNamespace) -> None:
    """Nobody is asked."""
    done = stamped(waiting, tsa.stamps)
    asked = len(tsa.asked)
    assert stamped(done, tsa.stamps) == done
    assert len(tsa.asked) == asked


def test_the_last_signature_is_stamped(locked: bytes, tsa: SimpleNamespace, authority: SimpleNamespace) -> None:
    """It covers the operator's, which can therefore take none of its own any more."""
    found = verify(stamped(locked, tsa.stamps), known(authority, tsa))
    assert [one.level for one in found.signatures] == ["B-B", "B-T"]
    assert found.intact


def test_both_signatures_stamped_stay_within_the_size(locked: bytes, tsa: SimpleNamespace) -> None:
    """The goal is 150 KiB with two signatures and 6,000 samples; these readings are some 4,300."""
    assert len(stamped(locked, tsa.stamps)) < 150 * 1024


def test_a_time_stamp_outlives_the_certificate_of_its_authority(
    waiting: bytes, authority: SimpleNamespace, tmp_path: Path
) -> None:
    """It is judged at its own time, as signers are: a customer looks years later."""
    root = _make_tsa(tmp_path, timedelta(seconds=3))

    class Short(OverHttp):
        def answer(self, query: bytes) -> bytes:
            return _reply(tmp_path, query)

    done = stamped(waiting, Short("http://short"))
    time.sleep(3.5)
    assert verify(done, Anchors((authority.made.root,), (), (root,))).signatures[0].stamped_at != ""


# Without an answer ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (lambda _: None, "HTTP status 503."),
        (lambda _: b"", "its answer is no time stamp"),
        (lambda _: b"<html>log in first</html>", "its answer is no time stamp"),
        (lambda query: query, "its answer is no time stamp"),
        (lambda _: bytes(70_000), "its answer is no time stamp"),
    ],
)
def test_what_is_no_time_stamp_is_said(
    waiting: bytes, tsa: SimpleNamespace, monkeypatch: pytest.MonkeyPatch, answer: Callable[[bytes], bytes], said: str
) -> None:
    """One sentence, with the authority's address."""
    monkeypatch.setattr(tsa, "answer", answer)
    with pytest.raises(StampFailedError) as refusal:
        stamped(waiting, tsa.stamps)
    assert str(refusal.value).startswith(f"Time-stamp authority {tsa.stamps.name} gave no time stamp: {said}")


def test_an_answer_to_another_question_is_refused(
    waiting: bytes, tsa: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nonce and imprint are compared (RFC 3161, 2.2): an old answer stamps nothing new."""
    stamped(waiting, tsa.stamps)
    old = (tsa.folder / "reply").read_bytes()
    monkeypatch.setattr(tsa, "answer", lambda _: old)
    with pytest.raises(StampFailedError, match="its answer is no time stamp"):
        stamped(waiting, tsa.stamps)


def test_a_stamp_on_another_signature_is_found(
    waiting: bytes, unsealed: bytes, tsa: SimpleNamespace, authority: SimpleNamespace
) -> None:
    """A token moved from another document: the imprint is not that of this signature."""
    other = stamped(seal(unsealed, authority.station, datetime.now(UTC)), tsa.stamps)
    token = cms.ContentInfo.load(_token_of(PdfFileReader(BytesIO(other)).embedded_signatures[0]))

    class Moved(OverHttp):
        def answer(self, query: bytes) -> bytes:
            raise NotImplementedError

    from testbench.certificate import stamping

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(stamping, "_token", lambda *_: token)
        data = stamped(waiting, Moved("http://moved"))
    found = verify(data, known(authority, tsa))
    assert not found.intact
    assert found.reasons == ("Its time stamp is wrong.",)


def test_an_address_that_is_none_asks_nobody() -> None:
    """No file, no other scheme."""
    with pytest.raises(StampFailedError) as refusal:
        OverHttp("file:///etc/passwd").answer(b"")
    assert str(refusal.value) == (
        "Time-stamp authority file:///etc/passwd gave no time stamp: "
        "its address begins with neither http:// nor https://."
    )


# Issued, and later ------------------------------------------------------------------------------


def test_a_document_does_not_wait_for_its_time_stamp(
    accepted: Any, keys: Path, tmp_path: Path, bench: SimpleNamespace, at: datetime, tsa: SimpleNamespace
) -> None:
    """Nobody listens: it leaves as B-B and says what it waits for; later it is stamped in its place, once."""
    nobody = OverHttp("http://127.0.0.1:9/")
    issued = issue(
        accepted.record, accepted.sha256, accepted.traces, works=bench.works, paper="A4", key_folder=keys,
        out_folder=tmp_path, at=at, stamps=nobody,
    )  # fmt: skip
    assert issued.waiting == (
        "Time-stamp authority http://127.0.0.1:9/ gave no time stamp: [Errno 111] Connection refused."
    )
    anchors = Anchors((load_station_key(keys).certificate,), (), (tsa.root,))
    assert verify(issued.path, anchors).signatures[0].level == "B-B"
    with pytest.raises(StampFailedError):
        stamp_file(issued.path, nobody)
    digest = stamp_file(issued.path, tsa.stamps)
    assert digest not in {"", issued.sha256}
    assert verify(issued.path, anchors).signatures[0].level == "B-T"
    assert stamp_file(issued.path, tsa.stamps) == ""
    assert [path.name for path in tmp_path.iterdir()] == [issued.path.name]


def test_a_document_is_stamped_as_it_is_issued(
    accepted: Any, keys: Path, tmp_path: Path, bench: SimpleNamespace, at: datetime, tsa: SimpleNamespace
) -> None:
    """Where the authority answers, the document never existed without."""
    issued = issue(
        accepted.record, accepted.sha256, accepted.traces, works=bench.works, paper="A4", key_folder=keys,
        out_folder=tmp_path, at=at, stamps=tsa.stamps,
    )  # fmt: skip
    assert issued.waiting == ""
    assert verify(issued.path, ()).signatures[0].level == "B-T"


def test_a_changed_document_gets_no_time_stamp(waiting: bytes, tmp_path: Path, tsa: SimpleNamespace) -> None:
    """The stamp would lend it a date."""
    path = tmp_path / "file.pdf"
    path.write_bytes(waiting + b"\n")
    with pytest.raises(DocumentUnreadableError) as refusal:
        stamp_file(path, tsa.stamps)
    assert str(refusal.value) == f"{path} cannot be checked: it is not intact."


# In a home: the page and the register are two places -----------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench with one certificate, issued while nobody named an authority."""
    home = make_home(tmp_path_factory.mktemp("made") / "home")
    with open_store(home) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
    issue_document(home, "B1-000001")
    return home.folder


@pytest.fixture
def home(made: Path, tmp_path: Path, tsa: SimpleNamespace) -> Home:
    """A copy of it, which names the authority."""
    shutil.copytree(made, tmp_path / "home")
    bench = tmp_path / "home" / "bench.toml"
    bench.write_text(f'{bench.read_text()}\n[time_stamp]\nurl = "{tsa.stamps.name}"\n')
    return Home(tmp_path / "home")


def page_of(home: Home) -> Path:
    (page,) = home.certificates.glob("*.pdf")
    return page


def digests(home: Home) -> list[str]:
    with open_store(home) as store:
        return [one.sha256 for one in store.documents_of("B1-000001")]


def documents(home: Home) -> Documents | None:
    return verify_ledger(home, None, traces=False).documents


def test_a_stamped_document_is_entered_with_its_new_hash(home: Home) -> None:
    """The file has changed, so its hash has; the first entry stays. A second call finds nothing to do."""
    page, before = page_of(home), sha256(page_of(home).read_bytes())
    assert stamp_documents(home) == ([page], {})
    assert digests(home) == [before, sha256(page.read_bytes())]
    assert documents(home) == Documents(as_issued=1)
    assert stamp_documents(home) == ([], {})
    assert len(digests(home)) == 2


def test_a_lot_certificate_waits_for_its_stamp_and_gets_it_like_any_page(
    home: Home, tsa: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Issued while the authority does not answer; the register then has it with both hashes."""
    with open_store(home) as store:
        of = store.record_of("B1-000001")
    order = Order(number=of.order, customer=of.customer, procedure=of.requirements.procedure, valves=(of.valve,))
    stamp_documents(home)
    with monkeypatch.context() as silent:
        silent.setattr(tsa, "answer", lambda _: None)
        issued = issue_lot(home, order, Asked())
    assert issued.waiting
    assert stamp_documents(home) == ([issued.path], {})
    assert stamp_documents(home) == ([], {})
    with open_store(home) as store:
        assert [one.sha256 for one in store.summaries()] == [issued.sha256, sha256(issued.path.read_bytes())]
    assert documents(home) == Documents(as_issued=2)


def test_killed_between_page_and_register_is_told_from_a_change_and_put_right(home: Home, tsa: SimpleNamespace) -> None:
    """What lies there is what was issued but for a time stamp; the next call enters it, and asks nobody again."""
    page = page_of(home)
    stamp_file(page, tsa.stamps)
    assert documents(home) == Documents(stamped=(str(page),))
    told = CliRunner().invoke(cli, ["ledger", "verify", "--home", str(home.folder)])
    assert told.exit_code == 0
    assert (
        f"Document {page} is as it was issued but for a time stamp that the register does not name: it is younger than "
        "a backup that was restored, or a program was ended at it. 'testbench certificate stamp' enters it."
    ) in told.output.splitlines()
    asked = len(tsa.asked)
    assert stamp_documents(home) == ([page], {})
    assert (len(tsa.asked), documents(home)) == (asked, Documents(as_issued=1))


def test_a_restored_backup_from_before_a_stamp_keeps_the_stamped_page(home: Home, tmp_path: Path) -> None:
    """It is not given up as a page that nobody knows; the register learns its stamp again."""
    kept = back_up(home, tmp_path / "backups").path
    page = page_of(home)
    stamp_documents(home)
    restored = restore(home, kept, "the disk was exchanged")
    assert restored.given_up == ()
    assert page_of(home) == page
    assert documents(home) == Documents(stamped=(str(page),))
    stamp_documents(home)
    assert documents(home) == Documents(as_issued=1)


@pytest.mark.parametrize("stamp_first", [True, False])
def test_another_intact_page_in_its_place_is_neither_stamped_nor_entered(home: Home, *, stamp_first: bool) -> None:
    """Sealed by the same station from the same record, and yet not what was issued; stamped or not."""
    page = page_of(home)
    if stamp_first:
        stamp_documents(home)
    with open_store(home) as store:
        record, traces = store.load("B1-000001")
    key = load_station_key(home.keys)
    other = sealed_document(
        record,
        sha256(canonical(record)),
        traces,
        works=home.bench().works,
        paper="Letter",
        key=key,
        at=datetime.now(UTC),
    )
    page.write_bytes(other)
    assert verify(page, ()).intact
    before = digests(home)
    assert stamp_documents(home) == ([], {str(page): f"{page} cannot be checked: it is not the file that was issued."})
    assert (page.read_bytes(), digests(home)) == (other, before)
    assert documents(home) == Documents(changed=(str(page),))


def test_a_page_in_a_home_that_was_moved_is_stamped_where_it_lies(home: Home, tmp_path: Path) -> None:
    """The register names the folder of the home that this one was copied from: that page stays as it is."""
    moved = Home(home.folder.rename(tmp_path / "moved"))
    page, original = page_of(moved), Path(_registered(moved))
    before = original.read_bytes()
    assert original != page
    assert stamp_documents(moved) == ([page], {})
    assert original.read_bytes() == before


def test_a_page_that_is_gone_waits(home: Home) -> None:
    """Said by its name."""
    page_of(home).unlink()
    original = Path(_registered(home))
    aside = original.rename(original.with_suffix(".aside"))
    assert stamp_documents(home) == ([], {str(original): "it is not here"})
    aside.rename(original)


def _registered(home: Home) -> str:
    with open_store(home) as store:
        return store.documents_of("B1-000001")[0].path


# Documents that wait ------------------------------------------------------------------------------


class Standing:
    """An authority that takes a query and says what a test lets it, as slowly as that."""

    def __init__(self, speaks: Callable[[socket.socket], None]) -> None:
        self._door = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._door.getsockname()[1]}/"
        self.asked = 0
        self._speaks = speaks
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                found, _ = self._door.accept()
            except OSError:
                return
            self.asked += 1
            threading.Thread(target=self._speak, args=(found,), daemon=True).start()

    def _speak(self, found: socket.socket) -> None:
        with suppress(OSError), found:
            self._speaks(found)

    def close(self) -> None:
        self._door.close()


def says_nothing(found: socket.socket) -> None:
    """It takes the call and hangs."""
    while found.recv(4096):
        pass


def drips(found: socket.socket) -> None:
    """A byte now and then: no single wait is long."""
    found.sendall(b"HTTP/1.0 200 OK\r\nContent-Length: 60000\r\n\r\n")
    while True:
        found.sendall(b"0")
        time.sleep(0.05)


@pytest.mark.parametrize("speaks", [says_nothing, drips])
def test_an_authority_that_hangs_is_waited_for_no_longer_than_its_limit(speaks: Callable[..., None]) -> None:
    """From the call to the last byte; after so many tries it is not called any more."""
    standing = Standing(speaks)
    stamps = OverHttp(standing.url, patience_s=0.3, tries=2)
    told = []
    for _ in range(4):
        with pytest.raises(StampFailedError) as refusal:
            stamps.answer(b"query")
        told.append(refusal.value.found)
    assert told[0] in {"no whole answer within 0.3 s", "timed out"}
    assert told[2:] == ["it was not asked after 2 tries without an answer"] * 2
    assert (stamps.silent, standing.asked) == (True, 2)
    standing.close()


def named(home: Home, url: str, *more: str) -> None:
    """Another authority for this home."""
    bench = home.folder / "bench.toml"
    kept = bench.read_text().partition("\n[time_stamp]")[0]
    bench.write_text("\n".join([kept, "[time_stamp]", f'url = "{url}"', *more, ""]))


def that_wait(home: Home) -> list[str]:
    with open_store(home) as store:
        return [one.number for one in store.waiting_documents()]


def issued_unstamped(home: Home, *serials: str) -> None:
    """More documents, issued while nobody answers."""
    with open_store(home) as store:
        runs = [keep_closed(store, *example_run("", valve(serial, "NPS 4"))) for serial in serials]
    for run in runs:
        issue_document(home, run)


def test_a_document_that_left_without_is_on_the_list_until_it_has_its_stamp(home: Home, tsa: SimpleNamespace) -> None:
    """The ledger names that it waits and why; the one from before an authority was named waits for nothing."""
    named(home, "http://127.0.0.1:9/")
    issued_unstamped(home, "HL-4-0201")
    assert that_wait(home) == ["C-B1-000002"]
    listed = CliRunner().invoke(cli, ["certificate", "list", "--home", str(home.folder)]).output.splitlines()
    assert [line.endswith("in force, waits for its time stamp") for line in listed] == [False, True, False]
    told = CliRunner().invoke(cli, ["certificate", "list", "--state", "waiting", "--json", "--home", str(home.folder)])
    (found,) = json.loads(told.output)
    assert (found["number"], found["waiting"]) == (
        "C-B1-000002",
        "Time-stamp authority http://127.0.0.1:9/ gave no time stamp: [Errno 111] Connection refused.",
    )
    named(home, tsa.stamps.name)
    done, left = stamp_waiting(home)
    assert ([path.name for path in done], left) == (["C-B1-000002_HL-4-0201.pdf"], {})
    assert (that_wait(home), documents(home)) == ([], Documents(as_issued=2))
    assert stamp_waiting(home) == ([], {})


def test_what_writes_next_stamps_those_that_wait(home: Home, tsa: SimpleNamespace) -> None:
    """A certificate, a lot certificate; not where the authority still gives nothing."""
    named(home, "http://127.0.0.1:9/", "tries = 1")
    issued_unstamped(home, "HL-4-0201", "HL-4-0202")
    with open_store(home) as store:
        run = keep_closed(store, *example_run("", valve("HL-4-0203", "NPS 4")))
    words = ["certificate", "issue", run, "--home", str(home.folder)]
    with pytest.MonkeyPatch.context() as still:
        still.setattr("testbench.stamping.stamp_waiting", lambda *_: pytest.fail("asked again"))
        said = CliRunner().invoke(cli, words).output.splitlines()
    assert said[1] == "It has no time stamp yet; the recorder asks again, and so does 'testbench certificate stamp'."
    named(home, tsa.stamps.name)
    with open_store(home) as store:
        run = keep_closed(store, *example_run("", valve("HL-4-0204", "NPS 4")))
    said = CliRunner().invoke(cli, ["certificate", "issue", run, "--home", str(home.folder)]).output.splitlines()
    assert said[1:] == ["3 documents that waited got a time stamp."]
    assert that_wait(home) == []


def test_a_round_ends_where_the_authority_hangs(home: Home) -> None:
    """Two tries of three documents; all three still wait, and their files are as they were."""
    named(home, "http://127.0.0.1:9/")
    issued_unstamped(home, "HL-4-0201", "HL-4-0202", "HL-4-0203")
    before = {path: path.read_bytes() for path in home.certificates.glob("*.pdf")}
    standing = Standing(says_nothing)
    named(home, standing.url, "patience_s = 0.3")
    done, left = stamp_waiting(home)
    assert (done, len(left), standing.asked) == ([], 2, 2)
    assert len(that_wait(home)) == 3
    assert {path: path.read_bytes() for path in home.certificates.glob("*.pdf")} == before
    standing.close()


def test_only_one_program_stamps_at_a_time(home: Home) -> None:
    """The other leaves it to that one, and says so."""
    named(home, "http://127.0.0.1:9/")
    issued_unstamped(home, "HL-4-0201")
    with (home.folder / "stamping.lock").open("a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        for stamp in (stamp_waiting, stamp_documents):
            assert stamp(home) == ([], {str(home.certificates): "another program is putting time stamps on"})
    assert len(stamp_waiting(home)[1]) == 1


@pytest.mark.parametrize("words", [(), ("--waiting",)])
def test_without_an_authority_nothing_is_stamped_by_command(made: Path, words: tuple[str, ...]) -> None:
    told = CliRunner().invoke(cli, ["certificate", "stamp", *words, "--home", str(made)])
    assert str(told.exception) == f"{made}/bench.toml: time_stamp: found nothing; a table with a url is needed."


def test_a_document_that_was_replaced_waits_no_more(home: Home, tsa: SimpleNamespace) -> None:
    """Its successor does."""
    named(home, "http://127.0.0.1:9/")
    issued_unstamped(home, "HL-4-0201")
    words = ["certificate", "replace", "C-B1-000002", "--why", "Old address", "--by", "Tobin Ashe"]
    assert CliRunner().invoke(cli, [*words, "--home", str(home.folder)]).exit_code == 0
    assert that_wait(home) == ["C-B1-000002-2"]
    named(home, tsa.stamps.name)
    assert [path.name for path in stamp_waiting(home)[0]] == ["C-B1-000002-2_HL-4-0201.pdf"]


@pytest.mark.parametrize("after", [0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2])
def test_killed_at_it_nothing_is_lost_and_the_next_goes_on(home: Home, tsa: SimpleNamespace, after: float) -> None:
    """kill -9 at any point; every file is whole, and the next call stamps and enters what is left."""
    named(home, "http://127.0.0.1:9/")
    issued_unstamped(home, "HL-4-0201", "HL-4-0202", "HL-4-0203")
    named(home, tsa.stamps.name)
    command = [sys.executable, "-P", "-m", "testbench", "certificate", "stamp", "--waiting", "--home", str(home.folder)]
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(after)
    child.kill()
    child.wait()
    looked = documents(home)
    assert looked is not None
    assert (looked.changed, looked.missing, looked.unknown) == ((), (), ())
    stamp_waiting(home)
    assert (that_wait(home), documents(home)) == ([], Documents(as_issued=4))
    assert not [path for path in home.certificates.iterdir() if path.suffix != ".pdf"]


class Idle:
    """A bench on which a run is open or not, with its recorder's child."""

    def __init__(self, home: Home) -> None:
        self.idle, self.asked = True, 0
        self.child = StampingByChild(home, home.bench(), lambda: self.idle, lambda: self.count(home))

    def count(self, home: Home) -> int:
        self.asked += 1
        return len(that_wait(home))

    def look_until(self, done: Callable[[], bool]) -> None:
        end = time.monotonic() + 60
        while not done() and time.monotonic() < end:
            self.child.look()
            time.sleep(0.02)
        assert done()

    @property
    def busy(self) -> bool:
        self.child.look()
        return self.child._child is not None


def test_an_idle_recorder_stamps_by_a_child_and_asks_seldom(home: Home, tsa: SimpleNamespace) -> None:
    """At once after its start, then after the time that bench.toml says, or once the authority has answered."""
    named(home, "http://127.0.0.1:9/")
    issued_unstamped(home, "HL-4-0201")
    bench = Idle(home)
    bench.idle = False
    assert (bench.busy, bench.asked) == (False, 0)
    bench.idle = True
    assert bench.busy
    bench.look_until(lambda: not bench.busy)
    assert that_wait(home) == ["C-B1-000002"]
    assert (bench.busy, bench.asked) == (False, 1)
    named(home, tsa.stamps.name)
    assert not bench.busy
    bench.child.soon()
    bench.look_until(lambda: not that_wait(home))
    bench.look_until(lambda: not bench.busy)
    bench.child.soon()
    assert (bench.busy, bench.asked) == (False, 3)


def test_a_run_that_is_opened_ends_the_child(home: Home) -> None:
    """Whatever the authority does meanwhile."""
    named(home, "http://127.0.0.1:9/")
    issued_unstamped(home, "HL-4-0201")
    standing = Standing(says_nothing)
    named(home, standing.url, "patience_s = 100")
    bench = Idle(home)
    bench.look_until(lambda: standing.asked == 1)
    assert bench.busy
    bench.idle = False
    bench.look_until(lambda: not bench.busy)
    assert that_wait(home) == ["C-B1-000002"]
    standing.close()


def test_a_bench_without_an_authority_never_asks(made: Path) -> None:
    """Nor does it count again what waits."""
    bench = Idle(Home(made))
    assert [bench.busy for _ in range(3)] == [False] * 3
    assert bench.asked == 1


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_only_the_stamp_can_be_taken_off(waiting: bytes, tsa: SimpleNamespace, data: st.DataObject) -> None:
    """A changed bit anywhere but in the padding or the stamp shows after the stamp is gone."""
    done = _once_stamped(waiting, tsa)
    place = data.draw(st.integers(0, len(done) - 1))
    changed = done[:place] + bytes([done[place] ^ 1 << data.draw(st.integers(0, 7))]) + done[place + 1 :]
    assert without_stamp(done) == waiting
    taken = without_stamp(changed)
    assert taken != waiting or done[place : place + 1] in b"0123456789ABCDEF"  # within the signature's container


_STAMPED: dict[bytes, bytes] = {}


def _once_stamped(waiting: bytes, tsa: SimpleNamespace) -> bytes:
    if waiting not in _STAMPED:
        _STAMPED[waiting] = stamped(waiting, tsa.stamps)
    return _STAMPED[waiting]


@pytest.mark.parametrize("data", [b"", b"%PDF-1.7", b"no page at all"])
def test_what_is_no_document_has_no_stamp_to_take(data: bytes) -> None:
    """It comes back as it is, and so fits nothing in the register."""
    assert without_stamp(data) == data
