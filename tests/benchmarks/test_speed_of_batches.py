"""A thousand documents of one order, and what holding them against the register costs. Printed; no time is asserted.

Beside it, in the same run, the plain way: one process, each page signed with RSA-3072 by the library's own signer, that
loads the key for each, nothing checked before it leaves. It is measured with fewer pages and told per page.
"""

import resource
import time
from io import BytesIO
from pathlib import Path

import pytest
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from testbench.batch import issue_order
from testbench.certificate.content import IssueFacts
from testbench.certificate.issue import unsealed_document
from testbench.custody import verify_ledger
from testbench.documents import look_at
from testbench.run.record import canonical, sha256
from testbench.station.bench import Works
from testbench.wiring import Home, read_store
from tests.benchmarks.test_speed_of_signing import AT, plain_signer
from tests.records.order import ORDER, bench_with

PAGES, PLAIN_PAGES = 1_000, 30


def _of_children() -> float:
    """Processor time of the processes that have ended [s]."""
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def plainly(home: Home, folder: Path) -> float:
    """Seconds for a page."""
    signer = plain_signer(folder)
    begun = time.perf_counter()
    with read_store(home) as store:
        for number in range(1, PLAIN_PAGES + 1):
            record, traces = store.load(f"B1-{number:06d}")
            facts = IssueFacts(Works(name="Harrow Lane Valve Works"), AT, "Station seal", "0000")
            page = unsealed_document(record, sha256(canonical(record)), traces, facts, "A4")
            meta = signers.PdfSignatureMetadata(field_name="Plain", subfilter=fields.SigSeedSubFilter.PADES)
            out = signers.sign_pdf(IncrementalPdfFileWriter(BytesIO(page)), meta, signer)
            (folder / f"{number}.pdf").write_bytes(out.getvalue())
    return (time.perf_counter() - begun) / PLAIN_PAGES


@pytest.mark.benchmark
@pytest.mark.timeout(1800)
def test_a_thousand_certificates_in_two_minutes_on_two_cores(tmp_path: Path) -> None:
    """Goal: 120 s on two cores that are free."""
    home = bench_with(tmp_path / "home", PAGES)
    plain = plainly(home, tmp_path)
    begun, before = time.perf_counter(), _of_children()
    done = issue_order(home, ORDER)
    took, cpu = time.perf_counter() - begun, _of_children() - before
    assert (len(done.issued), done.refused) == (PAGES, {})
    begun = time.process_time()
    with read_store(home) as store:
        documents = look_at(home, store)
    read = time.process_time() - begun
    assert documents.as_issued == PAGES
    begun = time.process_time()
    verify_ledger(home, None, traces=False, documents=None)
    lines = [
        f"{took:7.1f} s   {PAGES} certificates, two processes, checked and entered (goal 120)",
        f"{cpu:7.1f} s   of processor for them: {cpu / 2:.1f} s on each of two free cores",
        f"{plain * PAGES:7.1f} s   the plain way, one process, unchecked: {plain * PAGES / took:.1f} times as long",
        f"{1000 * read:7.0f} ms  of processor for {PAGES} documents held against the register",
        f"{1000 * (time.process_time() - begun):7.0f} ms  for the walk of the ledger without them",
    ]
    print("", *lines, sep="\n")  # noqa: T201 - figures for a reader
