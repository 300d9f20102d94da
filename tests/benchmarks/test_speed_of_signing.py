"""What a document costs from its record to a signed and checked file. Figures are printed; no time is asserted.

Beside it, in the same run, the plain way: the same page, signed with RSA-3072 by the library's own signer, which loads
the key for each signature; for a cold process a script that imports everything at once (``plain_certificate.py``).
"""

import resource
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from statistics import median

import numpy as np
import pikepdf
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, pkcs12
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from testbench.certificate import qr
from testbench.certificate.attach import attachments_of
from testbench.certificate.checking import verify_apart
from testbench.certificate.content import IssueFacts
from testbench.certificate.issue import unsealed_document
from testbench.certificate.keys import load_station_key, make_station_key
from testbench.certificate.pkcs12 import packed, unpacked
from testbench.certificate.signing import certify, lock, seal
from testbench.certificate.trust import Anchors
from testbench.certificate.verify import verify
from testbench.run.record import TraceReference, canonical, sha256
from testbench.run.samples import Trace
from testbench.run.signature import Meaning
from testbench.station.bench import Works
from testbench.wiring import read_store
from tests.benchmarks.processes import program
from tests.certificate.conftest import CHECKPOINT, signed_by
from tests.records.make import example_run, valve
from tests.records.order import bench_with

AT = datetime(2026, 11, 26, 8, 0, tzinfo=UTC)
SAMPLES, TIMES, COLD = 6_000, 9, 5


def padded(trace: Trace, samples: int) -> Trace:
    """A trace with so many samples, the rest of them after the pressure was released."""
    more = samples - len(trace)
    at = np.concatenate([trace.at, trace.at[-1] + 1000 * np.arange(1, more + 1)])
    noise = np.random.default_rng(1).integers(-5, 6, more)
    return Trace(at, np.concatenate([trace.counts, trace.counts[-1] + noise]), trace.gaps)


def cpu_ms(do: Callable[[], object]) -> float:
    """The median of some calls [ms of processor time]."""
    do()
    taken = []
    for _ in range(TIMES):
        begun = time.process_time()
        do()
        taken.append(1000 * (time.process_time() - begun))
    return median(taken)


def plain_signer(folder: Path) -> signers.SimpleSigner:
    """RSA-3072 as the library loads it."""
    key = rsa.generate_private_key(65537, 3072)
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "Plain")])
    made = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    made = made.serial_number(1).not_valid_before(AT - timedelta(days=1)).not_valid_after(AT + timedelta(days=9))
    data = pkcs12.serialize_key_and_certificates(
        b"plain", key, made.sign(key, hashes.SHA256()), None, BestAvailableEncryption(b"x")
    )
    (folder / "plain.p12").write_bytes(data)
    return signers.SimpleSigner.load_pkcs12(str(folder / "plain.p12"), passphrase=b"x")


def written_otherwise(page: bytes) -> bytes:
    """The same page as another version of a library would write it."""
    out = BytesIO()
    with pikepdf.open(BytesIO(page)) as pdf:
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.disable)
    return out.getvalue()


@pytest.mark.benchmark
def test_a_document_is_signed_and_checked_in_a_fifth_of_a_second(tmp_path: Path) -> None:
    """Goals: 200 ms of processor time warm; 150 KiB with two signatures and 6,000 samples."""
    record, traces = example_run("B1-000001", valve("HL-4-0117", "NPS 4"))
    traces = tuple(padded(trace, SAMPLES // len(traces)) for trace in traces)
    referred = zip(record.stages, traces, strict=True)
    stages = tuple(
        stage.model_copy(update={"trace": TraceReference(samples=len(trace), sha256=trace.sha256())})
        for stage, trace in referred
    )
    record = record.model_copy(update={"stages": stages})
    digest = sha256(canonical(record))
    keys = []
    for name in ("B1", "B2"):
        make_station_key(tmp_path / name, name, "Harrow Lane Valve Works", AT)
        keys.append(load_station_key(tmp_path / name))
    anchors = Anchors(tuple(key.certificate for key in keys))
    people = (
        signed_by(record, "quill", "Mara Quill", Meaning.PERFORMED, 1),
        signed_by(record, "ashe", "Tobin Ashe", Meaning.RELEASED, 9),
    )
    facts = IssueFacts(Works(name="Harrow Lane Valve Works"), AT, "Station seal", "0000", checkpoint=CHECKPOINT)
    plain = plain_signer(tmp_path)

    def drawn(facts: IssueFacts = facts) -> bytes:
        qr.modules.cache_clear()  # each document has its own
        return unsealed_document(record, digest, traces, facts, "A4")

    def signed_twice(page: bytes) -> bytes:
        return lock(certify(page, keys[0], AT), keys[1], AT)

    def issued() -> object:
        unsigned = drawn()
        return verify(seal(unsigned, keys[0], AT), anchors, unsigned)

    def plainly() -> object:
        meta = signers.PdfSignatureMetadata(field_name="Plain", subfilter=fields.SigSeedSubFilter.PADES)
        return signers.sign_pdf(IncrementalPdfFileWriter(BytesIO(drawn())), meta, plain)

    page = drawn()
    sealed = seal(page, keys[0], AT)
    both, other = signed_twice(page), seal(written_otherwise(page), keys[0], AT)
    took = {
        "record to sealed and checked file (goal 200)": issued,
        "the same page signed plainly, unchecked": plainly,
        "draw, attach, check the archive profile": drawn,
        "seal": lambda: seal(page, keys[0], AT),
        "verify one signature, the page drawn anew": lambda: verify(sealed, anchors),
        "verify one signature, the page not compared": lambda: verify(sealed, anchors, ink=False),
        "verify one signature, the page compared mark by mark": lambda: verify(other, anchors),
        "verify two": lambda: verify(both, anchors),
    }
    lines = [f"{cpu_ms(do):6.0f} ms  {what}" for what, do in took.items()]
    begun = time.perf_counter()
    assert verify_apart(both, anchors).follows
    lines.append(f"{1000 * (time.perf_counter() - begun):6.0f} ms  verify two apart, cold, on the wall")
    sizes = {"unsigned": page, "sealed": sealed, "two signatures (goal 150)": both}
    twice = signed_twice(drawn(replace(facts, signed=people)))
    sizes["the same with the attached signatures of two people"] = twice
    lines += [f"{len(data) / 1024:6.0f} KiB {what}" for what, data in sizes.items()]
    print("", *lines, sep="\n")  # noqa: T201 - figures for a reader
    assert len(both) <= 150 * 1024
    assert len(twice) <= 150 * 1024


def cold(do: Callable[[int], "subprocess.Popen[str]"]) -> str:
    """Processor and wall time of a process from start to end, the median of some after the first."""
    taken = []
    for number in range(COLD + 1):
        before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        process = do(number)
        said, _ = process.communicate()
        wall, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
        assert process.returncode == 0, said
        taken.append((after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall))
    cpu, wall = (median(column) for column in zip(*taken[1:], strict=True))
    return f"{cpu:6.2f} s of processor, {wall:5.2f} s on the wall"


@pytest.mark.benchmark
@pytest.mark.timeout(600)
def test_a_cold_process_writes_a_document_in_two_seconds(tmp_path: Path) -> None:
    """Goal: 2 s for a document from the command line."""
    home, plain = bench_with(tmp_path / "home", COLD + 1), tmp_path / "plain"
    plain.mkdir()
    plain_signer(plain)
    with read_store(home) as store:
        record, traces = store.load("B1-000001")
    for file in attachments_of(record, traces):
        (plain / file.name).write_bytes(file.data)
    quiet = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True}

    def ours(*words: str) -> "subprocess.Popen[str]":
        command = [sys.executable, "-P", "-m", "testbench", "certificate", *words, "--home", str(home.folder)]
        return subprocess.Popen(command, **quiet)

    def verified(number: int) -> "subprocess.Popen[str]":
        return ours("verify", str(sorted(home.certificates.glob("*.pdf"))[number]))

    took = {
        "certificate issue (goal 2)": cold(lambda number: ours("issue", f"B1-{number + 1:06d}")),
        "plainly: everything imported, drawn, signed, looked at": cold(
            lambda _: program("plain_certificate", plain, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        ),
        "certificate verify, which reads the file in a second process": cold(verified),
    }
    print("", *(f"{figure}  {what}" for what, figure in took.items()), sep="\n")  # noqa: T201 - figures for a reader


@pytest.mark.benchmark
def test_a_wrong_passphrase_is_not_refused_in_no_time() -> None:
    """It meets the MAC alone, a right one two encryptions more, each of 600,000 rounds."""
    from testbench.certificate.authority import new_key, root_certificate
    from testbench.errors import PassphraseWrongError

    key = new_key()
    data = packed("root", key, root_certificate(key, "Works", AT), [], "the right passphrase")

    def wrong() -> None:
        with pytest.raises(PassphraseWrongError):
            unpacked(data, "the wrong passphrase", "root")

    right = cpu_ms(lambda: unpacked(data, "the right passphrase", "root"))
    print(f"\nright passphrase {right:.0f} ms, wrong {cpu_ms(wrong):.0f} ms")  # noqa: T201 - figures for a reader
