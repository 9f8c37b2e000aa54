"""Webhooks at receivers of every temper, read with the packages that receivers use; and the stream of events."""

import json
import ssl
import subprocess
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import httpx
import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from standardwebhooks import Webhook, WebhookVerificationError

from daemon import PATIENCE, Client, Daemon, Database, car, depot, wait_until

# Receivers stand on this machine, without TLS; what fails is tried again soon.
SETTINGS = [
    "webhooks.allow_private=true", "webhooks.allow_http=true", "webhooks.first_wait_seconds=0.2",
    "webhooks.longest_wait_hours=0.0001", "webhooks.attempts=4", "webhooks.timeout_seconds=2", "loops.tick_ms=50",
    "webhooks.at_once=2", "events.heartbeat_seconds=1", "raise.settle_seconds=3600",
]


class Receiver:
    """Keeps what it gets; `answer` says what it answers to a request: status and headers."""

    def __init__(self, answer=lambda number: (204, {}), port=0, context=None):
        self.got = []
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["content-length"]))
                receiver.got.append((dict(self.headers.items()), body))
                status, headers = receiver.answer(len(receiver.got))
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("content-length", "0")
                self.end_headers()

            do_GET = do_POST

            def log_message(self, *arguments):
                pass

        self.answer = answer
        self.server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        if context:
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
        self.port = self.server.server_address[1]
        self.url = f"{'https' if context else 'http'}://127.0.0.1:{self.port}/hook?from=ventmile"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def die(self):
        self.server.shutdown()
        self.server.server_close()

    def waits_for(self, count):
        assert wait_until(lambda: len(self.got) >= count, PATIENCE), f"{len(self.got)} of {count}"
        return self.got

    def events(self):
        return [json.loads(body) for _, body in self.got]


@pytest.fixture(scope="module")
def fleet(engine, tmp_path_factory):
    """A daemon of these tests' own, with a depot and a car."""
    folder = tmp_path_factory.mktemp("webhooks")
    database = Database(engine, folder)
    serving = Daemon(database, folder, SETTINGS).start()
    client = serving.client()
    depot(client)
    client.store("/v1/vehicles", [car("7"), car("8")])
    client.daemon = serving
    yield client
    serving.stop()
    database.drop()


@pytest.fixture
def receiver():
    made = []

    def make(*arguments, **options):
        made.append(Receiver(*arguments, **options))
        return made[-1]

    yield make
    for one in made:
        one.die()


@pytest.fixture
def subscribe(fleet):
    """Makes subscriptions that are closed with the test."""
    made = []

    def make(url, **fields):
        made.append(fleet.post("/v1/webhooks", {"url": url} | fields, 201).json())
        return made[-1]

    yield make
    for webhook in made:
        fleet.post(f"/v1/webhooks/{webhook['id']}/close", {})


def report(client, unit="7"):
    """Something to tell of that changes nothing else."""
    body = {"unit": unit, "symptom": "other", "told": "a rattle, says Jane Doe", "by": "Jane Doe"}
    return client.post("/v1/driver-reports", body, 201).json()


def ping(client, webhook):
    client.post(f"/v1/webhooks/{webhook['id']}/ping", {}, 202)


def deliveries(client, webhook, state=None):
    query = f"?state={state}" if state else ""
    return client.items(f"/v1/webhooks/{webhook['id']}/deliveries{query}")


def waits_for_state(client, webhook, state, count=1):
    found = wait_until(lambda: len(deliveries(client, webhook, state)) >= count, PATIENCE)
    assert found, deliveries(client, webhook)
    return deliveries(client, webhook, state)


def test_an_event_is_right_by_both_standards(fleet, receiver, subscribe):
    shop = receiver()
    webhook = subscribe(shop.url, types=["car.driver-report"], depots=["NORTH"])
    report(fleet)
    headers, body = shop.waits_for(1)[0]
    assert Webhook(webhook["secret"]).verify(body, headers) == json.loads(body)
    with pytest.raises(WebhookVerificationError):
        Webhook(webhook["secret"]).verify(body.replace(b"NORTH", b"SOUTH"), headers)
    event = from_http_event(HTTPMessage(headers, body))
    assert (event.get_type(), event.get_source(), event.get_subject()) == ("car.driver-report", "/ventmile", "vehicle 7")
    assert event.get_specversion() == "1.0" and event.get_id() == headers["webhook-id"]
    assert event.get_datacontenttype() == "application/json" and event.get_time().tzinfo
    assert event.get_extension("depot") == "NORTH"
    assert event.get_data()["unit"] == "7"
    assert b"Jane" not in body


def test_a_car_to_be_stopped_is_told_at_once(fleet, receiver, subscribe):
    shop = receiver()
    subscribe(shop.url, types=["car.stop", "car.stop-lifted"])
    code = {"unit": "8", "code": "P0AA6"}
    begun = time.monotonic()
    fleet.store("/v1/trouble-codes", [code | {"at": "2025-04-01T12:00:00Z", "state": "confirmed"}])
    shop.waits_for(1)
    assert time.monotonic() - begun < 10
    fleet.store("/v1/trouble-codes", [code | {"at": "2025-04-01T13:00:00Z", "state": "cleared"}])
    shop.waits_for(2)
    assert [event["type"] for event in shop.events()] == ["car.stop", "car.stop-lifted"]
    assert "do not restart" in shop.events()[0]["data"]["does"]


def test_a_receiver_that_fails_gets_it_later(fleet, receiver, subscribe):
    shop = receiver(lambda number: (500 if number < 3 else 200, {}))
    webhook = subscribe(shop.url)
    ping(fleet, webhook)
    shop.waits_for(3)
    delivered = waits_for_state(fleet, webhook, "delivered")[0]
    assert (delivered["attempts"], delivered["last_status"], delivered["last_fault"]) == (3, 200, None)
    assert len({headers["webhook-id"] for headers, _ in shop.got}) == 1
    # Each attempt is signed anew with the time of its sending.
    for headers, body in shop.got:
        Webhook(webhook["secret"]).verify(body, headers)


def test_what_is_dead_is_listed_and_sent_by_hand(fleet, receiver, subscribe):
    shop = receiver(lambda number: (500, {}))
    webhook = subscribe(shop.url)
    ping(fleet, webhook)
    dead = waits_for_state(fleet, webhook, "dead")[0]
    assert dead["attempts"] == 4 and len(shop.got) == 4 and dead["next_at"] is None
    shop.answer = lambda number: (202, {})
    fleet.post(f"/v1/webhooks/{webhook['id']}/deliveries/{dead['event']}/redeliver", {}, 202)
    again = waits_for_state(fleet, webhook, "delivered")[0]
    assert (again["event"], again["last_status"], again["attempts"]) == (dead["event"], 202, 1)
    assert shop.got[-1][0]["webhook-id"] == shop.got[0][0]["webhook-id"]


def test_a_receiver_that_dies_and_comes_back(fleet, receiver, subscribe):
    first = Receiver()
    webhook = subscribe(first.url)
    ping(fleet, webhook)
    first.waits_for(1)
    first.die()
    ping(fleet, webhook)
    assert wait_until(lambda: any(one["last_fault"] for one in deliveries(fleet, webhook)), PATIENCE)
    back = receiver(port=first.port)
    back.waits_for(1)
    assert waits_for_state(fleet, webhook, "delivered", 2)


def test_a_slow_receiver_holds_up_nobody_else(fleet, receiver, subscribe):
    def slow(number):
        time.sleep(4)
        return 200, {}

    laggard, swift = receiver(slow), receiver()
    late = subscribe(laggard.url)
    subscribe(swift.url)
    begun = time.monotonic()
    for _ in range(6):
        report(fleet)
    swift.waits_for(6)
    assert time.monotonic() - begun < 10, "one after the other the slow one alone would take longer"
    waiting = waits_for_state(fleet, late, "waiting")
    assert wait_until(lambda: any("2 seconds" in (one["last_fault"] or "") for one in deliveries(fleet, late)), PATIENCE)
    assert len(waiting) >= 1


def test_a_redirect_is_not_followed(fleet, receiver, subscribe):
    other = receiver()
    shop = receiver(lambda number: (307, {"location": other.url}))
    webhook = subscribe(shop.url)
    ping(fleet, webhook)
    dead = waits_for_state(fleet, webhook, "dead")[0]
    assert dead["last_status"] == 307 and "not followed" in dead["last_fault"]
    assert other.got == []


def test_410_ends_the_subscription(fleet, receiver, subscribe):
    shop = receiver(lambda number: (410, {}))
    webhook = subscribe(shop.url)
    ping(fleet, webhook)
    path = f"/v1/webhooks/{webhook['id']}"
    assert wait_until(lambda: fleet.get(path).json()["state"] == "stopped", PATIENCE)
    report(fleet)
    time.sleep(0.5)
    assert len(shop.got) == 1


def test_both_secrets_of_a_rotation_are_good(fleet, receiver, subscribe):
    shop = receiver()
    old = subscribe(shop.url)
    new = fleet.post(f"/v1/webhooks/{old['id']}/rotate", {}, 200).json()
    ping(fleet, old)
    headers, body = shop.waits_for(1)[0]
    assert len(headers["webhook-signature"].split(" ")) == 2
    for secret in (old["secret"], new["secret"]):
        Webhook(secret).verify(body, headers)
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_" + "QUJD" * 11).verify(body, headers)


def test_a_paused_subscription_goes_on(fleet, receiver, subscribe):
    shop = receiver()
    webhook = subscribe(shop.url, types=["car.driver-report"])
    path = f"/v1/webhooks/{webhook['id']}"
    change = lambda state: fleet.call("PATCH", path, json={"state": state}, headers={"if-match": "*"})
    assert change("paused").status_code == 200
    report(fleet)
    time.sleep(0.5)
    assert shop.got == [] and [one["state"] for one in deliveries(fleet, webhook)] == ["waiting"]
    assert change("active").status_code == 200
    shop.waits_for(1)


def test_what_waits_outlives_a_restart(new_daemon, receiver):
    daemon = new_daemon(settings=SETTINGS)
    client = daemon.client()
    depot(client)
    client.post("/v1/vehicles", car("7"), 201)
    late = Receiver()
    webhook = client.post("/v1/webhooks", {"url": late.url, "types": ["car.off-road"]}, 201).json()
    late.die()
    client.post("/v1/vehicles/7/off-road", {"from": "2025-05-01", "reason": "paint"}, 201)
    daemon.restart()
    shop = receiver(port=late.port)
    headers, body = shop.waits_for(1)[0]
    Webhook(webhook["secret"]).verify(body, headers)


def test_receivers_are_refused_until_they_are_allowed(client):
    """The daemon as it comes: no http, nobody nearby, whatever the spelling."""
    for url in ("https://127.0.0.1/", "https://[::1]/", "https://169.254.169.254/latest", "https://10.0.0.1:8443/",
                "https://2130706433/", "https://[::ffff:10.0.0.1]/", "https://localhost:8443/", "http://shop.example/",
                "https://a:b@shop.example/", "https://shop.example:25/", "gopher://shop.example/"):
        problem = client.post("/v1/webhooks", {"url": url}, 422).json()
        assert [fault["pointer"] for fault in problem["errors"]] == ["/url"], url


def test_tls_is_checked(new_daemon, receiver, tmp_path):
    """A certificate that nobody vouches for is refused; one of the fleet's own authority is taken once that is named."""
    key, certificate = tmp_path / "key.pem", tmp_path / "ca.pem"
    wanted = tmp_path / "wanted.cnf"
    wanted.write_text("[req]\ndistinguished_name=name\nx509_extensions=more\n[name]\n[more]\n"
                      "subjectAltName=IP:127.0.0.1\nbasicConstraints=critical,CA:FALSE\n")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-config", wanted, "-subj", "/CN=127.0.0.1", "-keyout", key, "-out", certificate],
        check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    shop = receiver(context=context)
    settings = [one for one in SETTINGS if "allow_http" not in one]
    daemon = new_daemon(settings=settings)
    client = daemon.client()
    webhook = client.post("/v1/webhooks", {"url": shop.url}, 201).json()
    ping(client, webhook)
    assert "ertificate" in waits_for_state(client, webhook, "dead")[0]["last_fault"]
    assert shop.got == []
    daemon.stop()
    trusting = new_daemon(daemon.database, [*settings, f"webhooks.ca_file={certificate}"])
    client = trusting.client()
    ping(client, webhook)
    headers, body = shop.waits_for(1)[0]
    Webhook(webhook["secret"]).verify(body, headers)


# --- The stream ---------------------------------------------------------------------------------------------------


class Stream:
    """Server-sent events (WHATWG HTML, 9.2) read from httpx's lines."""

    def __init__(self, client, query="", last=None):
        headers = {"authorization": f"Bearer {client.key}"} | ({"last-event-id": last} if last else {})
        self.http = httpx.Client(trust_env=False, timeout=PATIENCE)
        self.context = self.http.stream("GET", f"{client.url}/v1/events{query}", headers=headers)
        self.answer = self.context.__enter__()
        assert self.answer.status_code == 200, self.answer.read()
        assert self.answer.headers["content-type"] == "text/event-stream"
        self.lines = self.answer.iter_lines()

    def blocks(self):
        fields = {}
        for line in self.lines:
            if line:
                name, _, value = line.partition(":")
                fields[name] = value.removeprefix(" ")
            elif fields:
                yield fields
                fields = {}

    def event(self):
        """The next event; comments are passed over."""
        return next(block for block in self.blocks() if "data" in block)

    def close(self):
        self.context.__exit__(None, None, None)
        self.http.close()


def test_a_stream_goes_on_where_it_broke_off(fleet):
    stream = Stream(fleet, "?types=car.driver-report")
    report(fleet)
    first = stream.event()
    assert first["event"] == "car.driver-report" and json.loads(first["data"])["id"] == first["id"]
    stream.close()
    for unit in ("8", "7"):
        report(fleet, unit)
    stream = Stream(fleet, "?types=car.driver-report", last=first["id"])
    assert [json.loads(stream.event()["data"])["data"]["unit"] for _ in range(2)] == ["8", "7"]
    stream.close()


def test_a_quiet_stream_says_that_it_lives(fleet):
    stream = Stream(fleet, "?types=work-order.missed")
    assert next(stream.blocks()) == {"": "alive"}
    stream.close()


def test_a_stream_ends_with_its_key(fleet):
    made = fleet.daemon.command("key new", "--name", "short-lived", "--may", "read")
    reader = Client(fleet.url, made.stdout.strip())
    stream = Stream(reader)
    assert fleet.daemon.command("key revoke", "short-lived").returncode == 0
    begun = time.monotonic()
    assert all("data" not in block for block in stream.blocks())
    assert time.monotonic() - begun < 10


def test_streams_end_when_the_daemon_stops(new_daemon):
    daemon = new_daemon(settings=SETTINGS)
    stream = Stream(daemon.client())
    begun = time.monotonic()
    daemon.stop()
    assert all("data" not in block for block in stream.blocks())
    assert time.monotonic() - begun < 10, "nobody waits for streams"


def test_another_servers_events_are_seen(engine, new_daemon):
    """Two servers share a Postgres database (a SQLite file has one): what happens at one shows at the other."""
    one = new_daemon(settings=SETTINGS)
    other = one if engine == "sqlite" else new_daemon(one.database, SETTINGS)
    client, elsewhere = one.client(), other.client()
    depot(client)
    client.post("/v1/vehicles", car("7"), 201)
    stream, far = Stream(client), Stream(elsewhere)
    shop = Receiver()
    client.post("/v1/webhooks", {"url": shop.url}, 201)
    for _ in range(20):
        report(client)
        report(elsewhere)
    seen = [[stream.event()["id"] for _ in range(40)] for stream in (stream, far)]
    assert seen[0] == seen[1] == sorted(seen[0], key=int) and len(set(seen[0])) == 40
    shop.waits_for(40)
    time.sleep(0.5)
    ids = [headers["webhook-id"] for headers, _ in shop.got]
    assert sorted(ids, key=int) == seen[0], "each once, whichever server sent it"
    shop.die()
    stream.close()
    far.close()
