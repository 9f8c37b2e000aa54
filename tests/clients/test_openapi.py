"""The OpenAPI document: right by an outside validator, and true of what the daemon answers."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator

from daemon import PATIENCE, Client, car, depot, wait_until

COMMITTED = Path(__file__).parents[2] / "openapi" / "ventmile.json"
METHODS = ("get", "put", "post", "patch", "delete")


@pytest.fixture(scope="module")
def text(daemon):
    """The document needs no key."""
    return Client(daemon.url).get("/openapi.json").text


@pytest.fixture(scope="module")
def document(text):
    return json.loads(text)


def operations(document):
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                yield path, method, item[method]


def follow(document, reference):
    """What a reference within the document stands for."""
    assert reference.startswith("#/"), reference
    found = document
    for part in reference[2:].split("/"):
        found = found[part.replace("~1", "/").replace("~0", "~")]
    return found


def references(value):
    if isinstance(value, dict):
        if "$ref" in value:
            yield value["$ref"]
        for inner in value.values():
            yield from references(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from references(inner)


def test_it_is_openapi_3_1(document):
    assert document["openapi"].startswith("3.1.")
    found = OpenAPIV31SpecValidator(document).iter_errors()
    assert not [f"{list(fault.absolute_path)}: {fault.message}" for fault in found]


def test_it_is_the_committed_one(text):
    if COMMITTED.exists():
        assert text == COMMITTED.read_text()


def test_operation_ids_are_unique(document):
    ids = [operation["operationId"] for _, _, operation in operations(document)]
    assert len(ids) == len(set(ids)) > 30


def test_every_reference_leads_somewhere(document):
    for reference in references(document):
        assert follow(document, reference)


def test_every_answer_has_a_schema(document):
    bare = [
        f"{method} {path} {status}"
        for path, method, operation in operations(document)
        for status, answer in operation["responses"].items()
        for content in (answer.get("content") or {"none": {}}).values()
        if "schema" not in content and status not in ("204", "304")
    ]
    assert not bare


def test_every_schema_is_one(document):
    for schema in document["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)


def validator(document, schema):
    """A schema whose references are those of the document."""
    whole = {"$schema": Draft202012Validator.META_SCHEMA["$id"], "components": document["components"], **schema}
    return Draft202012Validator(whole, format_checker=Draft202012Validator.FORMAT_CHECKER)


def faults(document, schema, answer):
    return [f"{fault.json_path}: {fault.message}" for fault in validator(document, schema).iter_errors(answer)]


UNIT = "A1"
SHIFTS = {"days_per_week": 5, "hours_per_day": 9, "rear_share": 0.4, "distance_per_day": 120}
PACK = "P2"


def packs(client):
    """A pack that failed and one in use, its seventh block falling, with a code."""
    layout = {"type": "N28", "chemistry": "nimh", "blocks": 14, "modules_per_block": 2, "cells_per_module": 6}
    new = layout | {"unit": UNIT, "distance_unit": "mi"}
    swap = {"removed_at": "2025-03-02T20:00:00Z", "removed_odometer": 1210, "removed_because": "failed"}
    client.store("/v1/packs", [
        new | swap | {"serial": "P1", "installed_at": "2025-03-01T12:00:00Z", "odometer": 990, "original": True},
        new | {"serial": PACK, "installed_at": "2025-03-02T20:00:00Z", "odometer": 1210},
    ])
    client.store("/v1/pack-checks", [
        {"unit": UNIT, "at": f"2025-03-{3 + hour // 24:02}T{hour % 24:02}:00:00Z", "current_a": 30, "charge_pct": 55,
         "pack_c": 30 + hour / 20, "cabin_c": 22, "fan_stage": 2,
         "block_volts": [14.6 - (0.02 * hour if block == 6 else 0.01 * (block % 3)) for block in range(14)]}
        for hour in range(24)
    ])
    client.store("/v1/trouble-codes", [
        {"unit": UNIT, "at": "2025-03-04T12:00:00Z", "code": "P0A80", "state": "confirmed"},
    ])


@pytest.fixture(scope="module")
def samples(daemon, client):
    """A little of everything, and a value for each parameter that a path or query needs."""
    depot(client)
    client.post("/v1/vehicles", car(UNIT, model="Hybrid wagon"), 201)
    client.store("/v1/odometer-readings", [
        {"unit": UNIT, "at": f"2025-03-{day:02}T18:00:00Z", "odometer": odometer, "distance_unit": "mi"}
        for day, odometer in ((1, 1000), (2, 1200), (3, 900), (4, 1600))
    ])
    night = {"start_at": "2025-03-03T22:00:00-05:00", "end_at": "2025-03-04T06:00:00-05:00"}
    client.store("/v1/duty-logs", [
        {"unit": UNIT, "date": "2025-03-02", "hours": 9.5, "trips": 20},
        {"unit": UNIT, "shift": "night"} | night,
    ])
    client.store("/v1/seat-logs", [{"unit": UNIT, "date": "2025-03-02", "trips": 20, "rear_trips": 15}])
    client.store("/v1/past-services", [
        {"unit": UNIT, "kind": "fan-service", "at": "2025-03-01T12:00:00Z", "odometer": 990, "distance_unit": "mi"}
    ])
    packs(client)
    off_road = {"from": "2025-03-10", "to": "2025-03-12", "reason": "paint"}
    client.post(f"/v1/vehicles/{UNIT}/off-road", off_road, 201)
    client.post("/v1/vehicles", car("A2"), 201)
    order = client.post("/v1/work-orders", {"unit": "A2", "kind": "fan-service", "reason": "noise"}, 201).json()
    client.post("/v1/technicians", {
        "code": "osei", "depot": "NORTH", "certificates": [{"name": "high-voltage", "expires_on": "2027-06-30"}],
        "absences": [{"from": "2026-08-03", "to": "2026-08-14"}],
    }, 201)
    gloves = {"id": "G-1", "depot": "NORTH", "kind": "gloves", "class": "0", "protectors": True}
    client.post("/v1/gear", gloves, 201)
    client.post("/v1/gear/G-1/tests", {"on": "2026-01-10", "by": "lab", "passed": True}, 200)
    client.post("/v1/release-windows", {"unit": UNIT, "from": "2025-03-20"}, 201)
    client.post(f"/v1/vehicles/{UNIT}/plans", {"from": "2100-01-01", "distance_unit": "mi", "shifts": SHIFTS}, 201)
    client.post("/v1/driver-reports", {"unit": UNIT, "symptom": "fan-noise", "told": "it howls", "by": "driver 31"}, 201)
    client.post("/v1/breakdowns", {"unit": UNIT, "told": "no power", "by": "dispatch"}, 201)
    client.post("/v1/calendars", {"depot": "NORTH", "name": "phone"}, 201)
    client.post("/v1/keys", {"name": "shop", "may": ["read"]}, 201)
    client.post("/v1/parts", {"depot": "NORTH", "number": "F-1", "name": "filter", "lead_days": 10}, 201)
    hook = client.post("/v1/webhooks", {"url": "https://receiver.invalid/hook"}, 201).json()
    client.post(f"/v1/webhooks/{hook['id']}/ping", {}, 202)
    assert wait_until(lambda: client.items(f"/v1/webhooks/{hook['id']}/deliveries"), PATIENCE)
    rule = client.get("/v1/service-rules").json()["items"][0]
    assert wait_until(lambda: len(client.items("/v1/upcoming")) == 2, PATIENCE)
    assert wait_until(lambda: client.get(f"/v1/packs/{PACK}").json()["in_use"], PATIENCE)
    # At its start it learns of all packs there are.
    daemon.restart()
    values = {"unit": UNIT, "number": order["number"], "date": "2026-01-05", "depot": "NORTH", "id": "G-1",
              "serial": PACK, "name": "shop"}
    # Depots, service rules, technicians and procedures all go by a code.
    codes = {"depots": "NORTH", "service-rules": rule["code"], "technicians": "osei", "procedures": "fan-service"}
    hooks = {f"/v1/webhooks/{{id}}{more}": str(hook["id"]) for more in ("", "/deliveries")}
    return values | hooks | {f"/v1/{what}/{{code}}": code for what, code in codes.items()}


def filled(path, operation, samples):
    needed = [parameter for parameter in operation.get("parameters", []) if parameter.get("required")]
    value = {p["name"]: samples.get(path) or samples[p["name"]] for p in needed if p["in"] in ("path", "query")}
    query = "&".join(f"{p['name']}={value[p['name']]}" for p in needed if p["in"] == "query")
    return path.format(**value) + (f"?{query}" if query else "")


def test_answers_are_as_documented(document, client, samples):
    asked = 0
    for path, method, operation in operations(document):
        content = operation["responses"].get("200", {}).get("content", {})
        if method != "get" or "application/json" not in content:
            continue
        answer = client.get(filled(path, operation, samples)).json()
        assert not faults(document, content["application/json"]["schema"], answer), path
        # An empty list would show nothing; a core takes a whole pack replacement, which tests/parts.rs does.
        assert answer.get("items") != [] or path in ("/v1/cores", "/v1/reports/cores"), path
        asked += 1
    assert asked >= 25


ABOUT_PACKS = [
    ("/v1/packs", "?with_removed=true&distance_unit=km", ["items"]),
    ("/v1/pack-outlook", "?distance_unit=km", ["items"]),
    ("/v1/packs/{serial}", "?distance_unit=km", ["lives", "in_use.outlook.chances", "in_use.reasons", "in_use.codes"]),
    ("/v1/vehicles/{unit}/pack", "?distance_unit=km", ["outlook.chances", "reasons", "spread.weakest", "codes"]),
    ("/v1/life-curve", "", ["shape", "scale", "b10", "points", "kaplan_meier", "on_curve", "replacement"]),
    # One failure and nothing held likely before are too little for a curve.
    ("/v1/life-curve", "?prior=none&covariates=none&distance_unit=km", ["no_curve_because", "kaplan_meier"]),
    ("/v1/hindsight/risks", "?to=2100-01-01", ["horizons"]),
]


@pytest.mark.parametrize("path, query, parts", ABOUT_PACKS)
def test_answers_about_packs_are_as_documented(document, client, samples, path, query, parts):
    """With every part filled, since null and an empty list pass almost any schema."""
    operation = document["paths"][path]["get"]
    answer = client.get(filled(path, operation, samples) + query).json()
    assert not faults(document, operation["responses"]["200"]["content"]["application/json"]["schema"], answer)
    for part in parts:
        found = answer
        for name in part.split("."):
            found = found[name]
        assert found, part


def test_problems_are_as_documented(document, client, samples):
    problem = {"$ref": "#/components/schemas/Problem"}
    refused = [
        client.get("/v1/upcoming?limit=0", 400),
        client.get("/v1/vehicles/nobody", 404),
        client.post("/v1/depots", {"code": "X", "colour": "red"}, 422),
        client.post("/v1/depots", {"code": "NORTH", "name": "again", "zone": "UTC", "bays": 1, "distance_unit": "mi"}, 409),
    ]
    for answer in refused:
        assert not faults(document, problem, answer.json())


def test_examples_are_as_documented(document):
    """The examples people copy must pass their own schemas."""
    for name, schema in document["components"]["schemas"].items():
        if "example" in schema:
            assert not faults(document, {"$ref": f"#/components/schemas/{name}"}, schema["example"]), name
