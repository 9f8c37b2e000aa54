"""Metrics as an operator's tools read them: Prometheus' own check, and its Python client's parser."""

import os
import re
import shutil
import socket
import subprocess

import pytest
import requests
from prometheus_client.parser import text_string_to_metric_families

from daemon import Client, wait_until

PROMTOOL = os.environ.get("VENTMILE_PROMTOOL") or shutil.which("promtool")


def families(text):
    return {family.name: family for family in text_string_to_metric_families(text)}


def value(found, name, **labels):
    """The one sample of this name with these labels among others."""
    samples = [sample for family in found.values() for sample in family.samples if sample.name == name]
    fitting = [sample for sample in samples if labels.items() <= sample.labels.items()]
    assert len(fitting) == 1, (name, labels, samples)
    return fitting[0].value


def free_port():
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return held.getsockname()[1]


@pytest.fixture(scope="module")
def fleet(daemon, client):
    for code in ("QUAY", "MOOR"):
        depot = {"code": code, "name": f"{code} yard", "zone": "UTC", "bays": 1, "distance_unit": "km"}
        client.post("/v1/depots", depot, 201)
        car = {"unit": f"{code}-1", "depot": code, "in_service_on": "2025-01-01", "odometer_in_service": 5, "distance_unit": "km"}
        client.post("/v1/vehicles", car, 201)
        client.post("/v1/work-orders", {"unit": f"{code}-1", "kind": "fan-service", "reason": "x"}, 201)
    rows = [{"unit": "QUAY-1", "date": f"2026-01-0{day}", "hours": 5} for day in range(1, 6)]
    rows.append({"unit": "nobody", "date": "2026-01-01", "hours": 5})
    assert client.send_ndjson("/v1/duty-logs", rows)["stored"] == 5
    assert client.send_ndjson("/v1/duty-logs", rows)["repeated"] == 5
    for _ in range(3):
        client.get("/v1/vehicles/QUAY-1")
    client.get("/v1/vehicles/nobody", 404)
    return client


def test_promtool_finds_no_fault(fleet):
    assert PROMTOOL, "VENTMILE_PROMTOOL names promtool (Debian package prometheus); tests/run fetches it"
    text = fleet.get("/metrics").text
    checked = subprocess.run([PROMTOOL, "check", "metrics"], input=text, capture_output=True, text=True, check=False)
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, "", ""), checked
    broken = text.replace("# HELP ventmile_rows_total", "# ventmile_rows_total")
    wrong = subprocess.run([PROMTOOL, "check", "metrics"], input=broken, capture_output=True, text=True, check=False)
    assert wrong.returncode != 0 and "ventmile_rows_total" in wrong.stderr


def test_what_happened_is_counted(fleet):
    answer = fleet.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    found = families(answer.text)
    for verdict, count in (("stored", 5), ("repeated", 5), ("replaced", 0), ("refused", 2)):
        assert value(found, "ventmile_rows_total", log="duty-logs", verdict=verdict) == count
    route = {"method": "GET", "route": "/v1/vehicles/{unit}"}
    assert value(found, "ventmile_request_duration_seconds_count", status="2xx", **route) == 3
    assert value(found, "ventmile_request_duration_seconds_count", status="4xx", **route) == 1
    assert value(found, "ventmile_request_duration_seconds_bucket", status="2xx", le="+Inf", **route) == 3
    for depot in ("QUAY", "MOOR"):
        orders = {"kind": "fan-service", "status": "needs-action", "depot": depot}
        assert value(found, "ventmile_open_work_orders", **orders) == 1
        assert 0 <= value(found, "ventmile_open_work_order_oldest_seconds", **orders) < 600
    assert value(found, "ventmile_build_info") == 1
    assert value(found, "ventmile_stale_cars") >= 0 and value(found, "ventmile_stale_oldest_seconds") >= 0
    assert found["ventmile_loop_last_run_timestamp_seconds"].samples
    assert value(found, "ventmile_loop_lag_seconds", loop="recast") < 60
    assert {sample.labels["state"] for sample in found["ventmile_database_connections"].samples} == {"busy", "idle"}


def test_deliveries_and_streams_are_counted(new_daemon):
    daemon = new_daemon(settings=["webhooks.allow_private=true", "webhooks.allow_http=true", "webhooks.attempts=2",
                                  "webhooks.first_wait_seconds=1"])
    client = daemon.client()
    told = lambda: families(client.get("/metrics").text)  # noqa: E731
    standing = lambda state: value(told(), "ventmile_webhook_deliveries", state=state)  # noqa: E731
    assert [standing(state) for state in ("waiting", "failing", "dead")] == [0, 0, 0]
    assert value(told(), "ventmile_event_streams") == 0
    # Nobody listens there.
    hook = {"url": f"http://127.0.0.1:{free_port()}/"}
    made = client.post("/v1/webhooks", hook, 201).json()
    client.post(f"/v1/webhooks/{made['id']}/ping", {}, 202)
    assert wait_until(lambda: standing("failing") == 1 or standing("dead") == 1, 20)
    assert wait_until(lambda: standing("dead") == 1, 30)
    found = told()
    assert value(found, "ventmile_webhook_attempts_total", outcome="failed") == 2
    assert value(found, "ventmile_webhook_attempts_total", outcome="delivered") == 0
    assert value(found, "ventmile_webhook_oldest_waiting_seconds") == 0
    headers = {"Authorization": f"Bearer {client.key}"}
    with requests.get(f"{daemon.url}/v1/events", headers=headers, stream=True, timeout=20):
        assert wait_until(lambda: value(told(), "ventmile_event_streams") == 1, 20)


def test_no_label_names_a_car_or_a_key(fleet):
    """Labels are few and of few values: else each car or name would be a series of its own."""
    known = {"log", "verdict", "method", "route", "status", "le", "who", "kind", "depot", "loop", "pool", "state", "outcome", "version", "database"}
    for family in families(fleet.get("/metrics").text).values():
        for sample in family.samples:
            assert set(sample.labels) <= known, sample
            assert not re.search(r"-1|nobody|client \d", "".join(sample.labels.values())), sample


def test_who_may_read_them(daemon, fleet):
    Client(daemon.url).get("/metrics", 401)
    daemon.client("post").get("/metrics", 403)
    confined = daemon.client("read", "--depot", "QUAY").get("/metrics", 403)
    assert "MOOR" not in confined.text
    daemon.client("read").get("/metrics")


def test_a_listener_of_their_own_names_no_depot(new_daemon):
    port = free_port()
    serving = new_daemon(settings=[f"metrics.listen=127.0.0.1:{port}", "limits.key_requests=5", "limits.key_seconds=3600"])
    client = serving.client()
    depot = {"code": "QUAY", "name": "Quay yard", "zone": "UTC", "bays": 1, "distance_unit": "km"}
    client.post("/v1/depots", depot, 201)
    client.post("/v1/vehicles", {"unit": "7", "depot": "QUAY", "in_service_on": "2025-01-01"}, 201)
    client.post("/v1/work-orders", {"unit": "7", "kind": "fan-service", "reason": "x"}, 201)
    client.get("/v1/depots")
    client.get("/v1/depots")
    refused = client.get("/v1/depots", 429)
    assert int(refused.headers["retry-after"]) > 0
    session = requests.Session()
    session.trust_env = False
    answer = session.get(f"http://127.0.0.1:{port}/metrics", timeout=60)
    assert answer.status_code == 200 and "QUAY" not in answer.text and "depot=" not in answer.text
    found = families(answer.text)
    assert value(found, "ventmile_open_work_orders", kind="fan-service", status="needs-action") == 1
    assert value(found, "ventmile_rate_limited_total", who="key") == 1
    assert session.get(f"http://127.0.0.1:{port}/v1/depots", timeout=60).status_code == 404


def test_a_line_for_each_request(daemon, fleet):
    made = daemon.command("key new", "--name", "night shift", "--may", "read")
    secret = made.stdout.strip()
    assert secret.startswith("vm_")
    Client(daemon.url, secret).get("/v1/vehicles/QUAY-1", headers={"x-request-id": "asked-1"})
    lines = [line for line in daemon.log.read_text().splitlines() if "asked-1" in line]
    assert len(lines) == 1, lines
    plain = re.sub(r"\x1b\[[0-9;]*m", "", lines[0])
    for part in ('route="/v1/vehicles/{unit}"', "status=200", "elapsed_ms=", 'key="night shift"', "method=GET"):
        assert part in plain, plain
    assert secret not in daemon.log.read_text() and secret[3:] not in daemon.log.read_text()
