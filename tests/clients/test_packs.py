"""Packs over HTTP: the life curve against lifelines, and rows that go in and out again as CSV."""

import csv
import io
import math
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

import numpy
import pytest
from lifelines import KaplanMeierFitter, WeibullFitter

from daemon import PATIENCE, car, depot, wait_until

# Half the 90 % quantile of chi-squared with one degree of freedom: how far below its top the likelihood is at the ends.
HALF_CHI_SQUARED = 1.352_772


# --- The life curve -----------------------------------------------------------------------------------------------


@dataclass
class Pack:
    """A pack and the car it was watched in; distances in km."""

    exit: float
    failed: bool
    entry: float = 0
    # Where the car's odometer stood when watching began.
    odometer: float = 0
    original: bool = False
    km_a_day: float = 250


def to_metres(km):
    return round(float(km), 3)


def made_fleet(packs):
    """By thirds new cars, cars bought used of which only those are seen whose pack lived till then, and packs put in new."""
    random = numpy.random.default_rng(8)
    fleet = []
    while len(fleet) < packs:
        entry = to_metres(random.uniform(30_000, 200_000)) if len(fleet) % 3 == 1 else 0
        life = 240_000 * random.weibull(2.6)
        until = entry + random.uniform(50_000, 250_000)
        if life <= entry + 1_000:
            continue
        put_in_new = len(fleet) % 3 == 2
        fleet.append(Pack(
            exit=to_metres(min(life, until)),
            failed=bool(life <= until),
            entry=entry,
            odometer=to_metres(random.uniform(50_000, 150_000)) if put_in_new else entry,
            original=not put_in_new,
            km_a_day=random.uniform(150, 400),
        ))
    return fleet


def days_ago(days):
    noon = datetime.combine(datetime.now(UTC), time(12), UTC)
    return noon - timedelta(days=days)


def store_fleet(client, packs):
    """Cars with their packs, and readings that lie on a line from the day the pack was put in to its last."""
    cars, rows, readings = [], [], []
    for number, pack in enumerate(packs):
        unit, driven = f"P{number}", pack.exit - pack.entry
        days = math.ceil(driven / pack.km_a_day)
        end = days_ago(1 + number if pack.failed else 1)
        start = end - timedelta(days=days)
        cars.append(car(unit, in_service_on=str(start.date()), odometer_in_service=pack.odometer, distance_unit="km"))
        row = {"serial": f"S{number}", "type": "N28", "unit": unit, "installed_at": start.isoformat(),
               "odometer": pack.odometer, "distance_unit": "km", "original": pack.original}
        if pack.failed:
            row |= {"removed_at": end.isoformat(), "removed_odometer": to_metres(pack.odometer + driven),
                    "removed_because": ("failed", "condition")[number % 2]}
        rows.append(row)
        readings += [
            {"unit": unit, "at": (start + timedelta(days=days) * step / 20).isoformat(), "distance_unit": "km",
             "odometer": to_metres(pack.odometer + driven * step / 20)}
            for step in range(21)
        ]
    client.store("/v1/vehicles", cars)
    client.store("/v1/packs", rows)
    client.store("/v1/odometer-readings", readings)


def life_curve(daemon, packs):
    """Maximum likelihood of two parameters, once all packs have been looked at."""
    client = daemon.client()
    depot(client)
    store_fleet(client, packs)
    ages = sorted(round(pack.exit, 1) for pack in packs)

    def all_seen():
        shown = client.get("/v1/life-curve?distance_unit=km&limit=500").json()["on_curve"]
        return sorted(pack["age"] for pack in shown) == pytest.approx(ages, abs=0.11) and shown

    shown = wait_until(all_seen, 2 * PATIENCE)
    assert shown, client.get("/v1/life-curve?distance_unit=km&limit=500").json()["on_curve"][:5]
    by_unit = {pack["unit"]: pack for pack in shown}
    for number, pack in enumerate(packs):
        seen = by_unit[f"P{number}"]
        assert (seen["watched_from"], seen["failed"]) == (pytest.approx(pack.entry, abs=0.06), pack.failed), seen
    # At its start it learns of all there are; else it looks for news twice a minute.
    daemon.restart()
    curve = client.get("/v1/life-curve?prior=none&covariates=none&distance_unit=km&limit=500").json()
    assert (curve["packs"], curve["failures"]) == (len(packs), sum(pack.failed for pack in packs))
    assert curve["effects"] == []
    return curve


def columns(packs):
    return ([pack.exit for pack in packs], [pack.failed for pack in packs], [pack.entry for pack in packs])


def profile(packs, shape):
    """Logarithm of the likelihood at a shape, the scale at its best: scale^shape = sum(exit^shape - entry^shape) / failures."""
    exits, failed, entries = map(numpy.array, columns(packs))
    exits, entries = exits / exits.max(), entries / exits.max()
    number = failed.sum()
    hazard = (exits**shape - entries**shape).sum()
    return number * math.log(shape * number / hazard) + (shape - 1) * numpy.log(exits[failed]).sum() - number


def check_ends(curve, packs):
    """The 90 % interval of the shape reaches to where the profile likelihood has fallen so far (by its own formula)."""
    top = profile(packs, curve["shape"]["value"])
    for end in curve["shape"]["interval"].values():
        assert top - profile(packs, end) == pytest.approx(HALF_CHI_SQUARED, abs=0.02)


def test_the_life_curve_is_that_of_lifelines(new_daemon):
    packs = made_fleet(300)
    assert 90 < sum(pack.failed for pack in packs) < 250
    assert sum(pack.entry > 0 for pack in packs) == 100
    curve = life_curve(new_daemon(), packs)
    exits, failed, entries = columns(packs)
    expected = WeibullFitter().fit(exits, failed, entry=entries)
    assert curve["shape"]["value"] == pytest.approx(expected.rho_, rel=1e-3)
    assert curve["scale"]["value"] == pytest.approx(expected.lambda_, rel=1e-3)
    for name, value in (("shape", expected.rho_), ("scale", expected.lambda_)):
        interval = curve[name]["interval"]
        assert interval["low"] < value < interval["high"]
    check_ends(curve, packs)
    # Were the entries left out, packs would seem to live longer: the comparison can tell.
    assert WeibullFitter().fit(exits, failed).lambda_ > 1.01 * expected.lambda_


def test_the_steps_are_those_of_lifelines(new_daemon):
    packs = made_fleet(120)
    steps = life_curve(new_daemon(), packs)["kaplan_meier"]
    exits, failed, entries = columns(packs)
    expected = KaplanMeierFitter().fit(exits, failed, entry=entries)
    fails = sorted({exit for exit, failed in zip(exits, failed, strict=True) if failed})
    assert [step["age"] for step in steps] == pytest.approx(fails, abs=0.06)
    survival = expected.survival_function_at_times(fails).to_list()
    assert [step["survival"] for step in steps] == pytest.approx(survival, abs=1e-3)
    assert sum(step["failed"] for step in steps) == sum(failed)


def test_the_handbooks_units(new_daemon):
    """NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: shape 1.7208, scale 606.528; here 100 km stand for an hour."""
    failed = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    packs = [Pack(100 * hours, True) for hours in failed] + [Pack(50_000, False)] * 10
    curve = life_curve(new_daemon(), packs)
    assert curve["shape"]["value"] == pytest.approx(1.7208, rel=1e-3)
    assert curve["scale"]["value"] == pytest.approx(60_652.8, rel=1e-3)
    check_ends(curve, packs)
    # Ten failures of twenty units, none of them watched from a later age.
    steps = curve["kaplan_meier"]
    assert [step["survival"] for step in steps] == pytest.approx([1 - k / 20 for k in range(1, 11)], abs=1e-3)


# --- CSV in and out -----------------------------------------------------------------------------------------------

PACKS = [
    {"serial": 'A, "first"', "type": "N28", "chemistry": "nimh", "blocks": 14, "modules_per_block": 2,
     "cells_per_module": 6, "unit": "C1", "installed_at": "2025-01-01T12:00:00Z", "odometer": 10.5,
     "distance_unit": "km", "used_distance": None, "original": True, "removed_at": "2025-06-01T12:00:00Z",
     "removed_odometer": 30_000.2, "removed_because": "failed", "note": "two\r\nlines; ünïcode"},
    {"serial": "B 2", "type": "N28", "chemistry": None, "blocks": None, "modules_per_block": None,
     "cells_per_module": None, "unit": "C1", "installed_at": "2025-06-01T12:00:00Z", "odometer": 30_000.2,
     "distance_unit": "km", "used_distance": 12_000.4, "original": False, "removed_at": None,
     "removed_odometer": None, "removed_because": None, "note": None},
]
CHECKS = [
    {"unit": "C1", "at": f"2025-06-{day:02}T12:00:00Z", "block_volts": [14.6, 14.55, round(14.6 - day / 1000, 3)],
     "current_a": -3.25, "charge_pct": 55, "pack_c": None, "cabin_c": 22.5, "fan_stage": 0, "source": "scan, tool"}
    for day in range(2, 12)
]
CODES = [
    {"unit": "C1", "at": "2025-06-02T12:00:00Z", "code": "P0A80", "state": "confirmed", "detail": 123, "source": "a"},
    {"unit": "C1", "at": "2025-06-03T12:00:00Z", "code": "P0AA6-1A", "state": "history", "detail": None, "source": "b"},
]
LOGS = {"packs": PACKS, "pack-checks": CHECKS, "trouble-codes": CODES}
# What an answer says beyond the row.
ADDED = {"depot", "voided_at", "says", "todo", "was_confirmed"}


def cell(value):
    if isinstance(value, list):
        return " ".join(map(str, value))
    return str(value).lower() if isinstance(value, bool) else value


def table(rows):
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, fieldnames=list(rows[0]))
    writer.writeheader()
    writer.writerows({name: cell(value) for name, value in row.items()} for row in rows)
    return text.getvalue()


def listed(client, log):
    items = client.items(f"/v1/{log}?unit=C1&distance_unit=km{'&with_removed=true' if log == 'packs' else ''}")
    return [{"unit": "C1"} | {name: value for name, value in item.items() if name not in ADDED} for item in items]


def one_car(daemon):
    client = daemon.client()
    depot(client)
    client.store("/v1/vehicles", [car("C1", odometer_in_service=10.5, distance_unit="km")])
    return client


@pytest.mark.parametrize("log", LOGS)
def test_rows_go_in_and_out_as_csv(new_daemon, log):
    first, second = one_car(new_daemon()), one_car(new_daemon())
    rows = LOGS[log]
    verdicts = first.send(f"/v1/{log}", table(rows), "text/csv")
    assert verdicts == {"stored": len(rows), "repeated": 0, "replaced": 0, "refused": []}
    found = listed(first, log)
    assert found == rows
    # What is listed can be sent again, and elsewhere.
    assert first.send(f"/v1/{log}", table(found), "text/csv")["repeated"] == len(rows)
    assert second.send(f"/v1/{log}", table(found), "text/csv")["stored"] == len(rows)
    assert listed(second, log) == rows


def test_the_list_of_outlooks_is_a_table_too(new_daemon):
    client = one_car(new_daemon())
    for log, rows in LOGS.items():
        client.store(f"/v1/{log}", rows)
    readings = [{"unit": "C1", "at": f"2025-{month:02}-28T12:00:00Z", "odometer": 6_000 * month, "distance_unit": "km"}
                for month in range(6, 10)]
    client.store("/v1/odometer-readings", readings)

    def outlook():
        items = client.items("/v1/pack-outlook?distance_unit=km")
        return items and items[0]["last_check_at"] and items[0]["age"] > 20_000 and items

    [item] = wait_until(outlook, PATIENCE)
    text = client.get("/v1/pack-outlook?distance_unit=km&format=csv").text
    [row] = csv.DictReader(io.StringIO(text, newline=""))
    assert (row["unit"], row["serial"], row["band"]) == (item["unit"], "B 2", item["band"])
    assert float(row["chance_90_days"]) == item["chances"]["within_90_days"]
    assert (float(row["age"]), row["reason"]) == (item["age"], item["reason"])
