"""Pages and pictures of many runs: readable text, the same bytes twice, whole SVG, whatever a product is called."""

from datetime import UTC, datetime
from io import BytesIO
from xml.etree import ElementTree

import pypdf
import pytest

from testbench.certificate.lot_summary import lot_pdf
from testbench.certificate.quality_page import Printed, control_drawn, pareto_drawn, study_drawn, yields_drawn
from testbench.errors import GlyphMissingError
from testbench.metrology.charts import RunRule
from testbench.metrology.gauge_study import Measurement, crossed_anova, gauge_study
from testbench.run.quality import Measured, control, pareto
from testbench.run.yields import Yield, together
from testbench.station.lot import Lot, LotLine

AT = datetime(2026, 11, 26, 8, 0, tzinfo=UTC)
ODD = 'Valve & Sons <SC-6> "10 %"'


def printed(form: str) -> Printed:
    return Printed("origin live", "Harrow Lane Valve Works, bench B1", AT, form)


def yields(count: int) -> tuple[Yield, ...]:
    return tuple(Yield(f"{ODD} {number}", 20 + number, 20) for number in range(count))


def chart(count: int = 60, *, signal: bool = True):
    values = [3 + 0.2 * (number * 7 % 5) for number in range(count)] + [9.0] * signal
    points = [
        Measured(f"B1-{number:06d}", "2026-01-05", f"HL-{number}", "Mara Quill", value, 6.0)
        for number, value in enumerate(values, 1)
    ]
    return control("largest-leakage-rate", "mL/min", points, points[:count], (RunRule.BEYOND_3,))


def study():
    """Three parts, two operators, two trials; the second operator reads 0.1 more."""
    told = [
        Measurement(f"HL-{part}", operator, part + more + trial * 0.05)
        for part in (1, 2, 3)
        for operator, more in (("Mara Quill", 0.0), ("Orla Venn", 0.1))
        for trial in (0, 1)
    ]
    return gauge_study(crossed_anova(told))


DRAWN = {
    "study": lambda form: study_drawn(study(), "mL/min", 6.0, printed(form)),
    "yields": lambda form: yields_drawn(yields(3), together(yields(3)), "product", printed(form)),
    "pareto": lambda form: pareto_drawn(pareto({ODD: 3, "seat test: leakage rate above the limit": 9}), printed(form)),
    "chart": lambda form: control_drawn(chart(), "largest leakage rate, seat test", printed(form)),
    "a year": lambda form: control_drawn(chart(3000), "largest leakage rate, seat test", printed(form)),
    "many groups": lambda form: yields_drawn(yields(90), together(yields(90)), "order", printed(form)),
}


def text_of(pdf: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(BytesIO(pdf)).pages)


@pytest.mark.parametrize("name", DRAWN)
def test_a_page_is_one_page_and_the_same_bytes_twice(name):
    pdf = DRAWN[name]("pdf")
    assert pdf == DRAWN[name]("pdf")
    assert len(pypdf.PdfReader(BytesIO(pdf)).pages) == 1
    text = text_of(pdf)
    assert "Runs counted: origin live" in text
    assert "Printed 2026-11-26 08:00 UTC from the records of Harrow Lane Valve Works, bench B1" in text


@pytest.mark.parametrize("name", DRAWN)
def test_a_picture_is_whole_xml_in_named_faces(name):
    svg = DRAWN[name]("svg")
    root = ElementTree.fromstring(svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert b"Bench-" not in svg
    assert root.find("{http://www.w3.org/2000/svg}desc").text.startswith("Runs counted: origin live")


def test_a_page_of_yields_tells_each_group_and_all_together():
    text = text_of(DRAWN["yields"]("pdf"))
    assert ODD in text
    assert "60 of 63 · 95.2 %" in text
    assert "exact interval of Clopper and Pearson, 95 %: 86.71 to 99.01 %" in text  # statsmodels: 0.86710, 0.99008
    assert "The last 36 of 90 groups." in text_of(DRAWN["many groups"]("pdf"))


def test_a_page_of_reasons_tells_shares_and_their_sum():
    text = text_of(DRAWN["pareto"]("pdf"))
    assert text.index("9 · 75.0 % (75.0 %)") < text.index("3 · 25.0 % (100.0 %)")


def test_a_page_of_a_gauge_study_tells_every_source():
    """The same figures as the terminal has; the shares of the page are those of the study."""
    found, text = study(), " ".join(text_of(DRAWN["study"]("pdf")).split())
    assert "3 valves, 2 operators, 2 tests of each valve by each operator." in text
    for name, deviation in (
        ("Repeatability (the gauge itself)", found.repeatability),
        ("Reproducibility (operators)", found.reproducibility),
        ("Gauge: both together", found.gauge),
        ("Valves", found.part),
    ):
        assert f"{name} {deviation:.4g} mL/min · {100 * found.share_of_variation(deviation):.1f} %" in text
    assert f"The gauge tells {found.ndc} groups of these valves apart." in text
    assert f"The gauge takes {100 * found.gauge:.1f} % of the tolerance (6 standard deviations)." in text


def test_a_chart_tells_limits_base_signals_and_capability():
    text = " ".join(text_of(DRAWN["chart"]("pdf")).split())
    assert "UCL" in text
    assert "LCL" in text
    assert "from 60 values of 2026-01-05 to 2026-01-05" in text
    assert "B1-000061, 2026-01-05, HL-61: 9 mL/min: one point beyond 3 sigma; moving range: one point" in text
    assert f"Cpk {chart().capability.cpk:.3f} to the upper limit 6 mL/min" in text
    quiet = control_drawn(chart(signal=False), "largest leakage rate, seat test", printed("pdf"))
    assert "No point signals." in text_of(quiet)


def test_a_group_that_cannot_be_printed_is_refused():
    odd = (Yield("valve \U0001f600", 2, 1),)
    with pytest.raises(GlyphMissingError):
        yields_drawn(odd, together(odd), "product", printed("svg"))


def test_as_many_signals_as_fit_are_told():
    """A chart of nothing but signals is one page as well, with every rule at every point."""
    points = [
        Measured(f"B1-{number:06d}", "2026-01-05", "HL-" + "8" * 37, "Mara Quill", float(number), None)
        for number in range(60)
    ]
    found = control("pressure loss", "kPa", points, points[:20], tuple(RunRule))
    pdf = control_drawn(found, "pressure loss, shell test", printed("pdf"))
    told = " ".join(text_of(pdf).split())
    assert "the newest last (16 of" in told
    assert "B1-000059" in told
    heights: list[float] = []
    (page,) = pypdf.PdfReader(BytesIO(pdf)).pages
    page.extract_text(
        visitor_text=lambda text, cm, tm, *_: heights.append(tm[5] * cm[3] + cm[5]) if text.strip() else None
    )
    assert min(heights) >= 30  # the margin of layout.toml


# The summary of an order ----------------------------------------------------------------------------


def lot(lines: int, *, specimen: bool = False, product: str = "Swing check valve SC-4") -> Lot:
    verdicts = ("accepted", "rejected", "inconclusive", "void", "to do")
    return Lot(
        "HL-2041", "Ellery Water Board", "EWB-7733", ("waterworks-swing-check",),
        tuple(
            LotLine(f"HL-4-{number:04d}", product, verdicts[number % 5], 2, f"B1-{number:06d}", "2026-11-20",
                    f"C-B1-{number:06d}", specimen)
            for number in range(lines)
        ),
    )  # fmt: skip


@pytest.mark.parametrize(("lines", "pages"), [(1, 1), (45, 1), (60, 2), (500, 10)])
def test_every_line_stands_on_a_page_once(lines, pages):
    pdf = lot_pdf(lot(lines), "Harrow Lane Valve Works", "A4", AT)
    found = [page.extract_text() for page in pypdf.PdfReader(BytesIO(pdf)).pages]
    assert len(found) == pages
    whole = "\n".join(found)
    assert all(whole.count(f"HL-4-{number:04d}") == 1 for number in range(lines))
    assert all("This page is not a certificate." in page for page in found)
    assert all(f"Page {number} of {pages}" in page for number, page in enumerate(found, 1))


def test_the_summary_says_how_the_valves_stand_and_what_is_none():
    text = text_of(lot_pdf(lot(5, specimen=True), "Harrow Lane Valve Works", "Letter", AT))
    assert "5 valves: 1 accepted, 1 rejected, 1 inconclusive, 1 void, 0 recalled, 1 to do" in text
    assert "SPECIMEN: runs of a rig or a replay" in text
    assert "accepted *" in text
    assert "SPECIMEN" not in text_of(lot_pdf(lot(5), "Harrow Lane Valve Works", "Letter", AT))


def test_a_product_that_is_too_long_is_cut_and_one_that_cannot_be_printed_refused():
    long = lot_pdf(lot(1, product="swing check valve " * 8), "Harrow Lane Valve Works", "A4", AT)
    assert "…" in text_of(long)
    with pytest.raises(GlyphMissingError):
        lot_pdf(lot(1, product="valve \U0001f600"), "Harrow Lane Valve Works", "A4", AT)
