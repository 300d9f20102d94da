"""Time stamps: at once, later, never in the way. The authority is openssl ts behind a loopback port."""

import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
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

from testbench.certificate.authority import new_key
from testbench.certificate.issue import issue, sealed_document, stamp_file, without_stamp
from testbench.certificate.keys import load_station_key
from testbench.certificate.signing import seal
from testbench.certificate.stamping import OverHttp, stamped
from testbench.certificate.trust import Anchors
from testbench.certificate.verify import in_words, verify
from testbench.cli.main import cli
from testbench.custody import issue_document, stamp_documents, verify_ledger
from testbench.documents import Documents
from testbench.errors import DocumentUnreadableError, StampFailedError
from testbench.procedure.valve import Order
from testbench.run.record import canonical, sha256
from testbench.safekeeping import back_up, restore
from testbench.summing_up import Asked, issue_lot
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve

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
