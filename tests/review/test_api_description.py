"""What the description of the API says: all of it is there, in words, and every number has its unit."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.routing import APIRoute
from jsonschema_rs import Draft202012Validator

from ingest.entry_fields import KINDS
from ingest.entry_fields import NUMBERS as RECORD_NUMBERS
from review import series, series_circuit, series_lines, series_marks
from review.api import chart_shapes, record_tables
from review.api.describing import described
from review.api.mount import application
from review.api.problem_kinds import KINDS as PROBLEMS
from tests.review.northfold_day import day_store
from tests.review.stage import house_of

UNITS = re.compile(
    r"_(c|k|km|km_h|l|h|s|ms|days|day|rpm|nm|w|kw|mm2_s|mg_g|bytes|px|pct|count|share|probability|factor|per_h)$"
)
BARE = {
    # Names of nothing that is measured.
    *("id", "status", "supersedes_id", "superseded_by_id", "limit", "entry_id", "hold_id"),
    # Shares and probabilities that are called so, and a counter of gears.
    *("probability", "gear", "share", "share_sd", "p_fault", "count", "days"),
    # Numbers whose unit the object around them names.
    *("low", "mean", "high", "best", "celsius"),
}
"""Names that need no unit."""


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    database = day_store(tmp_path_factory.mktemp("day"))
    yield application(house_of(database))
    database.close()


def numbers(schema: dict[str, Any]) -> bool:
    kinds = [schema, *schema.get("anyOf", ()), *schema.get("oneOf", ())]
    items = [each["items"] for each in kinds if isinstance(each.get("items"), dict)]
    return any(each.get("type") in ("number", "integer") for each in (*kinds, *items))


def fields(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for name, schema in document["components"]["schemas"].items():
        for field, each in schema.get("properties", {}).items():
            yield name, field, each


def parameters(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for path, methods in document["paths"].items():
        for operation in methods.values():
            for parameter in operation.get("parameters", ()):
                yield path, parameter


def test_every_route_is_described(app: Any) -> None:
    document = described(app)
    for route in app.routes:
        if not isinstance(route, APIRoute):
            assert route.path in ("/openapi.json", "/")
            continue
        (method,) = route.methods or set()
        operation = document["paths"][route.path][method.lower()]
        assert operation["operationId"] == route.endpoint.__name__
        assert operation["summary"]
        assert operation["description"]
        assert operation["tags"]
        assert operation["security"]


def test_operations_keep_their_names(app: Any) -> None:
    names = [
        operation["operationId"]
        for methods in described(app)["paths"].values()
        for operation in methods.values()
    ]
    assert len(set(names)) == len(names)
    assert set(names) >= {"list_trucks", "record_service", "acknowledge_alarm", "get_series"}


def test_every_number_carries_its_unit(app: Any) -> None:
    document = described(app)
    bare = [
        f"{name}.{field}"
        for name, field, schema in fields(document)
        if numbers(schema) and field not in BARE and not UNITS.search(field)
    ]
    bare += [
        f"{path} {each['name']}"
        for path, each in parameters(document)
        if numbers(each["schema"])
        and each["name"] not in BARE
        and not UNITS.search(each["name"])
    ]
    assert bare == []


def test_every_field_and_parameter_says_what_it_is(app: Any) -> None:
    document = described(app)
    silent = [
        f"{name}.{field}"
        for name, field, schema in fields(document)
        if "description" not in schema
    ]
    silent += [
        f"{path} {each['name']}"
        for path, each in parameters(document)
        if not each.get("description")
    ]
    silent += [
        name
        for name, schema in document["components"]["schemas"].items()
        if "properties" in schema and "description" not in schema
    ]
    assert silent == []


def test_times_are_rfc_3339(app: Any) -> None:
    for name, field, schema in fields(described(app)):
        if re.search(r"(_at|^at|^since|^until|_since)$", field):
            kinds = [schema, *schema.get("anyOf", ())]
            assert any(each.get("format") == "date-time" for each in kinds), f"{name}.{field}"


def test_a_parameter_is_left_out_and_never_null(app: Any) -> None:
    for path, each in parameters(described(app)):
        assert "null" not in str(each["schema"]), f"{path} {each['name']}"


def test_examples_are_examples(app: Any) -> None:
    """By jsonschema-rs, against JSON Schema 2020-12, which OpenAPI 3.1 uses."""
    document = described(app)
    seen = 0
    for schema in [s for _, _, s in fields(document)] + [
        p["schema"] for _, p in parameters(document)
    ]:
        for example in schema.get("examples", ()):
            Draft202012Validator({**schema, "components": document["components"]}).validate(
                example
            )
            seen += 1
    assert seen > 5


def test_every_problem_is_explained_and_has_a_status(app: Any) -> None:
    statuses = {
        int(status)
        for methods in described(app)["paths"].values()
        for operation in methods.values()
        for status in operation["responses"]
        if int(status) >= 400
    }
    assert {each.status for each in PROBLEMS.values()} == statuses


def test_the_record_is_whole() -> None:
    """Each number and word of the record has a name and words in the API, each kind an operation."""
    assert set(record_tables.CALLED) == set(KINDS)
    assert set(record_tables.MEANT) == set(record_tables.FIELDS.values())
    assert len(record_tables.FIELDS) == len(record_tables.MEANT)
    assert record_tables.FIELDS["life_used_share"] in RECORD_NUMBERS


@pytest.mark.parametrize(
    ("shape", "kept"),
    [
        (chart_shapes.Chart, series.Series),
        (chart_shapes.ChartHealthy, series.Healthy),
        (chart_shapes.ChartLimit, series.Limit),
        (chart_shapes.ChartLine, series_lines.Line),
        (chart_shapes.ChartCircuit, series_circuit.Circuit),
        (chart_shapes.ChartAlarm, series_marks.AlarmSpan),
        (chart_shapes.ChartService, series_marks.ServiceMark),
        (chart_shapes.ChartStretch, series_marks.Stretch),
    ],
)
def test_a_chart_is_described_as_it_is(shape: Any, kept: Any) -> None:
    assert list(shape.model_fields) == list(kept.__dataclass_fields__)
