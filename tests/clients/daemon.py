"""The real program as a client meets it: started, asked over HTTP, stopped."""

import itertools
import json
import os
import re
import signal
import subprocess
import time
from pathlib import Path

import requests

BINARY = os.environ.get("VENTMILE_BINARY", str(Path(__file__).parents[2] / "target" / "debug" / "ventmile"))
POSTGRES = os.environ.get("VENTMILE_TEST_POSTGRES", "")
ALL_SCOPES = "read,post,work,plan,admin"

# How long the program may take to start, and to stop once told to.
PATIENCE = 60

_numbers = itertools.count(1)


def environment():
    """The environment without settings of whoever runs the tests."""
    return {name: value for name, value in os.environ.items() if not name.startswith("VENTMILE_")}


def run(*arguments, cwd=None, extra=None):
    """A short command of the program, run to its end; `extra` goes into its environment."""
    command = [BINARY, *map(str, arguments)]
    env = environment() | (extra or {})
    return subprocess.run(command, cwd=cwd, env=env, capture_output=True, text=True, timeout=300, check=False)


def psql(statement):
    command = ["psql", "--no-psqlrc", "--quiet", f"{POSTGRES}/postgres", "--command", statement]
    subprocess.run(command, check=True, capture_output=True)


class Database:
    """A database of a test's own."""

    def __init__(self, engine, folder):
        self.engine = engine
        name = f"c{os.getpid()}_{next(_numbers)}"
        if engine == "sqlite":
            self.file = Path(folder) / f"{name}.db"
            self.address = f"sqlite:{self.file}"
        else:
            assert POSTGRES, "VENTMILE_TEST_POSTGRES names a Postgres server; tests/run starts one"
            self.name = name
            self.address = f"{POSTGRES}/{name}"
            psql(f"CREATE DATABASE {name}")

    def drop(self):
        if self.engine == "postgres":
            psql(f"DROP DATABASE {self.name} WITH (FORCE)")


class Daemon:
    """`ventmile serve` on a database; `before` goes before the command, `extra` into its environment."""

    def __init__(self, database, folder, settings=(), extra=None, before=()):
        self.database = database
        self.extra = extra or {}
        self.before = before
        self.settings = [flag for setting in settings for flag in ("--set", setting)]
        self.log = Path(folder) / f"serve{next(_numbers)}.log"
        self.process = None
        self.url = None

    def start(self):
        self.launch()
        self.url = f"http://{self._address()}"
        return self

    def launch(self):
        """Starts the process and does not wait until it serves."""
        # Once more it listens where its clients look for it.
        listen = self.url.removeprefix("http://") if self.url else "127.0.0.1:0"
        command = [*self.before, BINARY, "serve", "--listen", listen, "--database", self.database.address]
        with self.log.open("w") as log:
            self.process = subprocess.Popen(
                [*command, *self.settings], stdout=log, stderr=log, env=environment() | self.extra
            )

    def _address(self):
        """Port 0 is the system's choice; the log says which it was."""
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end:
            found = re.search(r"serving address=(\S+)", self.log.read_text())
            if found:
                return found[1]
            assert self.process.poll() is None, self.log.read_text()
            time.sleep(0.02)
        raise AssertionError(f"it does not serve: {self.log.read_text()}")

    def stop(self):
        """Told to stop, it ends by itself with success."""
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(PATIENCE) == 0, self.log.read_text()

    def restart(self):
        self.stop()
        self.start()

    def kill(self):
        self.process.kill()
        self.process.wait(PATIENCE)

    def is_running(self):
        return self.process is not None and self.process.poll() is None

    def command(self, name, *arguments, extra=None):
        """A short command on the same database."""
        return run(*name.split(), *arguments, "--database", self.database.address, extra=extra)

    def new_key(self, may=ALL_SCOPES, *arguments):
        made = self.command("key new", "--name", f"client {next(_numbers)}", "--may", may, *arguments)
        assert made.returncode == 0, made.stderr
        return made.stdout.strip()

    def client(self, may=ALL_SCOPES, *arguments):
        return Client(self.url, self.new_key(may, *arguments))


class Client:
    """Requests with a key; every refusal is held against the shape of a problem."""

    def __init__(self, url, key=None):
        self.url = url
        self.key = key
        self.session = requests.Session()
        # A proxy of the machine has no business between the two.
        self.session.trust_env = False
        if key:
            self.session.headers["authorization"] = f"Bearer {key}"

    def call(self, method, path, **options):
        options.setdefault("timeout", 300)
        answer = self.session.request(method, self.url + path, **options)
        if answer.status_code >= 400:
            check_problem(answer)
        return answer

    def get(self, path, status=200, **options):
        answer = self.call("GET", path, **options)
        assert answer.status_code == status, answer.text
        return answer

    def items(self, path):
        """All items of a list, page by page."""
        found = []
        while path:
            page = self.get(path).json()
            found += page["items"]
            path = page["next"]
        return found

    def post(self, path, body, status=None, headers=None):
        """Posts JSON with an idempotency key of its own."""
        headers = {"idempotency-key": f'"c{next(_numbers)}"'} | (headers or {})
        answer = self.call("POST", path, json=body, headers=headers)
        assert status is None or answer.status_code == status, answer.text
        return answer

    def send(self, path, text, media_type, headers=None):
        """Posts rows and gives the verdicts."""
        data = text.encode() if isinstance(text, str) else text
        answer = self.call("POST", path, data=data, headers={"content-type": media_type} | (headers or {}))
        assert answer.status_code == 200, answer.text
        return answer.json()

    def send_ndjson(self, path, rows):
        return self.send(path, ndjson(rows), "application/x-ndjson")

    def store(self, path, rows):
        """Posts rows that must all be new."""
        verdicts = self.send_ndjson(path, rows)
        assert verdicts == {"stored": len(rows), "repeated": 0, "replaced": 0, "refused": []}
        return verdicts


def ndjson(rows):
    return "".join(json.dumps(row) + "\n" for row in rows)


def check_problem(answer):
    """RFC 9457, 3.1: the media type and the members; ours are always all there."""
    assert answer.headers["content-type"] == "application/problem+json", answer.text
    problem = answer.json()
    assert problem["type"].startswith("urn:ventmile:problem:")
    assert problem["title"] and problem["detail"]
    assert problem["status"] == answer.status_code
    assert problem["request_id"] == answer.headers["x-request-id"]
    assert all(fault["detail"] for fault in problem["errors"])
    return problem


def wait_until(check, patience):
    """Asks until the answer is true; gives it, or the last one."""
    end = time.monotonic() + patience
    while True:
        answer = check()
        if answer or time.monotonic() > end:
            return answer
        time.sleep(0.05)


def depot(client, code="NORTH", zone="America/New_York", unit="mi"):
    body = {"code": code, "name": code.title(), "zone": zone, "bays": 2, "distance_unit": unit}
    return client.post("/v1/depots", body, 201).json()


def car(unit, depot_code="NORTH", **fields):
    new = {"unit": unit, "depot": depot_code, "in_service_on": "2025-01-01", "odometer_in_service": 10}
    return new | {"distance_unit": "mi"} | fields
