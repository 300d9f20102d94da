"""The JSON schema of a procedure file, generated from the model."""

import json

from testbench.procedure.stages import Procedure


def schema_text() -> str:
    """The text of ``procedures/schema.json``; a test fails when the file is stale."""
    return json.dumps(Procedure.model_json_schema(), indent=2, sort_keys=True, ensure_ascii=False) + "\n"
