"""The rules of the interface as a client over a socket meets them."""

import gzip
import random
import socket
import time
from urllib.parse import quote, urljoin

import pytest

from daemon import Client, car, check_problem, depot, ndjson, wait_until

CSV = "text/csv"
NDJSON = "application/x-ndjson"


@pytest.fixture(scope="module")
def fleet(client):
    """A depot with three cars."""
    depot(client)
    client.store("/v1/vehicles", [car(f"H{number}") for number in range(3)])
    return client


def reading(unit, at, odometer, **fields):
    return {"unit": unit, "at": at, "odometer": odometer, "distance_unit": "mi"} | fields


# --- Problems (RFC 9457); each status by the text that defines it -------------------------------------------------


def test_400_for_a_parameter(fleet):
    """RFC 9110, 15.5.1."""
    problem = fleet.get("/v1/upcoming?limit=many", 400).json()
    assert problem["errors"][0]["parameter"] == "limit"
    problem = fleet.get("/v1/upcoming?colour=red", 400).json()
    assert problem["errors"][0]["parameter"] == "colour"
    fleet.get("/v1/vehicles?cursor=zz", 400)


def test_400_for_a_body_that_is_no_json(fleet):
    answer = fleet.call("POST", "/v1/depots", data="{", headers={"content-type": "application/json"})
    assert answer.status_code == 400


def test_400_where_the_idempotency_key_is_missing(fleet):
    """The IETF draft on the Idempotency-Key header, 2.7."""
    body = {"unit": "H0", "kind": "fan-service", "reason": "noise"}
    answer = fleet.call("POST", "/v1/work-orders", json=body)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["parameter"] == "Idempotency-Key"


@pytest.mark.parametrize("key", [None, "vm_unknown", "other"])
def test_401_without_a_key(daemon, key):
    """RFC 9110, 15.5.2: with a challenge, 11.6.1."""
    answer = Client(daemon.url, key).get("/v1/upcoming", 401)
    assert answer.headers["www-authenticate"].startswith("Bearer")


@pytest.mark.parametrize("path", ["/livez", "/readyz", "/openapi.json", "/docs"])
def test_open_without_a_key(daemon, path):
    Client(daemon.url).get(path)


@pytest.mark.parametrize("may", ["post", "work", "plan", "admin"])
def test_403_for_a_key_that_may_not(daemon, fleet, may):
    """RFC 9110, 15.5.4."""
    problem = daemon.client(may).get("/v1/upcoming", 403).json()
    assert "read" in problem["detail"]


def test_403_or_404_beyond_the_keys_depots(daemon, fleet):
    depot(fleet, "FAR")
    fleet.post("/v1/vehicles", car("F1", "FAR"), 201)
    confined = daemon.client("read,post", "--depot", "NORTH")
    confined.get("/v1/vehicles/F1", 404)
    confined.get("/v1/vehicles/H0")
    assert [item["code"] for item in confined.items("/v1/depots")] == ["NORTH"]
    refused = confined.send_ndjson("/v1/odometer-readings", [reading("F1", "2025-05-01T12:00:00Z", 100)])["refused"]
    assert [row["field"] for row in refused] == ["unit"]


@pytest.mark.parametrize("path", ["/v1/vehicles/nobody", "/v1/depots/NOWHERE", "/v1/work-orders/0", "/v1/nothing", "/nothing"])
def test_404(fleet, path):
    """RFC 9110, 15.5.5."""
    fleet.get(path, 404)


@pytest.mark.parametrize("text", ["%00", "a%00b", "%FF", "%F0%9F%9A%95", "' OR 1=1 --", "..%2F..", "9" * 5000])
def test_any_text_in_an_address_is_answered(fleet, text):
    """Texts that a database or the parser of addresses may choke on: not there, or not to be used; never a 500."""
    for path in ("vehicles/{}", "vehicles/{}/forecast", "depots/{}", "work-orders/{}", "service-rules/{}",
                 "day-lists/{}?depot=NORTH", "odometer-readings?unit={}"):
        assert fleet.call("GET", "/v1/" + path.format(text)).status_code in (400, 404), path
    for path in ("upcoming?unit={}", "upcoming?depot={}", "vehicles?depot={}", "work-orders?external_ref={}"):
        answer = fleet.call("GET", "/v1/" + path.format(text))
        assert answer.status_code == 400 or answer.json()["items"] == [], path


@pytest.mark.parametrize("path, body", [
    ("/v1/vehicles", car("N1", "a\0b")),
    ("/v1/work-orders", {"unit": "a\0b", "kind": "fan-service", "reason": "noise"}),
    ("/v1/work-orders/next", {"by": "ann", "depot": "a\0b"}),
    ("/v1/odometer-readings/void", {"unit": "a\0b", "at": "2025-01-01T00:00:00Z", "reason": "slip"}),
    ("/v1/odometer-readings/void", {"unit": "H0", "source": "a\0b", "at": "2025-01-01T00:00:00Z", "reason": "slip"}),
    ("/v1/duty-logs/void", {"unit": "H0", "shift": "a\0b", "date": "2025-01-01", "reason": "slip"}),
    ("/v1/vehicles/H0/move", {"depot": "a\0b"}),
])
def test_any_text_in_a_body_is_answered(fleet, path, body):
    """Postgres keeps no NUL in a text."""
    answer = fleet.post(path, body, headers={"if-match": "*"})
    assert answer.status_code in (204, 404, 422), answer.text


def test_405_says_what_is_allowed(fleet):
    """RFC 9110, 15.5.6: an Allow header must be sent."""
    answer = fleet.call("DELETE", "/v1/upcoming")
    assert answer.status_code == 405
    assert "GET" in answer.headers["allow"]


def test_409_for_what_is_there_already(fleet):
    """RFC 9110, 15.5.10."""
    body = {"code": "NORTH", "name": "Again", "zone": "America/New_York", "bays": 1, "distance_unit": "mi"}
    fleet.post("/v1/depots", body, 409)


def test_412_after_somebody_elses_change(fleet):
    """RFC 9110, 15.5.13 and 13.1.1: compared strongly."""
    seen = fleet.get("/v1/depots/NORTH").headers["etag"]
    change = fleet.call("PATCH", "/v1/depots/NORTH", json={"bays": 3}, headers={"if-match": seen})
    assert change.status_code == 200
    assert change.headers["etag"] != seen
    for tag in (seen, f"W/{change.headers['etag']}"):
        assert fleet.call("PATCH", "/v1/depots/NORTH", json={"bays": 4}, headers={"if-match": tag}).status_code == 412
    assert fleet.get("/v1/depots/NORTH").json()["bays"] == 3


def test_413_for_too_much(fleet):
    """RFC 9110, 15.5.14."""
    line = b" " * 1_000_000 + b"\n"
    packed = gzip.compress(line * 140)
    headers = {"content-type": NDJSON, "content-encoding": "gzip"}
    assert fleet.call("POST", "/v1/odometer-readings", data=packed, headers=headers).status_code == 413


def test_415_for_another_media_type(fleet):
    """RFC 9110, 15.5.16; a coding is named by Accept-Encoding, 12.5.3."""
    for path in ("/v1/odometer-readings", "/v1/depots"):
        answer = fleet.call("POST", path, data="x", headers={"content-type": "text/plain"})
        assert answer.status_code == 415
    headers = {"content-type": NDJSON, "content-encoding": "br"}
    answer = fleet.call("POST", "/v1/odometer-readings", data="x", headers=headers)
    assert (answer.status_code, answer.headers["accept-encoding"]) == (415, "gzip")


def test_422_points_at_the_field(fleet):
    """RFC 9110, 15.5.21; the pointer is that of RFC 6901, as in RFC 9457, 3."""
    body = {"code": "EAST", "name": "East", "zone": "Mars/Base", "bays": 1, "distance_unit": "mi"}
    fault = fleet.post("/v1/depots", body, 422).json()["errors"][0]
    assert (fault["pointer"], fault["value"]) == ("/zone", "Mars/Base")


def test_422_for_an_idempotency_key_used_for_another_request(fleet):
    """The IETF draft on the Idempotency-Key header, 2.7; the same request again has the same answer."""
    headers = {"idempotency-key": '"once-only"'}
    body = {"code": "ONCE", "name": "Once", "zone": "America/New_York", "bays": 1, "distance_unit": "mi"}
    first = fleet.post("/v1/depots", body, 201, headers)
    again = fleet.post("/v1/depots", body, 201, headers)
    assert (again.text, again.headers["etag"]) == (first.text, first.headers["etag"])
    fleet.post("/v1/depots", body | {"bays": 2}, 422, headers)


def test_428_where_the_condition_is_missing(fleet):
    """RFC 6585, 3."""
    assert fleet.call("PATCH", "/v1/depots/NORTH", json={"bays": 4}).status_code == 428


def test_an_order_is_told_apart_by_its_version(fleet):
    order = fleet.post("/v1/work-orders", {"unit": "H1", "kind": "fan-service", "reason": "noise"}, 201)
    path = f"/v1/work-orders/{order.json()['number']}"
    fleet.post(f"{path}/accept", {"by": "ann"}, 428)
    taken = fleet.post(f"{path}/accept", {"by": "ann"}, 200, {"if-match": order.headers["etag"]})
    fleet.post(f"{path}/start", {"by": "ann"}, 412, {"if-match": order.headers["etag"]})
    assert fleet.get(path).headers["etag"] == taken.headers["etag"]


# --- Lists --------------------------------------------------------------------------------------------------------


def walk(client, path):
    """Follows the Link headers (RFC 8288)."""
    found = []
    while path:
        answer = client.get(path)
        page = answer.json()
        found.append(page["items"])
        link = answer.links.get("next", {}).get("url")
        assert link == page["next"]
        path = link and urljoin(path, link)
    return found


def pages_equal_one(client, path, size):
    pages = walk(client, f"{path}limit={size}")
    assert all(len(page) == size for page in pages[:-1])
    assert len(pages) > 2
    whole = client.get(f"{path}limit=500").json()
    assert whole["next"] is None
    assert [item for page in pages for item in page] == whole["items"]


def test_pages_add_up(fleet):
    depot(fleet, "PAGES")
    # Numbers that differ in case and length, and one with signs that an address must quote.
    units = [f"P{number}" for number in range(20)] + ["p1", "P 1", "P&1", "É1", "P/1"]
    fleet.store("/v1/vehicles", [car(unit, "PAGES") for unit in units])
    fleet.store("/v1/odometer-readings", [
        reading("P0", f"2025-04-{day:02}T12:00:00Z", 100 * day, source=source)
        for day in range(1, 8) for source in ("a", "b")
    ])
    pages_equal_one(fleet, "/v1/vehicles?depot=PAGES&", 4)
    pages_equal_one(fleet, "/v1/odometer-readings?unit=P0&", 3)
    # The loop must be done with these cars, or the list moves between two pages.
    assert wait_until(lambda: len(fleet.get("/v1/upcoming?depot=PAGES&limit=500").json()["items"]) == len(units), 30)
    time.sleep(1)
    pages_equal_one(fleet, "/v1/upcoming?depot=PAGES&", 4)
    for unit in units:
        assert fleet.get("/v1/vehicles/" + quote(unit, safe="")).json()["unit"] == unit


# --- Rows ---------------------------------------------------------------------------------------------------------


def test_gzip_bodies(fleet):
    rows = [{"unit": "H0", "date": f"2025-02-{day:02}", "hours": 8} for day in range(1, 11)]
    packed = gzip.compress(ndjson(rows).encode())
    verdicts = fleet.send("/v1/duty-logs", packed, NDJSON, {"content-encoding": "gzip"})
    assert verdicts["stored"] == 10
    table = "unit,date,hours\n" + "".join(f"H0,{row['date']},8\n" for row in rows)
    verdicts = fleet.send("/v1/duty-logs", gzip.compress(table.encode()), CSV, {"content-encoding": "gzip"})
    assert verdicts["repeated"] == 10


def test_a_body_that_is_no_gzip_is_the_clients_fault(fleet):
    headers = {"content-type": NDJSON, "content-encoding": "gzip"}
    whole = gzip.compress(ndjson([{"unit": "H0", "date": "2025-02-01", "hours": 8}] * 100).encode())
    for data in (b"no gzip", whole[: len(whole) // 2]):
        answer = fleet.call("POST", "/v1/duty-logs", data=data, headers=headers)
        assert answer.status_code == 400


def test_unknown_fields_are_refused_by_name(fleet):
    fault = fleet.post("/v1/depots", {"code": "X", "colour": "red"}, 422).json()["errors"][0]
    assert fault["pointer"] == "/colour"
    row = reading("H0", "2025-03-01T12:00:00Z", 100) | {"colour": "red"}
    refused = fleet.send_ndjson("/v1/odometer-readings", [row])["refused"]
    assert (refused[0]["field"], refused[0]["value"]) == ("colour", "red")
    table = "unit,at,odometer,distance_unit,colour\nH0,2025-03-01T12:00:00Z,100,mi,red\n"
    answer = fleet.call("POST", "/v1/odometer-readings", data=table, headers={"content-type": CSV})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/colour"


def test_a_reading_without_a_unit_is_refused(fleet):
    row = reading("H0", "2025-03-01T12:00:00Z", 100)
    del row["distance_unit"]
    tables = [
        (ndjson([row]), NDJSON),
        ("unit,at,odometer\nH0,2025-03-01T12:00:00Z,100\n", CSV),
        ("unit,at,odometer,distance_unit\nH0,2025-03-01T12:00:00Z,100,\n", CSV),
    ]
    for text, media_type in tables:
        verdicts = fleet.send("/v1/odometer-readings", text, media_type)
        assert verdicts["stored"] == 0
        assert [row["field"] for row in verdicts["refused"]] == ["distance_unit"]


def test_good_rows_stay_beside_refused_ones(fleet):
    rows = [
        reading("H2", "2025-03-01T12:00:00Z", 100),
        reading("nobody", "2025-03-01T12:00:00Z", 100),
        reading("H2", "2025-03-02T12:00:00", 200),
        reading("H2", "2025-03-03T12:00:00Z", -1),
        reading("H2", "2025-03-04T12:00:00Z", 400),
    ]
    verdicts = fleet.send_ndjson("/v1/odometer-readings", rows)
    assert verdicts["stored"] == 2
    assert [(row["row"], row["field"]) for row in verdicts["refused"]] == [(2, "unit"), (3, "at"), (4, "odometer")]
    rows[0]["odometer"] = 101
    verdicts = fleet.send_ndjson("/v1/odometer-readings", [rows[0], rows[4]])
    assert (verdicts["replaced"], verdicts["repeated"]) == (1, 1)


ODD_TEXTS = ["", " ", "0", "-1", "1e400", "nan", "none", "H0", "mi", "km", "2025-02-30", "2025-03-01T12:00:00Z", "\0"]
ODD_TEXTS += ["é" * 70, "'; --", '"', "9" * 40, "9999-12-31T23:59:59Z"]
ODD = [*ODD_TEXTS, None, True, [], {}, 0, -1, 0.1, 1e308, 2**63, 2**64]


def odd_row(chance, fields):
    return {field: chance.choice(ODD) for field in fields if chance.random() < 0.9}


@pytest.mark.parametrize("path, good", [
    ("/v1/odometer-readings", reading("H0", "2025-06-01T12:00:00Z", 100)),
    ("/v1/duty-logs", {"unit": "H0", "date": "2025-06-01", "hours": 8, "shift": "a", "start_at": None, "end_at": None}),
    ("/v1/seat-logs", {"unit": "H0", "date": "2025-06-01", "trips": 9, "rear_trips": 4, "source": "a"}),
    ("/v1/past-services", reading("H0", "2025-06-01T12:00:00Z", 100, kind="fan-service", note="")),
    ("/v1/vehicles", car("H9", vin=None, model=None, vehicle_type="car", came_in_used=False)),
])
def test_every_odd_row_gets_a_verdict(fleet, cases, path, good):
    """Whatever stands in a row, it is stored or refused: no row breaks the request."""
    chance = random.Random(path)
    for _ in range(max(1, cases // 100)):
        rows = [odd_row(chance, good) if chance.random() < 0.3 else good | odd_row(chance, [chance.choice(list(good))])
                for _ in range(100)]
        verdicts = fleet.send_ndjson(path, rows)
        done = verdicts["stored"] + verdicts["repeated"] + verdicts["replaced"] + len(verdicts["refused"])
        assert done == len(rows)
        assert all(row["reason"] for row in verdicts["refused"])


# --- Days of 23 and 25 hours --------------------------------------------------------------------------------------


def duty_of(client, unit):
    days = client.get(f"/v1/vehicles/{unit}/duty-days").json()
    return {day["date"]: day["hours"] for day in days["days"]}


def test_hours_are_elapsed_hours(fleet):
    """The IANA zone America/New_York: 2026-03-08 has 23 hours, 2026-11-01 has 25."""
    shifts = {
        # Whole local days.
        "S1": ("2026-03-08T00:00:00-05:00", "2026-03-09T00:00:00-04:00", {"2026-03-08": 23}),
        "S2": ("2026-11-01T00:00:00-04:00", "2026-11-02T00:00:00-05:00", {"2026-11-01": 25}),
        # Night shifts from 22:00 to 06:00 by the clock on the wall.
        "S3": ("2026-03-07T22:00:00-05:00", "2026-03-08T06:00:00-04:00", {"2026-03-07": 2, "2026-03-08": 5}),
        "S4": ("2026-10-31T22:00:00-04:00", "2026-11-01T06:00:00-05:00", {"2026-10-31": 2, "2026-11-01": 7}),
        # The night after, for comparison.
        "S5": ("2026-03-08T22:00:00-04:00", "2026-03-09T06:00:00-04:00", {"2026-03-08": 2, "2026-03-09": 6}),
    }
    fleet.store("/v1/vehicles", [car(unit) for unit in shifts])
    rows = [{"unit": unit, "start_at": start, "end_at": end} for unit, (start, end, _) in shifts.items()]
    fleet.store("/v1/duty-logs", rows)
    for unit, (_, _, hours) in shifts.items():
        assert duty_of(fleet, unit) == hours, unit


def test_shifts_of_a_day_add_up(fleet):
    fleet.post("/v1/vehicles", car("S9"), 201)
    night = {"unit": "S9", "shift": "night"}
    night |= {"start_at": "2026-03-07T22:00:00-05:00", "end_at": "2026-03-08T06:00:00-04:00"}
    day = {"unit": "S9", "shift": "day", "date": "2026-03-08", "hours": 8}
    fleet.store("/v1/duty-logs", [night, day])
    assert duty_of(fleet, "S9") == {"2026-03-07": 2, "2026-03-08": 13}


# --- VINs ---------------------------------------------------------------------------------------------------------

# 49 CFR 565: the regulation's own example has the check digit 4; the other two are well-known right ones.
RIGHT_VINS = ["1G4AH59H45G118341", "1M8GDM9AXKP042788", "11111111111111111"]
WRONG_VIN = "1M8GDM9A1KP042788"


def test_a_wrong_vin_is_refused_in_north_america(fleet):
    for number, vin in enumerate(RIGHT_VINS):
        added = fleet.post("/v1/vehicles", car(f"V{number}", vin=vin), 201).json()
        assert (added["vin"], added["vin_warning"]) == (vin, None)
    fault = fleet.post("/v1/vehicles", car("V9", vin=WRONG_VIN), 422).json()["errors"][0]
    assert fault["pointer"] == "/vin"
    assert "X" in fault["detail"]
    refused = fleet.send_ndjson("/v1/vehicles", [car("V9", vin=WRONG_VIN)])["refused"]
    assert [row["field"] for row in refused] == ["vin"]
    fleet.get("/v1/vehicles/V9", 404)


def test_a_wrong_vin_is_warned_of_elsewhere(fleet):
    depot(fleet, "WIEN", "Europe/Vienna", "km")
    added = fleet.post("/v1/vehicles", car("W1", "WIEN", vin=WRONG_VIN), 201).json()
    assert added["vin"] == WRONG_VIN
    assert "X" in added["vin_warning"]
    assert fleet.get("/v1/vehicles/W1").json() == added
    # Letters that no VIN has are refused everywhere.
    fleet.post("/v1/vehicles", car("W2", "WIEN", vin="OM8GDM9A1KP042788"), 422)


# --- Bodies that are refused before their end -------------------------------------------------------------------------


def answer_after_sending(url, head, parts, pause):
    """The status told to a client that reads nothing before it has sent all it has, as many do."""
    host, port = url.removeprefix("http://").split(":")
    length = parts * 65_536
    with socket.create_connection((host, int(port)), timeout=60) as connection:
        fields = "".join(f"{name}: {value}\r\n" for name, value in head.items())
        connection.sendall(f"POST /v1/odometer-readings HTTP/1.1\r\nhost: x\r\n{fields}content-length: {length}\r\n\r\n".encode())
        for _ in range(parts):
            connection.sendall(b"x" * 65_536)
            time.sleep(pause)
        answer = b"".join(iter(lambda: connection.recv(65_536), b""))
    assert b"problem+json" in answer
    return int(answer.split()[1])


def test_a_refusal_reaches_a_client_that_still_sends(new_daemon):
    """Who is cut off while sending loses the answer to a reset."""
    daemon = new_daemon(settings=["limits.body_mib=1"])
    rows = {"content-type": NDJSON}
    known = rows | {"authorization": f"Bearer {daemon.client().key}"}
    for _ in range(5):
        assert answer_after_sending(daemon.url, known, 300, 0) == 413
        assert answer_after_sending(daemon.url, known | {"content-type": "text/csv"}, 300, 0) == 413
        assert answer_after_sending(daemon.url, rows, 120, 0) == 401
    # Refused at its head, and it goes on for three seconds.
    assert answer_after_sending(daemon.url, known, 60, 0.05) == 413
    # Somebody who does not end is let go.
    begun = time.monotonic()
    with pytest.raises(OSError):
        answer_after_sending(daemon.url, known, 600, 0.05)
    assert 9 < time.monotonic() - begun < 25
    assert daemon.client().get("/v1/upcoming")


# --- What is posted shows -----------------------------------------------------------------------------------------


def test_a_reading_shows_within_two_seconds(fleet):
    fleet.post("/v1/vehicles", car("Q1"), 201)
    for odometer in (100, 200, 300):
        at = f"2025-07-{odometer // 100:02}T12:00:00Z"
        fleet.store("/v1/odometer-readings", [reading("Q1", at, odometer)])
        shown = wait_until(lambda: [
            item for item in fleet.get("/v1/upcoming?unit=Q1").json()["items"] if item["last_reading_at"] == at
        ], 2)
        assert shown, at
        assert shown[0]["since_service"]["distance"] == odometer - 10


def test_a_request_id_is_given_back(fleet):
    answer = fleet.get("/v1/vehicles/nobody", 404, headers={"x-request-id": "shop-17"})
    assert check_problem(answer)["request_id"] == "shop-17"
