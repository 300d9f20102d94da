"""Files made to hurt whoever opens them: each is called not intact, within its limits, and nothing of it runs.

Most are read in this process, for speed; those made to take time or memory are read as the command does, apart.
"""

import io
import socket
import subprocess
import sys
import zipfile
import zlib
from collections.abc import Callable
from datetime import datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from pikepdf import Array, Dictionary, Name, String

from testbench.certificate import checking
from testbench.certificate.checking import TOO_MUCH, verify_apart
from testbench.certificate.filed import STRANGE
from testbench.certificate.signing import seal
from testbench.certificate.verify import LARGEST_FILE, Verification, verify

MIB = 1024 * 1024


def changed(unsealed: bytes, change: Callable[[Any], None], **options: Any) -> bytes:
    """A document with something in it before it was signed."""
    out = BytesIO()
    with pikepdf.open(BytesIO(unsealed)) as pdf:
        change(pdf)
        pdf.save(out, **options)
    return out.getvalue()


# Active content under a true seal -----------------------------------------------------------------


def script(pdf: Any) -> None:
    pdf.Root.OpenAction = Dictionary(S=Name.JavaScript, JS=String("app.alert(1)"))


def named_script(pdf: Any) -> None:
    action = pdf.make_indirect(Dictionary(S=Name.JavaScript, JS=String("app.alert(1)")))
    pdf.Root.Names.JavaScript = Dictionary(Names=Array([String("x"), action]))


def launch(pdf: Any) -> None:
    _annotate(pdf, Dictionary(S=Name.Launch, F=String("/bin/sh")))


def link(pdf: Any) -> None:
    _annotate(pdf, Dictionary(S=Name.URI, URI=String("https://harrow-lane.example/other-certificate")))


def submit(pdf: Any) -> None:
    _annotate(pdf, Dictionary(S=Name.SubmitForm, F=String("https://harrow-lane.example/")))


def other_file(pdf: Any) -> None:
    _annotate(pdf, Dictionary(S=Name.GoToR, F=String("other.pdf")))


def chained(pdf: Any) -> None:
    harmless = Dictionary(S=Name.GoTo, D=Array([pdf.pages[0].obj, Name.Fit]))
    harmless.Next = pdf.make_indirect(Dictionary(S=Name.Launch, F=String("/bin/sh")))
    _annotate(pdf, harmless)


def _annotate(pdf: Any, action: Any) -> None:
    note = Dictionary(Type=Name.Annot, Subtype=Name.Link, Rect=Array([0, 0, 99, 99]), A=action)
    pdf.pages[0].obj.Annots = Array([pdf.make_indirect(note)])


def page_action(pdf: Any) -> None:
    pdf.pages[0].obj.AA = Dictionary(O=Dictionary(S=Name.Named, N=Name.Print))


def layers(pdf: Any) -> None:
    layer = pdf.make_indirect(Dictionary(Type=Name.OCG, Name=String("another verdict")))
    pdf.Root.OCProperties = Dictionary(OCGs=Array([layer]), D=Dictionary(OFF=Array([layer])))


def form_of_xml(pdf: Any) -> None:
    pdf.Root.AcroForm = Dictionary(Fields=Array([]), XFA=pdf.make_stream(b"<xdp:xdp/>"))


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (script, "/JS, /JavaScript, /OpenAction"),
        (named_script, "/JS, /JavaScript"),
        (launch, "/Launch"),
        (link, "/URI"),
        (submit, "/SubmitForm"),
        (other_file, "/GoToR"),
        (chained, "/Launch"),
        (page_action, "/AA, /Named"),
        (layers, "/OCProperties"),
        (form_of_xml, "/XFA"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_what_could_act_or_hide_is_named_although_it_was_sealed(
    unsealed: bytes, authority: SimpleNamespace, at: datetime, change: Callable[[Any], None], named: str
) -> None:
    """Whoever has the key of a station can seal anything; a page of ours needs none of these."""
    found = verify(seal(changed(unsealed, change), authority.station, at), authority.anchors)
    told = (f"It holds what could act or hide by itself: {named}.",)
    assert found.reasons == ((*told, STRANGE) if change is named_script else told)  # scripts stand where files do
    assert not found.intact


def test_an_encrypted_file_is_refused(unsealed: bytes, authority: SimpleNamespace) -> None:
    """A station never encrypts; behind a password anything could be."""
    locked = changed(unsealed, lambda _: None, encryption=pikepdf.Encryption(owner="o", user=""))
    found = verify(locked, authority.anchors)
    assert found.reasons == ("It is encrypted, which a station never does.",)


# Broken and twisted structure ---------------------------------------------------------------------


def with_start(data: bytes, start: int) -> bytes:
    """Another place for the cross-reference table."""
    head, _, _ = data.rpartition(b"startxref")
    return head + b"startxref\n%d\n%%%%EOF\n" % start


def table(previous: int | None = None, size: int = 3) -> bytes:
    """A small file with a table that may lead to itself."""
    body = b"%PDF-1.7\n1 0 obj <</Type/Catalog/Pages 2 0 R>> endobj\n2 0 obj <</Type/Pages/Kids[]/Count 0>> endobj\n"
    start = len(body)
    prev = b"" if previous is None else b"/Prev %d" % (start if previous < 0 else previous)
    return body + (
        b"xref\n0 3\n0000000000 65535 f \n0000000009 00000 n \n0000000054 00000 n \n"
        b"trailer <</Root 1 0 R/Size %d%b>>\nstartxref\n%d\n%%%%EOF\n" % (size, prev, start)
    )


def one_object(text: bytes) -> bytes:
    """A file whose catalogue is this text."""
    body = b"%PDF-1.7\n1 0 obj " + text + b" endobj\n"
    return body + (
        b"xref\n0 2\n0000000000 65535 f \n0000000009 00000 n \ntrailer <</Root 1 0 R/Size 2>>\n"
        b"startxref\n%d\n%%%%EOF\n" % len(body)
    )


def polyglot(data: bytes) -> bytes:
    """A PDF that is an archive as well."""
    out = io.BytesIO(data)
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr("other.txt", "other")
    return out.getvalue()


def of_signature(data: bytes, old: bytes, new: bytes) -> bytes:
    """A range of the same length in place of the one that is there."""
    at = data.index(old, data.index(b"/ByteRange"))
    return data[:at] + new.ljust(len(old)) + data[at + len(old) :]


TWISTED: dict[str, Callable[[bytes], bytes]] = {
    "nothing at all": lambda _: b"",
    "a header alone": lambda _: b"%PDF-1.7\n",
    "zeros": lambda _: b"%PDF-1.7\n" + bytes(5000),
    "a web page": lambda data: b"<html>" + data,
    "an archive too": polyglot,
    "cut in the middle": lambda data: data[: len(data) // 2],
    "twice in one": lambda data: data + data,
    "a table that is elsewhere": lambda data: with_start(data, 17),
    "a table beyond the end": lambda data: with_start(data, 10**12),
    "a table before the beginning": lambda data: with_start(data, -5),
    "a table that follows itself": lambda _: table(-1),
    "a table of a thousand million entries": lambda _: table(size=10**9).replace(b"0 3\n", b"0 1000000000\n"),
    "a catalogue within itself": lambda _: one_object(b"<</Type/Catalog/Pages 1 0 R/Kids[1 0 R]/AcroForm 1 0 R>>"),
    "fields that are their own parents": lambda _: one_object(
        b"<</Type/Catalog/AcroForm<</Fields[1 0 R]>>/FT/Sig/T(a)/Parent 1 0 R/Kids[1 0 R]>>"
    ),
    "a hundred thousand brackets": lambda _: one_object(b"[" * 100_000),
    "a hundred thousand dictionaries": lambda _: one_object(b"<</A" * 100_000),
    "a number of a million digits": lambda _: one_object(b"<</Type/Catalog/A " + b"9" * 1_000_000 + b">>"),
    "a string that does not end": lambda _: one_object(b"(" + b"(" * 100_000),
    "a range that is negative": lambda data: of_signature(data, b"[0 ", b"[-9"),
    "a range with letters": lambda data: of_signature(data, b"[0 ", b"[x "),
}


@pytest.mark.parametrize("name", TWISTED)
def test_a_twisted_file_is_not_intact(name: str, unsealed: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """Some reason, no statement, no exception."""
    data = TWISTED[name](seal(unsealed, authority.station, at))
    found = verify(data, authority.anchors)
    assert (found.intact, found.trusted, found.number, found.follows) == (False, False, "", False)
    assert found.reasons


def test_a_tree_of_files_that_leads_to_itself_is_refused(
    unsealed: bytes, authority: SimpleNamespace, at: datetime
) -> None:
    """Even under a true seal."""

    def looped(pdf: Any) -> None:
        tree = pdf.make_indirect(Dictionary())
        tree.Kids = Array([tree])
        pdf.Root.Names.EmbeddedFiles = tree

    found = verify(seal(changed(unsealed, looped), authority.station, at), authority.anchors)
    assert found.reasons == ("The file cannot be read as a sealed document (ValueError).",)


# What takes time or memory, read apart ----------------------------------------------------------


def bomb(unsealed: bytes, data: bytes, filters: list[Any]) -> bytes:
    """A stream among the attachments that unpacks to much more."""

    def change(pdf: Any) -> None:
        stream = pdf.make_stream(b"")
        stream.write(data, filter=Array(filters))
        spec = Dictionary(Type=Name.Filespec, F=String("b"), UF=String("b"), EF=Dictionary(F=stream))
        names = pdf.Root.Names.EmbeddedFiles.Names
        pdf.Root.Names.EmbeddedFiles.Names = Array([String("a"), pdf.make_indirect(spec), *names])

    return changed(unsealed, change, stream_decode_level=pikepdf.StreamDecodeLevel.none, compress_streams=False)


def apart(data: bytes, authority: SimpleNamespace) -> Verification:
    return verify_apart(data, authority.anchors)


def test_apart_says_the_same_as_here(locked: bytes, authority: SimpleNamespace, tmp_path: Path) -> None:
    """Intact, changed, missing, huge: one judgement whatever process comes to it."""
    assert apart(locked, authority) == verify(locked, authority.anchors)
    assert apart(locked, authority).trusted
    changed_file = locked + b"\n"
    assert apart(changed_file, authority) == verify(changed_file, authority.anchors)
    for path in (tmp_path / "none.pdf", tmp_path):
        assert verify_apart(path, authority.anchors) == verify(path, authority.anchors)
    huge = tmp_path / "huge.pdf"
    with huge.open("wb") as file:
        file.truncate(LARGEST_FILE + 1)
    assert verify_apart(huge, authority.anchors).reasons == ("The file is larger than 20 MiB and was not looked at.",)


@pytest.mark.parametrize("times", [1, 2])
def test_a_bomb_is_not_unpacked(unsealed: bytes, authority: SimpleNamespace, at: datetime, times: int) -> None:
    """256 MiB of zeros packed once, and packed again: a few hundred KiB, or a few hundred bytes."""
    data = bytes(256 * MIB)
    for _ in range(times):
        data = zlib.compress(data, 9)
    document = seal(bomb(unsealed, data, [Name.FlateDecode] * times), authority.station, at)
    assert len(document) < 2 * MIB
    found = apart(document, authority)
    assert not found.intact
    assert found.reasons


def test_many_middling_streams_together_are_a_bomb_too(
    unsealed: bytes, authority: SimpleNamespace, at: datetime
) -> None:
    """Each is below the limit of one stream; together they are above that of a document."""

    def change(pdf: Any) -> None:
        for number in range(8):
            pdf.attachments[f"a{number}"] = pikepdf.AttachedFileSpec(pdf, bytes(40 * MIB), filename="a")

    found = apart(seal(changed(unsealed, change), authority.station, at), authority)
    assert not found.intact


def test_a_child_that_takes_too_long_is_ended(
    locked: bytes, authority: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The time on the wall ends it; the answer is a judgement like any other."""
    monkeypatch.setattr(checking, "WALL_S", 0.01)
    assert apart(locked, authority).reasons == (TOO_MUCH,)


CONFINED = "from testbench.certificate.checking import confine; confine(); "


@pytest.mark.parametrize(
    ("attempt", "refused"),
    [
        ("import socket; socket.create_connection(('127.0.0.1', {port}))", "PermissionError"),
        (
            "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b'x', ('127.0.0.1', 9))",
            "Permission",
        ),
        ("import socket; socket.getaddrinfo('harrow-lane.example', 80)", "PermissionError"),
        ("import subprocess; subprocess.run(['true'])", "PermissionError"),
        ("import os; os.system('true')", "PermissionError"),
        ("open('{path}', 'w').write('x')", "PermissionError"),
        ("import os; os.write(os.open('{path}', os.O_WRONLY | os.O_CREAT), b'x' * 99)", "PermissionError"),
        ("import os; os.remove('{path}')", "PermissionError"),
        ("x = bytes(2_000_000_000)", "MemoryError"),
    ],
)
def test_the_child_can_neither_call_nor_write_nor_grow(attempt: str, refused: str, tmp_path: Path) -> None:
    """Each attempt would work without the confinement; a listener proves that nobody called."""
    path = tmp_path / "file"
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(0.1)
        text = attempt.format(port=listener.getsockname()[1], path=path)
        found = _python(CONFINED + text)
        with pytest.raises(TimeoutError):
            listener.accept()
    assert found.returncode != 0
    assert refused in found.stderr
    assert not path.exists()


def _python(text: str) -> subprocess.CompletedProcess[str]:
    environment = {"PATH": "/usr/bin:/bin", "PYTHONPATH": str(Path(__file__).parents[2]), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-P", "-c", text]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
