"""A closed run in lines of text: what was asked, what was found, against which limit. A function of its record."""

from testbench.run.record import RunRecord, StageRecord


def summary_lines(record: RunRecord) -> tuple[str, ...]:
    """The run from its verdict down to the criteria of each stage."""
    verdict = record.verdict.value if record.verdict else "void"
    channel = record.channel
    calibrated = f"certificate {channel.certificate_number}, due {channel.due_on}"
    person = f"{record.operator} ({record.operator_id})" if record.operator_id else f"{record.operator}, named only"
    lines = [
        f"{record.run}   {verdict.upper()}",
        record.reason,
        "",
        f"Valve      {record.valve.serial}: {record.valve.in_one_line}",
        f"Product    {record.valve.product}",
        f"Order      {record.order}, {record.customer} ({record.customer_order})",
        f"Procedure  {record.requirements.title} ({record.requirements.procedure}, {record.requirements.revision})",
        f"Bench      {record.bench}, {record.origin.value}; {record.started[:16]} to {record.ended[:16]} UTC",
        f"Operator   {person}",
        f"Channel    {channel.tag}, serial {channel.serial}, {calibrated}",
    ]
    if record.specimen:
        lines.append("Every page of this run is a SPECIMEN.")
    lines += [f"Before     {run.run}: {run.verdict or 'void'}. {run.reason}" for run in record.earlier]
    for stage in record.stages:
        lines += ["", *_stage_lines(stage)]
    return tuple(lines)


def _stage_lines(stage: StageRecord) -> list[str]:
    found = stage.finding
    verdict = "void" if found is None else found.verdict.value
    lines = [f"{stage.stage}, attempt {stage.attempt}: {stage.ended}, {verdict}"]
    if found is None:
        return [*lines, f"  {stage.reason}"]
    lines.append(
        f"  required {stage.requirement.required}, held {found.held_ms / 1000:.1f} s, {stage.restarts} restarts"
    )
    lines += [f"  {criterion.sentence}" for criterion in found.criteria]
    if found.decay is not None:
        lines.append(f"  {found.decay.sentence}")
    return lines
