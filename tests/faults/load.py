"""A load whose clients write down what was acknowledged, to be held against what is stored after a fault."""

import itertools
import random
import threading
import time
from collections import Counter

from requests.exceptions import RequestException

from daemon import Client, car, depot, ndjson

CARS = 5

# A job that no forecast calls for, so that every order of it is a worker's own.
KIND = "pack-assessment"
PAGE = 5_000

# The loop leaves the cars alone; what a killed process had claimed is free again soon.
SETTINGS = ("raise.settle_seconds=3600", "loops.claim_seconds=2", f"limits.page_max={PAGE}")


class Over(Exception):
    """The load is broken off."""


class Gate:
    """Lets the workers' requests through, or holds them back."""

    def __init__(self, workers):
        self.workers = workers
        self.parked = 0
        self.state = threading.Condition()
        self.is_open = self.is_last = self.is_over = False

    def turn(self, **how):
        """Opens or closes it, lets each worker's last step through, or breaks off."""
        with self.state:
            for name, value in how.items():
                setattr(self, name, value)
            self.state.notify_all()

    def wait_parked(self):
        """Until every worker stands at the closed gate."""
        with self.state:
            assert self.state.wait_for(lambda: self.parked == self.workers, 120), "a request has no end"

    def through(self):
        with self.state:
            self.parked += 1
            self.state.notify_all()
            self.state.wait_for(lambda: self.is_open or self.is_over)
            self.parked -= 1
            if self.is_over:
                raise Over

    def left(self):
        with self.state:
            self.workers -= 1
            self.state.notify_all()


class Worker(threading.Thread):
    """One client that does one thing after the other, each under an idempotency key of its own. A request whose outcome is
    unknown is sent again under the same key until it is answered."""

    def __init__(self, name, daemon, key, gate, seed):
        super().__init__(name=name, daemon=True)
        self.client = Client(daemon.url, key)
        self.gate = gate
        self.dice = random.Random(f"{seed} {name}")
        self.number = itertools.count(1)
        self.day = None
        self.answered = self.repeated = 0
        self.statuses = Counter()
        self.fault = None

    def run(self):
        try:
            while not self.gate.is_last:
                self.step()
        except Over:
            pass
        except Exception as fault:  # raised again in the test's own thread
            self.fault = fault
        finally:
            self.gate.left()

    def send(self, path, status, headers=None, **body):
        """Sends until there is an answer; it must be `status`. 503 is an answer that says that nothing was done."""
        headers = {"idempotency-key": f'"{self.name}-{next(self.number)}"'} | (headers or {})
        while True:
            self.gate.through()
            try:
                answer = self.client.call("POST", path, headers=headers, **body)
            except RequestException:
                self.repeated += 1
                time.sleep(0.01)
                continue
            self.statuses[answer.status_code] += 1
            # The killed process' transaction may be at it for a moment longer.
            under_way = answer.status_code == 409 and answer.json()["type"].endswith(":under-way")
            if under_way or answer.status_code in (503, 507):
                time.sleep(0.05)
                continue
            assert answer.status_code == status, f"{self.name}: {answer.status_code} {answer.text}"
            self.answered += 1
            return answer


class Poster(Worker):
    """Posts readings in batches of all sizes; what is acknowledged is there, what is not is there whole or not at all."""

    def __init__(self, *arguments):
        super().__init__(*arguments)
        self.units = [f"{self.name}-{number}" for number in range(CARS)]
        self.seconds = itertools.count(1)
        self.acknowledged = {}
        self.pending = []

    def row(self, unit):
        second = next(self.seconds)
        at = f"{self.day}T{second // 3600 % 24:02}:{second // 60 % 60:02}:{second % 60:02}Z"
        return {"unit": unit, "at": at, "odometer": 100, "distance_unit": "mi"}

    def step(self):
        size = self.dice.choice((1, 1, 10, 100, 1_000))
        self.pending = [self.row(self.dice.choice(self.units)) for _ in range(size)]
        body = ndjson(self.pending)
        answer = self.send(
            "/v1/odometer-readings", 200, {"content-type": "application/x-ndjson"}, data=body.encode()
        ).json()
        # Sent again after the rows were stored but the answer was not: then they are repeated.
        assert answer["stored"] + answer["repeated"] == size and not answer["refused"], answer
        assert answer["repeated"] in (0, size), answer
        for row in self.pending:
            self.acknowledged.setdefault(row["at"][:10], []).append((row["unit"], row["at"]))
        self.pending = []

    def check(self, client, days):
        """The rows of these days are those acknowledged, each once, and all or none of what is pending."""
        stored = Counter()
        first, last = min(days), max(days)
        for unit in self.units:
            found = client.items(f"/v1/odometer-readings?unit={unit}&from={first}&to={last}&limit={PAGE}")
            stored.update((unit, item["at"]) for item in found)
        expected = Counter(row for day in days for row in self.acknowledged.get(day, ()))
        pending = Counter((row["unit"], row["at"]) for row in self.pending)
        assert expected - stored == Counter(), f"{self.name}: acknowledged rows are lost"
        assert stored - expected in (Counter(), pending), f"{self.name}: half of a request, or a row twice"


class Hand(Worker):
    """Raises orders for its depot's cars and works them: each act has its effect once."""

    def __init__(self, *arguments):
        super().__init__(*arguments)
        self.units = [f"{self.name}-{number}" for number in range(CARS)]
        self.orders = {}
        self.reports = 0
        self.pending = None
        self.minutes = itertools.count(1)

    def act(self, number, name, body):
        """One act on an order as it was last seen."""
        version = self.orders[number]["version"]
        self.pending = number
        seen = {"if-match": f'"{version}"'}
        answer = self.send(f"/v1/work-orders/{number}/{name}", 200, seen, json=body).json()
        assert answer["version"] == version + 1, answer
        self.acknowledge(answer)

    def acknowledge(self, order):
        self.orders[order["number"]] = {name: order[name] for name in ("version", "status", "unit", "outcome")}
        self.pending = None

    def step(self):
        unit = self.dice.choice(self.units)
        self.pending = "new"
        new = {"unit": unit, "kind": KIND, "reason": "noise"}
        order = self.send("/v1/work-orders", 201, json=new).json()
        number = order["number"]
        assert number not in self.orders, "an order was given twice"
        self.acknowledge(order)
        if self.dice.random() < 0.5:
            self.pending = number
            taken = self.send("/v1/work-orders/next", 200, json={"by": self.name, "depot": self.name, "kind": KIND})
            taken = taken.json()
            assert taken["number"] == number, "the next one is the only one that is open here"
            self.acknowledge(taken)
        else:
            self.act(number, "accept", {"by": self.name})
        # A lease that has run out, since the clock has jumped, leaves it to nobody.
        self.act(number, "start", {"by": self.name})
        if self.dice.random() < 0.5:
            done = next(self.minutes)
            at = f"2025-02-{1 + done // 1440 % 28:02}T{done // 60 % 24:02}:{done % 60:02}:00Z"
            serviced = {"outcome": "serviced", "at": at, "by": self.name, "odometer": 10 + done, "distance_unit": "mi"}
            self.act(number, "complete", serviced)
        else:
            self.act(number, "cancel", {"reason": "no noise"})
        self.pending = "report"
        told = {"unit": unit, "symptom": "fan-noise", "told": "it howls", "by": "driver"}
        self.send("/v1/driver-reports", 201, json=told)
        self.reports += 1
        self.pending = None

    def check(self, client, _days):
        """Every order is as last acknowledged; only the one with a pending act may be one act further."""
        listed = client.items(f"/v1/work-orders?depot={self.name}&kind={KIND}&limit={PAGE}")
        found = {order["number"]: order for order in listed}
        assert len(found) == len(listed), "an order is listed twice"
        more = set(found) - set(self.orders)
        assert set(self.orders) <= set(found), f"{self.name}: acknowledged orders are lost"
        assert len(more) <= (self.pending == "new"), f"{self.name}: orders nobody asked for: {more}"
        for number, known in self.orders.items():
            order = found[number]
            ahead = order["version"] - known["version"]
            if ahead == 0:
                assert all(order[name] == known[name] for name in known), (order, known)
            else:
                assert ahead == 1 and self.pending == number, (order, known, self.pending)
        reports = len(client.items(f"/v1/driver-reports?depot={self.name}&limit={PAGE}"))
        assert reports - self.reports in ((0, 1) if self.pending == "report" else (0,)), f"{self.name}: reports"

    def check_trail(self, client, journal):
        """In the end: a journal line for each version, a past service for each completed order, none twice."""
        for number, known in self.orders.items():
            assert journal[f"work-order {number}"] == known["version"], number
        done = Counter(number for number, known in self.orders.items() if known["outcome"] == "serviced")
        services = Counter()
        for unit in self.units:
            found = client.items(f"/v1/past-services?unit={unit}&limit={PAGE}")
            services.update(item["work_order"] for item in found)
        assert services == done, self.name


class Load:
    """Posters and hands on one daemon."""

    def __init__(self, daemon, seed, posters=2, hands=2):
        self.daemon = daemon
        client = daemon.client()
        self.key = client.key
        self.gate = Gate(posters + hands)
        names = [(Poster, f"P{number}") for number in range(posters)] + [(Hand, f"H{number}") for number in range(hands)]
        self.workers = [kind(name, daemon, self.key, self.gate, seed) for kind, name in names]
        for worker in self.workers:
            depot(client, worker.name)
            client.store("/v1/vehicles", [car(unit, worker.name, in_service_on="2024-06-01") for unit in worker.units])

    def start(self, day):
        self.on(day)
        for worker in self.workers:
            worker.start()
        return self

    def on(self, day):
        """From here on the readings are of this day."""
        for worker in self.workers:
            worker.day = day

    def client(self):
        return Client(self.daemon.url, self.key)

    def check(self, days):
        """With every worker parked at the gate."""
        self.raise_faults()
        client = self.client()
        for worker in self.workers:
            worker.check(client, days)

    def raise_faults(self):
        for worker in self.workers:
            if worker.fault:
                raise worker.fault

    def hands(self):
        return [worker for worker in self.workers if isinstance(worker, Hand)]

    def answered(self):
        self.raise_faults()
        return sum(worker.answered for worker in self.workers)

    def wait_refused(self, status, patience):
        """Until somebody was told that nothing was done, with this status."""
        end = time.monotonic() + patience
        while not any(worker.statuses[status] for worker in self.workers):
            self.raise_faults()
            assert time.monotonic() < end, f"nobody was told {status}"
            time.sleep(0.05)

    def pause(self):
        self.gate.turn(is_open=False)

    def go_on(self):
        self.gate.turn(is_open=True)

    def finish(self):
        """Every pending request is answered, and no more are sent."""
        self.gate.turn(is_last=True, is_open=True)
        for worker in self.workers:
            worker.join(120)
            assert not worker.is_alive(), f"{worker.name} has no end"
        self.raise_faults()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.gate.turn(is_over=True)
