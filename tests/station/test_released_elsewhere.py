"""A page that somebody else wrote is shown at the bench: a reviewer releases, and the operator sees the certificate."""


def accepted(at_hand):
    at_hand.shell()
    at_hand.seat(volume="0.7 mL")


def sentences(at_hand) -> list[str]:
    return [one.sentence for one in at_hand.see().notices]


def test_the_certificate_of_a_release_appears_on_the_screen(at_hand):
    """Said once, and shown with the run."""
    accepted(at_hand)
    at_hand.hold(0.2, 3)
    assert at_hand.see().run.document == ""
    at_hand.store.documents["B1-000001"] = "/srv/bench1/C-B1-000001.pdf"
    at_hand.hold(0.2, 3)
    assert at_hand.see().run.document == "/srv/bench1/C-B1-000001.pdf"
    said = [one for one in sentences(at_hand) if "written" in one]
    assert said == ["Run B1-000001: certificate written to /srv/bench1/C-B1-000001.pdf."]


def test_a_page_that_the_recorder_had_written_is_said_once(at_hand):
    """It may be seen in the records before the child that wrote it has ended."""
    accepted(at_hand)
    at_hand.store.documents["B1-000001"] = "C.pdf"
    at_hand.hold(0.2, 2)
    at_hand.desk.written = lambda: [("B1-000001", "C.pdf", "Run B1-000001: certificate written to C.pdf.")]
    at_hand.session.tick()
    assert sum("written" in one for one in sentences(at_hand)) == 1
    assert at_hand.see().run.document == "C.pdf"


def test_the_records_are_not_asked_while_a_run_is_open(at_hand):
    """A hold has better to do; an undecided run has no page."""
    asked = []
    at_hand.store.document_of = lambda run: asked.append(run) or ""
    at_hand.shell()
    assert asked == []
    at_hand.seat(volume="1.9 mL")
    at_hand.do("end_run")
    at_hand.hold(0.2, 3)
    assert asked == []
