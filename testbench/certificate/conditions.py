"""Under what conditions a stage was held: how its times are known, the water, what the pressure did by itself."""

from testbench.certificate.figures import decimals_of, written, written_up
from testbench.certificate.languages import Words
from testbench.certificate.lines import unit_in_words
from testbench.metrology.uncertainty import expanded_text, rounded
from testbench.quantities import LeakageRate, Pressure
from testbench.run.record import StageRecord


def times_of(stage: StageRecord, words: Words) -> str:
    """What the stamps of the hold are, how well its length is known, and the derived line where there is one."""
    timing = None if stage.finding is None else stage.finding.timing
    if timing is None:
        return ""
    within, known_to = expanded_text(timing.within_us / 1000), expanded_text(timing.known_to_us / 1e6)
    said = words.figures(f"stage.times_{timing.stamps}", within=within, known_to=known_to)
    if timing.line is None:
        return said
    return f"{said}; {words.figures('stage.times_line', residual=expanded_text(timing.line.residual_rms_us / 1000))}"


def water_of(stage: StageRecord, words: Words) -> str:
    """The temperature of the water from the beginning of the stage to its end, where it was measured."""
    if stage.water is None:
        return ""
    first, last = stage.water.at(0).to("degC"), stage.water.at(-1).to("degC")
    return " " + words.figures(
        "stage.water", first=f"{first:.1f}", last=f"{last:.1f}", u=stage.water.expanded_uncertainty_k
    )


def decay_of(stage: StageRecord, words: Words) -> str:
    """What the pressure of the hold did by itself; nothing where the pump made up."""
    found = None if stage.finding is None else stage.finding.decay
    if found is None or not found.slope_per_min:
        return ""
    slope, half = (Pressure.parse(text) for text in (found.slope_per_min, found.half_width_per_min))
    decimals = decimals_of(half.value)
    said = words.figures(
        "stage.decay",
        slope=written(slope.value, decimals),
        half=written_up(half.value, decimals),
        unit=slope.unit,
        straight=words("stage.bent") if found.curved else "",
    )
    if found.rate:
        rate, u = LeakageRate.parse(found.rate), LeakageRate.parse(found.uncertainty)
        decimals, (c, per), c_u = (
            decimals_of(u.value),
            found.compliance.split(),
            found.compliance_uncertainty.split()[0],
        )
        said += words.figures(
            "stage.decay_rate",
            compliance=f"{rounded(float(c), float(c_u))[0]} {per}",
            rate=written(rate.value, decimals),
            u=written_up(u.value, decimals),
            unit=unit_in_words(rate.unit, words),
            drift=words("stage.drift_off" if found.blanks else "stage.drift_unknown"),
        )
    return f" {said}."
