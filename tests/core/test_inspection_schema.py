"""The written schema of the JSON fits what is written, in every part, and refuses what is not."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import ringwright
from ringwright.core.findings import CHECKS, Limits
from ringwright.core.inspection_text import ELEMENT_LIMIT, SCHEMA, SCHEMA_VERSION, to_json
from support.report_cases import CASES, make_case

PLACE = Path(ringwright.__path__[0]) / "docs" / "inspection.schema.json"
WRITTEN: dict[str, Any] = json.loads(PLACE.read_text(encoding="utf-8"))


def closed(schema: Any) -> Any:
    """The schema with keys that it does not describe forbidden, so that the test finds keys without a description."""
    if isinstance(schema, list):
        return [closed(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    parts = {key: closed(part) for key, part in schema.items()}
    if isinstance(schema.get("properties"), dict) and "additionalProperties" not in schema:
        parts["additionalProperties"] = False
    return parts


def test_schema_is_a_schema_of_this_version() -> None:
    jsonschema.Draft202012Validator.check_schema(WRITTEN)
    assert WRITTEN["properties"]["schema"] == {"const": SCHEMA} and WRITTEN["properties"]["version"] == {"const": SCHEMA_VERSION}
    assert WRITTEN["$defs"]["finding"]["properties"]["elements"]["maxItems"] == ELEMENT_LIMIT


@pytest.mark.parametrize("name", CASES)
def test_what_is_written_fits(name: str) -> None:
    data = json.loads(json.dumps(to_json(make_case(name).inspection), allow_nan=False))
    jsonschema.Draft202012Validator(closed(WRITTEN)).validate(data)
    assert set(WRITTEN["required"]) == set(data)
    assert set(data["checks"]) <= set(CHECKS) and set(data["profile"]["limits"]) == set(Limits.__dataclass_fields__)


def test_together_the_cases_fill_every_part() -> None:
    """Otherwise a part of the schema would go untried."""
    written = [to_json(make_case(name).inspection) for name in CASES]
    for key in WRITTEN["required"]:
        assert any(data[key] for data in written), key
    assert any(data["poles"]["in_joints"] for data in written) and any(data["evenness"]["joint_rows"] for data in written)


@pytest.mark.parametrize(("path", "value"), [
    (("version",), 2), (("passed",), "yes"), (("findings", 0, "severity"), "bad"), (("findings", 0, "place"), [1.0, 2.0]),
    (("counts", "faces"), -1), (("counts", "quad_share"), 1.5), (("counts", "face_sizes"), {"four": 3}),
    (("profile", "severity"), {"folds": "x"}), (("deviation", "covered"), None), (("quality", "skew", "mean"), "small")])
def test_what_is_wrong_does_not_fit(path: tuple[str | int, ...], value: object) -> None:
    data = copy.deepcopy(to_json(make_case("faults").inspection))
    part: Any = data
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, WRITTEN)
