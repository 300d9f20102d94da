"""A certificate the plain way, in a process of its own: everything imported at once, each library used as it comes.

``python plain_certificate.py FOLDER``: record.json, trace-*.csv and plain.p12 are read, plain.pdf is written.
"""

import csv
import json
import sys
from io import BytesIO
from pathlib import Path

import pikepdf
from pikepdf import pdfa
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign import fields, signers
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko_certvalidator import ValidationContext
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.graphics.charts.lineplots import LinePlot
from reportlab.graphics.shapes import STATE_DEFAULTS, Drawing
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase.pdfmetrics import registerFont
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Paragraph, SimpleDocTemplate, Table

FACE = "Vera"


def lines_of(value, name=""):
    """Every fact of the record in a line."""
    if isinstance(value, dict):
        return [line for key, one in value.items() for line in lines_of(one, f"{name}.{key}")]
    if isinstance(value, list):
        return [line for index, one in enumerate(value) for line in lines_of(one, f"{name}.{index}")]
    return [(name[1:], str(value))]


def chart_of(rows):
    """The library's own line plot of every reading."""
    plot, drawing = LinePlot(), Drawing(240, 110)
    plot.width, plot.height, plot.data = 220, 90, [[(float(row[0]), float(row[1])) for row in rows]]
    for axis in (plot.xValueAxis, plot.yValueAxis):
        axis.labels.fontName = FACE
    drawing.add(plot)
    return drawing


def drawn(record, traces):
    """Facts as a table, a plot of each stage, a QR code."""
    registerFont(TTFont(FACE, "Vera.ttf"))
    STATE_DEFAULTS["fontName"] = FACE  # else a face is named that is not embedded
    style, out = ParagraphStyle("plain", fontName=FACE, fontSize=7), BytesIO()
    table = Table(
        lines_of(record)[:60], style=[("FONTNAME", (0, 0), (-1, -1), FACE), ("FONTSIZE", (0, 0), (-1, -1), 6)]
    )
    code = Drawing(80, 80)
    code.add(QrCodeWidget(f"{record['run']} {record['verdict']} " + "0" * 64))
    story = [Paragraph(f"Certificate {record['run']}", style), table, *map(chart_of, traces), code]
    SimpleDocTemplate(out, initialFontName=FACE).build(story)
    return out.getvalue()


def archived(page, files):
    """PDF/A-3b with its attachments, checked."""
    with pikepdf.open(BytesIO(page)) as pdf:
        for sheet in pdf.pages:
            del sheet.obj["/Trans"]
        for file in files:
            pdf.attachments[file.name] = pikepdf.AttachedFileSpec(
                pdf, file.read_bytes(), filename=file.name, relationship=pikepdf.Name.Data
            )
        out = BytesIO()
        pdfa.save(pdf, out, "3b")
    return out.getvalue()


def main(folder):
    """Draw, attach, sign with RSA-3072, look at the signature again."""
    record = json.loads((folder / "record.json").read_bytes())
    readings = sorted(folder.glob("trace-*.csv"))
    traces = [list(csv.reader(file.read_text().splitlines()))[1:] for file in readings]
    page = archived(drawn(record, traces), [folder / "record.json", *readings])
    signer = signers.SimpleSigner.load_pkcs12(str(folder / "plain.p12"), passphrase=b"x")
    meta = signers.PdfSignatureMetadata(field_name="Plain", subfilter=fields.SigSeedSubFilter.PADES)
    done = signers.sign_pdf(IncrementalPdfFileWriter(BytesIO(page)), meta, signer).getvalue()
    found = PdfFileReader(BytesIO(done)).embedded_signatures[0]
    known = ValidationContext(trust_roots=[found.signer_cert], allow_fetching=False)
    assert validate_pdf_signature(found, known).intact
    (folder / "plain.pdf").write_bytes(done)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
