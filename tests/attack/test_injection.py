"""Texts that mean something to a database, a header, a log, a spreadsheet or a calendar are texts here."""

import csv
import http.client
import io
import re
from urllib.parse import quote

import pytest
from icalendar import Calendar

from daemon import Client, car, depot, wait_until

SQL = (
    "'; DROP TABLE vehicles; --",
    '" OR ""="',
    "' OR '1'='1",
    "1); DELETE FROM work_orders; --",
    "x' UNION SELECT hash FROM keys --",
    "\\'; SELECT pg_sleep(9); --",
    "%' ESCAPE '",
    "${jndi:ldap://127.0.0.1/x}",
    "{{7*7}}",
)

PLACES = (
    "/v1/vehicles/{}", "/v1/depots/{}", "/v1/work-orders/{}", "/v1/packs/{}", "/v1/gear/{}", "/v1/technicians/{}",
    "/v1/service-rules/{}", "/v1/procedures/{}", "/v1/vehicles/{}/forecast", "/v1/upcoming?depot={}", "/v1/upcoming?unit={}",
    "/v1/upcoming?cursor={}", "/v1/upcoming?kind={}", "/v1/upcoming?band={}", "/v1/upcoming?until={}", "/v1/journal?cursor={}",
    "/v1/work-orders?assigned_to={}", "/v1/work-orders?external_ref={}", "/v1/work-orders?changed_since={}",
    "/v1/odometer-readings?unit={}", "/v1/odometer-readings?unit=Q1&from={}", "/v1/pack-outlook?type={}",
    "/v1/life-curve?type={}", "/v1/hindsight?depot={}", "/v1/day-lists/{}?depot=INJ", "/v1/vehicles?limit={}",
)


@pytest.fixture(scope="module")
def inside(client):
    depot(client, "INJ")
    client.store("/v1/vehicles", [car("Q1", "INJ")])
    return client


def counts(client):
    return [len(client.items(path)) for path in ("/v1/depots", "/v1/vehicles", "/v1/past-services?unit=Q1")]


def test_sql_in_every_place_is_a_text(inside):
    before = counts(inside)
    for place in PLACES:
        for text in SQL:
            answer = inside.call("GET", place.format(quote(text, safe="")))
            assert answer.status_code in (200, 400, 404, 422), (place, text, answer.text)
            if answer.status_code == 200:
                assert answer.json().get("items", []) == [], (place, text)
    assert counts(inside) == before


def test_sql_is_kept_as_it_was_written(inside):
    for number, text in enumerate(SQL):
        unit = f"Q{number + 10}"
        inside.store("/v1/vehicles", [car(unit, "INJ", model=text)])
        assert inside.get(f"/v1/vehicles/{unit}").json()["model"] == text
        order = inside.post("/v1/work-orders", {"unit": unit, "kind": "fan-service", "reason": text}, 201).json()
        assert order["reason"] == text
        found = inside.items(f"/v1/work-orders?unit={unit}")
        assert [item["reason"] for item in found] == [text]


def raw(daemon, method, target, headers=None, body=None):
    """A request put together by hand: no client library cleans it."""
    connection = http.client.HTTPConnection(daemon.url.removeprefix("http://"), timeout=60)
    connection.putrequest(method, target, skip_accept_encoding=True)
    for name, value in (headers or {}).items():
        connection.putheader(name, value)
    if body is not None:
        connection.putheader("content-length", str(len(body)))
    connection.endheaders(body)
    answer = connection.getresponse()
    text = answer.read()
    connection.close()
    return answer.status, {name.lower(): value for name, value in answer.getheaders()}, text


SPLITS = ("%0d%0aset-cookie:%20a=b", "%0aset-cookie:%20a=b", "%E5%98%8A%E5%98%8Dset-cookie:%20a=b", "%00")


def test_no_answer_gets_a_header_from_outside(daemon, inside):
    key = {"authorization": f"Bearer {inside.key}"}
    inside.store("/v1/vehicles", [car(f"H{number}", "INJ") for number in range(3)])
    for split in SPLITS:
        for target in (f"/v1/vehicles?limit=1&depot=INJ&cursor=x{split}", f"/v1/vehicles/x{split}", f"/v1/x{split}",
                       f"/v1/upcoming?limit=1&distance_unit=mi{split}", f"/v1/vehicles?limit=1&depot=INJ&x={split}"):
            status, headers, _ = raw(daemon, "GET", target, key)
            assert status < 500 and "set-cookie" not in headers, target
    # What is put into the link of the next page is written anew.
    _, headers, _ = raw(daemon, "GET", "/v1/vehicles?limit=1&depot=INJ", key)
    assert re.fullmatch(r'</v1/vehicles\?[!-~]+>; rel="next"', headers["link"])
    for given in ("a b", "x" * 101, "é", "a;b", "<script>", ""):
        _, headers, _ = raw(daemon, "GET", "/livez", {"x-request-id": given.encode()})
        assert re.fullmatch(r"[0-9a-f]{16}", headers["x-request-id"]), given


FORGED = "2031-01-01T00:00:00.000000Z ERROR ventmile: forged"


def test_nobody_writes_lines_into_the_log(new_daemon):
    daemon = new_daemon(settings=["log.level=debug"])
    client = daemon.client()
    depot(client, "LOG")
    for line in (f"x\n{FORGED}", f"x\r\n{FORGED}", f"x\u2028{FORGED}", f"\x1b[2K{FORGED}"):
        client.send_ndjson("/v1/vehicles", [car(line, "LOG"), car("L1", "LOG", model=line), car("L1", line)])
        client.call("GET", f"/v1/vehicles/{quote(line, safe='')}")
        client.call("GET", f"/v1/{quote(line, safe='')}")
        client.call("GET", f"/v1/upcoming?depot={quote(line)}")
        client.call("POST", "/v1/depots", json={"code": line, "name": line, "zone": line, "bays": 1, "distance_unit": line})
        client.call("POST", "/v1/work-orders", json={"unit": line, "kind": line, "reason": line},
                    headers={"idempotency-key": '"x"', "traceparent": "00-" + "0" * 31 + "\t-x"})
        Client(daemon.url, "vm_" + quote(line)).call("GET", "/v1/depots")
    daemon.stop()
    text = daemon.log.read_text()
    assert len(text.splitlines()) > 10
    for line in text.split("\n")[:-1]:
        assert re.match(r"\d{4}-\d\d-\d\dT\S+Z +(TRACE|DEBUG|INFO|WARN|ERROR) ", line) and not line.startswith("2031"), line
        assert "\x1b" not in line and "\r" not in line, line


FORMULAS = ("=1+1", "+1+1", "-1+1", "@SUM(1)", "\t=1+1", "\r=1+1", '=HYPERLINK("x")', "=cmd|' /C calc'!A0")


def test_no_cell_is_a_formula(inside):
    tables = (
        "/v1/upcoming?format=csv", "/v1/pack-outlook?format=csv", "/v1/parts?format=csv", "/v1/reports/services?format=csv",
        "/v1/reports/failures?format=csv", "/v1/reports/out-of-service?format=csv", "/v1/reports/cores?format=csv",
        "/v1/day-lists/2031-01-06?format=csv",
    )
    for number, text in enumerate(FORMULAS):
        unit = f"{text.strip()[:6]}{number}"
        inside.send_ndjson("/v1/vehicles", [car(unit, "INJ", model=text)])
        inside.post("/v1/parts", {"depot": "INJ", "number": f"{text.strip()[:6]}{number}", "name": text, "lead_days": 1})
        order = inside.post("/v1/work-orders", {"unit": unit, "kind": "fan-service", "reason": text})
        if order.status_code == 201:
            seen = {"if-match": order.headers["etag"]}
            path = f"/v1/work-orders/{order.json()['number']}/plan"
            inside.post(path, {"on": "2031-01-06", "start": "09:00", "minutes": 10, "bay": 1}, None, seen)
    units = {item["unit"] for item in inside.items("/v1/vehicles?depot=INJ")}
    assert any(unit.startswith("=") for unit in units), "a unit may be called so"
    assert wait_until(lambda: units <= {item["unit"] for item in inside.items("/v1/upcoming?limit=500")}, 60)
    seen = 0
    for table in tables:
        answer = inside.get(f"{table}&depot=INJ")
        for row in csv.reader(io.StringIO(answer.text, newline="")):
            for cell in row:
                seen += cell.startswith("'")
                number = re.fullmatch(r"-?[0-9.]+(e-?[0-9]+)?", cell)
                assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r")), (table, row)
    assert seen >= len(FORMULAS) // 2, "the test shows nothing: no cell needed a guard"


def test_a_reason_adds_nothing_to_a_calendar(daemon, inside):
    inside.store("/v1/vehicles", [car("I1", "INJ")])
    new = {"unit": "I1", "kind": "fan-service"}
    for end in ("\r\n", "\n", "\x85", "\x0b"):
        split = f"x{end}END:VTODO{end}BEGIN:VALARM"
        assert inside.post("/v1/work-orders", new | {"reason": split}).status_code == 422
        assert inside.post("/v1/calendars", {"depot": "INJ", "name": split}).status_code == 422
    # No control characters, but what a writer of folded lines may get wrong.
    reason = "x\\nEND:VTODO\\r\\nBEGIN:VALARM\u2028END:VTODO;\\,:" + "BEGIN:VALARM," * 30
    inside.post("/v1/work-orders", new | {"reason": reason}, 201)
    made = inside.post("/v1/calendars", {"depot": "INJ", "name": "phone;VALUE=URI:x\\nX-EVIL:1"}, 201).json()
    text = Client(daemon.url).get(made["address"]).text
    calendar = Calendar.from_ical(text)
    reasons = {order["reason"] for order in inside.items("/v1/work-orders?depot=INJ&open=true&limit=500")}
    # Below the reason stand those that joined it later.
    told = {str(to_do.get("description")).split("\n")[0] for to_do in calendar.walk("VTODO")}
    assert reason in told <= reasons
    assert not calendar.walk("VALARM") and "\nX-EVIL" not in text


# What may stand in a cursor, for it is only written in hex: other types, extremes, what no text may hold.
PLACES_OF_CURSORS = (
    '"\\u0000"', '["\\u0000","\\u0000"]', '[0,"\\u0000",0]', "0", "-9223372036854775808", "9223372036854775807", "1e999", "null",
    "[]", "[[]]", "{}", '["",0]', "[1,2]", "[1,2,3]", "[1,2,3,4]", '[0,""]', '[9223372036854775807,"",9223372036854775807]',
    '[null,null,null]', '"\\ud800"', '"' + "x" * 5_000 + '"', "[" * 500, "\ufeff0", '[-9223372036854775808,"x",0]',
)


def test_a_forged_cursor_is_refused_or_finds_nothing_new(daemon, inside):
    document = Client(daemon.url).get("/openapi.json").json()
    known = {"depot": "INJ", "unit": "Q1"}
    hook = inside.post("/v1/webhooks", {"url": "https://shop.example/cursors", "depots": ["INJ"]}, 201).json()["id"]
    asked = 0
    for path, item in document["paths"].items():
        parameters = {parameter["name"]: parameter for parameter in item.get("get", {}).get("parameters", ())}
        if "cursor" not in parameters:
            continue
        asked += 1
        path = path.replace("{id}", str(hook))
        needed = "".join(f"{name}={known[name]}&" for name, how in parameters.items() if how["required"] and name in known)
        for place in PLACES_OF_CURSORS:
            cursor = place.encode("utf-8", "surrogatepass").hex()
            answer = inside.call("GET", f"{path}?{needed}cursor={cursor}")
            assert answer.status_code in (200, 400), (path, place, answer.text)
    assert asked > 20
