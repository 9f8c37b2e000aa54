"""Calendars as another program reads them: the icalendar package, at the secret address."""

from datetime import date, datetime, timedelta, timezone

import pytest
from icalendar import Calendar
from zoneinfo import ZoneInfo

from daemon import Client, car, depot

REASON = "Lüfter laut; Kanal links, \\ hinten, zweimal gemeldet " + "ä" * 120


def act(client, number, name, body):
    tag = client.get(f"/v1/work-orders/{number}").headers["etag"]
    return client.post(f"/v1/work-orders/{number}/{name}", body, 200, {"if-match": tag}).json()


@pytest.fixture(scope="module")
def orders(client):
    """Two orders, the first with a reason that needs folds and escapes."""
    depot(client, "CAL")
    numbers = []
    for unit, reason in (("C1", REASON), ("C2", "noise")):
        client.post("/v1/vehicles", car(unit, "CAL"), 201)
        body = {"unit": unit, "kind": "fan-service", "reason": reason}
        numbers.append(client.post("/v1/work-orders", body, 201).json()["number"])
    return numbers


def read(daemon, address):
    """What a calendar program sees: it has no key."""
    answer = Client(daemon.url).get(address)
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    # RFC 5545, 3.1: lines end with CRLF and have at most 75 octets.
    assert all(len(line) <= 75 for line in answer.content.split(b"\r\n"))
    assert answer.content.count(b"\n") == answer.content.count(b"\r\n")
    return Calendar.from_ical(answer.content)


def test_a_calendar_program_reads_slots_and_to_dos(daemon, client, orders):
    made = client.post("/v1/calendars", {"depot": "CAL", "name": "Dee's phone"}, 201).json()
    zone = ZoneInfo("America/New_York")
    days = (datetime.now(zone).date() + timedelta(days=ahead) for ahead in range(1, 4))
    # The shop is open from Monday to Friday.
    day = next(day for day in days if day.weekday() < 5)
    act(client, orders[0], "plan", {"on": day.isoformat(), "start": "09:00", "minutes": 90, "bay": 1})
    act(client, orders[0], "confirm-slot", {"by": "Dee"})
    calendar = read(daemon, made["address"])
    assert calendar["version"] == "2.0" and calendar["name"] == "CAL Dee's phone"
    [event] = calendar.walk("VEVENT")
    start = datetime(day.year, day.month, day.day, 9, tzinfo=zone)
    assert event["dtstart"].dt == start.astimezone(timezone.utc)
    assert event["dtend"].dt - event["dtstart"].dt == timedelta(minutes=90)
    assert (event["status"], event["location"]) == ("CONFIRMED", "CAL, bay 1")
    assert event["description"] == REASON
    assert orders[0] in event["summary"] and event["dtstamp"].dt.tzinfo
    to_dos = calendar.walk("VTODO")
    assert {to_do["summary"].split()[-1] for to_do in to_dos} == set(orders)
    assert {to_do["status"] for to_do in to_dos} == {"NEEDS-ACTION"}
    planned = next(to_do for to_do in to_dos if orders[0] in to_do["summary"])
    assert planned["due"].dt == day and isinstance(planned["due"].dt, date)
    uids = [str(part["uid"]) for part in [event, *to_dos]]
    assert len(set(uids)) == 3
    assert not calendar.errors and not event.errors

    # A change keeps the name and raises the sequence.
    act(client, orders[0], "plan", {"on": day.isoformat(), "start": "10:00", "minutes": 90, "bay": 1})
    [moved] = read(daemon, made["address"]).walk("VEVENT")
    assert moved["uid"] == event["uid"] and moved["sequence"] > event["sequence"]
    assert moved["status"] == "TENTATIVE" and moved["dtstart"].dt - event["dtstart"].dt == timedelta(hours=1)

    # The day's list is the same in another dress.
    listed = client.get(f"/v1/day-lists/{day}?depot=CAL", headers={"accept": "text/calendar"})
    [same] = Calendar.from_ical(listed.content).walk("VEVENT")
    assert same["uid"] == event["uid"]

    client.post(f"/v1/calendars/{made['id']}/revoke", {}, 200)
    Client(daemon.url).get(made["address"], 404)


def test_an_empty_calendar_is_one(daemon, client):
    depot(client, "EMPTY")
    made = client.post("/v1/calendars", {"depot": "EMPTY", "name": "x"}, 201).json()
    assert not read(daemon, made["address"]).walk("VEVENT")
