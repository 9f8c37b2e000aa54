"""What schemathesis adds to each case: a key of one scope or all, and in half of the cases values that exist, so that a case
gets past the door. Everything hangs on the case itself, so that a run can be repeated."""

import json
import os
import zlib

import schemathesis

KEYS = json.loads(os.environ["ATTACK_KEYS"])
KNOWN = json.loads(os.environ["ATTACK_KNOWN"])

# One case in so many has a key of one scope only; the others may do all.
SINGLE = 3


def number_of(case):
    """The same for the same case."""
    what = f"{case.method} {case.path} {case.path_parameters!r} {case.query!r} {case.body!r}"
    return zlib.crc32(what.encode(errors="replace"))


def known(case, name):
    return KNOWN.get(case.path, KNOWN.get(name))


@schemathesis.hook
def before_call(context, case, **kwargs):
    number = number_of(case)
    single = [key for scope, key in KEYS.items() if scope != "all"]
    key = single[number // SINGLE % len(single)] if number % SINGLE == 0 else KEYS["all"]
    case.headers["Authorization"] = f"Bearer {key}"
    if number % 2 == 0:
        for part in (case.path_parameters, case.query):
            for name in part or {}:
                part[name] = known(case, name) or part[name]
        if isinstance(case.body, dict):
            for name in ("unit", "depot", "serial"):
                if name in case.body:
                    case.body[name] = KNOWN[name]
    if number % 4 != 3 and "If-Match" in case.headers:
        case.headers["If-Match"] = "*"


def lines(value):
    rows = value if isinstance(value, list) else [value]
    return "".join(json.dumps(row) + "\n" for row in rows).encode(errors="replace")


@schemathesis.serializer("application/x-ndjson")
def ndjson(context, value):
    return value if isinstance(value, bytes) else lines(value)
