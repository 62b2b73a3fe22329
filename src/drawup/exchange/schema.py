"""The JSON Schema of the public requests and answers, as it ships with the package (`plan.schema.json`)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

SCHEMA_FILE = Path(__file__).with_name("plan.schema.json")


def load_schema() -> dict[str, Any]:
    """The schema (draft 2020-12). The whole takes any request or answer.

    `$defs` holds `request` and `answer` of one plan, the same of `visit_`, `reach_` and `rotate_`, and `error`.
    """
    schema: dict[str, Any] = json.loads(SCHEMA_FILE.read_text("utf-8"))
    return schema
