"""Clients that break off, dawdle or come in crowds, and a stop in the middle of the load."""

import json
import resource
import socket
import time
from contextlib import ExitStack

from daemon import PATIENCE, Client, car, depot, wait_until
from load import SETTINGS, Load
from soundness import is_sound

DAY = "2024-07-01"

# A bounded crowd, on the loopback only.
CROWD = 400


def address(daemon):
    host, port = daemon.url.removeprefix("http://").split(":")
    return host, int(port)


def head(key, length, more=""):
    return (
        f"POST /v1/odometer-readings HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {key}\r\n{more}"
        f"content-type: application/x-ndjson\r\n{length}\r\n\r\n"
    ).encode()


def rows(count, minute=0):
    return "".join(
        json.dumps({"unit": "B1", "at": f"2025-03-01T{n // 60:02}:{n % 60:02}:{minute:02}Z", "odometer": 50,
                    "distance_unit": "mi"}) + "\n"
        for n in range(count)
    )


def fleet(daemon):
    client = daemon.client()
    depot(client)
    client.store("/v1/vehicles", [car("B1")])
    return client


def is_hung_up(connection):
    """Whether the server ends the connection, after an answer or without."""
    connection.settimeout(PATIENCE)
    try:
        while connection.recv(10_000):
            pass
    except ConnectionError:
        pass
    except TimeoutError:
        return False
    return True


def stored(client):
    return len(client.items("/v1/odometer-readings?unit=B1&limit=500"))


def is_quick(client):
    begin = time.monotonic()
    client.get("/v1/vehicles")
    return time.monotonic() - begin < 5


def test_half_a_body_stores_whole_rows_or_none(new_daemon):
    daemon = new_daemon()
    client = fleet(daemon)
    body = rows(100).encode()
    # At every kind of place: no row, within a row, between two, all but the end.
    for cut in (0, 10, len(body) // 2, body.index(b"\n", len(body) // 3) + 1, len(body) - 1):
        for framing in (f"content-length: {len(body)}", "transfer-encoding: chunked"):
            with socket.create_connection(address(daemon)) as connection:
                part = body[:cut]
                if framing.startswith("transfer") and part:
                    part = f"{len(part):x}\r\n".encode() + part + b"\r\n"
                connection.sendall(head(client.key, framing) + part)
    # Of a body that says its length none is stored; of one that comes in chunks those that were whole.
    assert wait_until(lambda: stored(client) == 99, PATIENCE)
    # Sent again, each of them is there once.
    verdicts = client.send("/v1/odometer-readings", body, "application/x-ndjson")
    assert (verdicts["stored"], verdicts["repeated"]) == (1, 99)
    assert stored(client) == 100
    assert "ERROR" not in daemon.log.read_text()


def test_a_crowd_of_connections_keeps_nobody_out(new_daemon):
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, max(soft, 4 * CROWD)), hard))
    daemon = new_daemon(settings=("limits.head_seconds=5", "limits.idle_seconds=5"))
    client = fleet(daemon)
    with ExitStack() as crowd:
        connections = [crowd.enter_context(socket.create_connection(address(daemon))) for _ in range(CROWD)]
        for number, connection in enumerate(connections):
            # A third says nothing, a third begins a head, a third begins a body.
            part = (b"", b"GET /v1/depots HTTP/1.1\r\nhost: x\r\nx-slow: ", head(client.key, "content-length: 90") + b"{")
            connection.sendall(part[number % 3])
        for _ in range(5):
            fresh = Client(daemon.url, client.key)
            assert is_quick(fresh), "a slow crowd holds up others"
            fresh.send("/v1/odometer-readings", rows(1, 59), "application/x-ndjson")
        # Nobody may dawdle for ever: those who say no more are hung up on.
        assert all(is_hung_up(connection) for connection in connections)
    assert is_quick(client)


def test_a_dawdling_body_keeps_no_other_out(new_daemon):
    """Bodies that come a byte at a time, as many as there are threads and more."""
    daemon = new_daemon()
    client = fleet(daemon)
    body = rows(1)
    with ExitStack() as slow:
        crowd = [slow.enter_context(socket.create_connection(address(daemon))) for _ in range(100)]
        for connection in crowd:
            connection.sendall(head(client.key, "transfer-encoding: chunked"))
        for byte in body[:20]:
            for connection in crowd:
                connection.sendall(f"1\r\n{byte}\r\n".encode())
            assert is_quick(client)
    assert stored(client) == 0


def test_a_stop_under_load_drops_nothing_acknowledged(new_daemon):
    daemon = new_daemon(settings=SETTINGS)
    with Load(daemon, 6, posters=4, hands=2) as load:
        load.start(DAY).go_on()
        for round in range(3):
            answered = load.answered()
            assert wait_until(lambda: load.answered() > answered + 10, PATIENCE)
            daemon.stop()
            load.pause()
            assert "ERROR" not in daemon.log.read_text()
            daemon.start()
            load.gate.wait_parked()
            load.check([DAY])
            load.go_on()
        load.finish()
        load.check([DAY])
        is_sound(daemon)


def test_a_request_under_way_at_the_stop_is_answered(new_daemon):
    daemon = new_daemon()
    client = fleet(daemon)
    body = rows(50).encode()
    with socket.create_connection(address(daemon)) as connection:
        connection.sendall(head(client.key, f"content-length: {len(body)}", "expect: 100-continue\r\n"))
        assert connection.recv(100).startswith(b"HTTP/1.1 100")
        daemon.process.terminate()
        wait_until(lambda: "told to stop" in daemon.log.read_text(), PATIENCE)
        connection.sendall(body)
        answer = b""
        while part := connection.recv(10_000):
            answer += part
    assert b"HTTP/1.1 200" in answer and b'"stored":50' in answer
    assert daemon.process.wait(PATIENCE) == 0
    daemon.start()
    assert stored(Client(daemon.url, client.key)) == 50
