"""What was compared with a limit, said in full: measured value, U, k, rule, guard band, and the risk of being wrong."""

from dataclasses import replace

from testbench.metrology.decision_rule import Decision, decide_lower_limit, decide_upper_limit
from testbench.procedure.criteria import CriterionName
from testbench.procedure.requirements import StageRequirement
from testbench.quantities import LeakageRate, Pressure
from testbench.run.record import CriterionFinding

AnyDecision = Decision[Pressure] | Decision[LeakageRate]


def decision_of(finding: CriterionFinding, required: StageRequirement) -> AnyDecision | None:
    """The comparison behind a finding; None where nothing was measured against a limit.

    A finding holds the exact texts of what was compared. Its own conformity stands: it was decided on more than this
    where a rate was not steady.
    """
    if not finding.uncertainty:
        return None
    rule = required.decision_rule
    if finding.criterion == "hold":
        texts = (finding.measured, finding.uncertainty, finding.required)
        measured, u, least = (Pressure.parse(text) for text in texts)
        return decide_lower_limit(measured, u, least, rule)
    if finding.criterion == CriterionName.LARGEST_LEAKAGE_RATE:
        rate, rate_u, most = (
            LeakageRate.parse(text) for text in (finding.measured, finding.uncertainty, finding.limit)
        )
        return replace(decide_upper_limit(rate, rate_u, most, rule), conformity=finding.conformity)
    return None
